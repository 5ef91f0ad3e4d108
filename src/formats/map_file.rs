//! Radiance maps as OpenEXR files.
//!
//! Channels: `R`, `G`, `B` (FLOAT) contain radiance; `sigma.R`, `sigma.G`, `sigma.B` (HALF) its standard uncertainty
//! from noise, in the same unit; `systematic.R`, `systematic.G`, `systematic.B` (HALF) the relative systematic
//! uncertainty; `flags` (UINT) the flags plane. A map of one channel has `Y`, `sigma.Y`, `systematic.Y` and `flags`
//! instead.
//!
//! Radiance keeps 16 significant bits (see [`openexr`]). Uncertainties keep 6 significant bits, a rounding error of
//! at most 1.6 %. That suffices because an uncertainty needs two significant digits at most (JCGM 100:2008, 7.2.6),
//! whose own rounding is up to 5 % (at 10) and at least 0.5 % (at 99). HALF has steps of 2^-24 below 2^-14.
//! Uncertainties are clamped to 2^-24 (never 0 unless the uncertainty is 0) and 65504 (never infinite).
use crate::openexr;
use crate::openexr::{Attributes, Channel, ChannelRows, Content, Kind, Layout, Scheme};
use crate::staged::Outputs;
use half::f16;
use half::slice::HalfFloatSliceExt;
use ndarray::{Array2, Array3};
use std::ops::{Range, RangeInclusive};
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::model::Limits;
use stopspan_core::model::{Planes, RadianceMap};
use stopspan_core::raster::{Work, dispatch_simd};
use stopspan_core::units::Primaries;

/// Layers of three channels (or one), in the order of the file.
const LAYERS: [(&str, Kind); 3] = [
    ("", Kind::Float),
    ("sigma.", Kind::Half),
    ("systematic.", Kind::Half),
];

/// Storage options of a map.
#[derive(Debug, Clone, PartialEq)]
pub struct MapStorage {
    /// Attributes of the file's header.
    pub attributes: Attributes,
    /// Sample type of radiance: FLOAT, or HALF, which has 11 significant bits between 2^-14 and 65504.
    pub samples: Kind,
    /// Compression scheme of all channels.
    pub scheme: Scheme,
}

impl Default for MapStorage {
    fn default() -> Self {
        MapStorage {
            attributes: Attributes::default(),
            samples: Kind::Float,
            scheme: Scheme::Pxr24,
        }
    }
}

/// A map that is computed strip by strip, so that it need not be in memory as a whole.
#[derive(Debug, Clone, Copy)]
pub struct Strips<F> {
    /// Rows, columns, channels; 1 or 3 channels.
    pub shape: (usize, usize, usize),
    /// Computes some rows of the map; called from several threads.
    pub rows: F,
}

/// Writes a map; the file is complete or not there at all. `map` is asked for 16 rows at a time (the last may be fewer).
/// The bytes depend neither on the number of threads nor on the time.
///
/// # Errors
/// [`Error::Output`]: as [`openexr::write`].
pub fn write_exr(
    path: &Path,
    policy: &Outputs,
    how: &MapStorage,
    map: &Strips<impl Fn(Range<usize>) -> Planes + Sync>,
) -> Result<(), Error> {
    let (rows, columns, channels) = map.shape;
    let mut named: Vec<Channel> = LAYERS
        .iter()
        .flat_map(|(layer, kind)| {
            let letters = letters(channels).iter();
            let kind = if layer.is_empty() { how.samples } else { *kind };
            letters.map(move |letter| Channel::new(format!("{layer}{letter}"), kind))
        })
        .collect();
    named.push(Channel::new("flags", Kind::Uint));
    let layout = Layout {
        rows,
        columns,
        channels: named,
        attributes: how.attributes.clone(),
        scheme: how.scheme,
    };
    openexr::write(path, policy, &layout, |rows| {
        channels_of((map.rows)(rows), how.samples)
    })
}

/// Reads a map written by [`write_exr`]. If the file has radiance alone, uncertainties and flags are 0.
///
/// # Errors
/// [`Error::Input`]: as [`openexr::read`], and a file without float channels R, G, B or Y.
pub fn read_exr(path: &Path, limits: &Limits) -> Result<RadianceMap, Error> {
    let content = openexr::read(path, limits)?;
    let channels = if content.channels.contains_key("R") {
        3
    } else {
        1
    };
    let missing = || {
        let what = InputProblem::Unsupported("OpenEXR without float channels R, G, B or Y".into());
        Error::input(path, what)
    };
    let radiance = layer(&content, "", channels).ok_or_else(missing)?;
    let none = || Array3::zeros(radiance.dim());
    let flags = flags_of(content.channels.get("flags"));
    let flags = flags.unwrap_or_else(|| vec![0; content.rows * content.columns]);
    Ok(RadianceMap {
        statistical: layer(&content, "sigma.", channels).unwrap_or_else(none),
        systematic: layer(&content, "systematic.", channels).unwrap_or_else(none),
        flags: Array2::from_shape_vec((content.rows, content.columns), flags)
            .map_err(|e| Error::input_because(path, InputProblem::Damaged, e))?,
        primaries: primaries_of(&content.attributes),
        radiance,
    })
}

pub(super) fn flags_of(channel: Option<&ChannelRows>) -> Option<Vec<u16>> {
    match channel {
        Some(ChannelRows::Uint(v)) => Some(v.iter().map(|&f| f as u16).collect()),
        _ => None,
    }
}

/// Primaries from the header, or those of BT.709 if it has none, the format's default.
pub(super) fn primaries_of(attributes: &Attributes) -> Primaries {
    let stated = attributes.chromaticities.map(|xy| xy.map(f64::from));
    stated.and_then(Primaries::new).unwrap_or_default()
}

pub(super) fn letters(channels: usize) -> &'static [&'static str] {
    if channels == 1 {
        &["Y"]
    } else {
        &["R", "G", "B"]
    }
}

/// Samples of a strip, in the order of the channels.
fn channels_of(strip: Planes, samples: Kind) -> Vec<ChannelRows> {
    let radiance = strip.radiance.into_iter();
    let mut rows: Vec<ChannelRows> = match samples {
        Kind::Half => radiance
            .map(|p| halves(p, |v| v.clamp(-65504.0, 65504.0)))
            .collect(),
        _ => radiance.map(ChannelRows::Float).collect(),
    };
    let uncertainties = strip.statistical.into_iter().chain(strip.systematic);
    rows.extend(uncertainties.map(shortened));
    rows.push(ChannelRows::Uint(
        strip.flags.iter().map(|&f| u32::from(f)).collect(),
    ));
    rows
}

fn halves(plane: Vec<f32>, change: impl Fn(f32) -> f32) -> ChannelRows {
    let changed: Vec<f32> = plane.into_iter().map(change).collect();
    let mut halves = vec![f16::ZERO; changed.len()];
    halves.convert_from_f32_slice(&changed);
    ChannelRows::Half(halves)
}

/// Uncertainties as HALF, rounded as by [`short`].
fn shortened(plane: Vec<f32>) -> ChannelRows {
    let mut halves = vec![f16::ZERO; plane.len()];
    dispatch_simd(Shorten(&plane, &mut halves));
    ChannelRows::Half(halves)
}

struct Shorten<'a>(&'a [f32], &'a mut [f16]);

impl Work for Shorten<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let parts = self.0.chunks(TOGETHER).zip(self.1.chunks_mut(TOGETHER));
        for (some, halves) in parts {
            let (low, high) = (*USUAL.start(), *USUAL.end());
            let unusual = some
                .iter()
                .fold(false, |any, &v| any | !(v >= low && v <= high));
            for (half, &value) in halves.iter_mut().zip(some) {
                *half = quick(value);
            }
            if unusual {
                let pairs = halves.iter_mut().zip(some);
                pairs.for_each(|(half, &value)| *half = short(value));
            }
        }
    }
}

/// Values converted in one step.
const TOGETHER: usize = 256;
/// Range in which HALF is normalised, both before and after rounding.
const USUAL: RangeInclusive<f32> = 6.2e-5..=6.0e4;
/// Low bits of the 23-bit mantissa of a float that are rounded away.
const DROPPED: u32 = 18;

/// Rounds to 6 significant bits, to nearest; returns the bits of the float.
#[inline(always)]
fn rounded(value: f32) -> u32 {
    (value.to_bits() + (1 << (DROPPED - 1))) & !((1 << DROPPED) - 1)
}

/// [`short`] for values in [`USUAL`]: the exponent is rebased and the upper 16 bits are kept.
#[inline(always)]
fn quick(value: f32) -> f16 {
    const ORIGIN: u32 = (127 - 15) << 23;
    f16::from_bits((rounded(value).wrapping_sub(ORIGIN) >> 13) as u16)
}

/// Rounds to 6 significant bits, to nearest, clamped to the range of HALF.
fn short(value: f32) -> f16 {
    let least = if value > 0.0 {
        f32::from(f16::MIN_POSITIVE_SUBNORMAL)
    } else {
        0.0
    };
    f16::from_f32(f32::from_bits(rounded(value)).clamp(least, 65504.0))
}

fn layer(content: &Content, layer: &str, channels: usize) -> Option<Array3<f32>> {
    let mut samples = Array3::zeros((content.rows, content.columns, channels));
    for (k, letter) in letters(channels).iter().enumerate() {
        let mut plane = samples.index_axis_mut(ndarray::Axis(2), k);
        match content.channels.get(&format!("{layer}{letter}"))? {
            ChannelRows::Float(v) => plane.iter_mut().zip(v).for_each(|(p, &v)| *p = v),
            ChannelRows::Half(v) => plane.iter_mut().zip(v).for_each(|(p, v)| *p = v.to_f32()),
            ChannelRows::Uint(_) => return None,
        }
    }
    Some(samples)
}

#[cfg(test)]
mod tests {
    use crate::map_file::*;

    fn map(rows: usize, columns: usize, channels: usize) -> RadianceMap {
        let mut state = 9u32;
        let mut random = move || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / (1 << 24) as f32
        };
        RadianceMap {
            radiance: Array3::from_shape_fn((rows, columns, channels), |_| {
                (20.0 * random() - 14.0).exp2() - 1e-4
            }),
            statistical: Array3::from_shape_fn((rows, columns, channels), |_| {
                (-20.0 * random()).exp2()
            }),
            systematic: Array3::from_shape_fn((rows, columns, channels), |_| 0.2 * random()),
            flags: Array2::from_shape_fn((rows, columns), |_| (random() * 65536.0) as u16),
            primaries: Primaries::SRGB,
        }
    }

    fn write(path: &Path, map: &RadianceMap, how: &MapStorage) {
        let strips = Strips {
            shape: map.radiance.dim(),
            rows: |rows| Planes::of_rows(map, rows),
        };
        write_exr(path, &Outputs::default(), how, &strips).unwrap();
    }

    fn close(back: &Array3<f32>, wanted: &Array3<f32>, relative: f32, floor: f32) {
        assert_eq!(back.dim(), wanted.dim());
        for (b, w) in back.iter().zip(wanted) {
            assert!((b - w).abs() <= (w.abs() * relative).max(floor), "{b} {w}");
        }
    }

    /// Decoded by the `exr` crate, not by the code under test.
    #[test]
    fn a_map_comes_back_within_the_stated_rounding() {
        let folder = tempfile::tempdir().unwrap();
        for (n, (rows, columns, channels)) in [(1, 1, 3), (16, 5, 3), (17, 300, 3), (50, 33, 1)]
            .into_iter()
            .enumerate()
        {
            let path = folder.path().join(format!("{n}.exr"));
            let map = map(rows, columns, channels);
            write(&path, &map, &MapStorage::default());
            let back = read_exr(&path, &Limits::default()).unwrap();
            close(&back.radiance, &map.radiance, 1.0 / 65536.0, 0.0);
            close(
                &back.statistical,
                &map.statistical,
                1.0 / 64.0,
                2f32.powi(-24),
            );
            close(
                &back.systematic,
                &map.systematic,
                1.0 / 64.0,
                2f32.powi(-24),
            );
            assert_eq!(back.flags, map.flags);
        }
    }

    /// HALF keeps 11 significant bits; ZIP is lossless.
    #[test]
    fn half_and_zip_come_back_within_their_precision() {
        let folder = tempfile::tempdir().unwrap();
        let map = map(37, 61, 3);
        for (samples, scheme, relative, floor) in [
            (Kind::Half, Scheme::Pxr24, 2f32.powi(-11), 2f32.powi(-25)),
            (Kind::Half, Scheme::Zip, 2f32.powi(-11), 2f32.powi(-25)),
            (Kind::Float, Scheme::Zip, 0.0, 0.0),
        ] {
            let path = folder.path().join(format!("{samples:?}{scheme:?}.exr"));
            let how = MapStorage {
                samples,
                scheme,
                ..MapStorage::default()
            };
            write(&path, &map, &how);
            let back = read_exr(&path, &Limits::default()).unwrap();
            close(&back.radiance, &map.radiance, relative, floor);
            assert_eq!(back.flags, map.flags);
        }
    }

    #[test]
    fn the_bytes_do_not_depend_on_the_threads() {
        let folder = tempfile::tempdir().unwrap();
        let map = map(150, 64, 3);
        let files = [1, 2, 5].map(|threads| {
            let path = folder.path().join(format!("{threads}.exr"));
            let pool = rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap();
            pool.install(|| write(&path, &map, &MapStorage::default()));
            std::fs::read(path).unwrap()
        });
        assert_eq!(files[0], files[1]);
        assert_eq!(files[0], files[2]);
    }

    #[test]
    fn uncertainties_stay_finite_and_positive_in_half() {
        let short = |value| f32::from(short(value));
        assert_eq!(short(0.0), 0.0);
        assert_eq!(short(1e-12), 2f32.powi(-24));
        assert_eq!(short(1e9), 65504.0);
        assert_eq!(short(f32::INFINITY), 65504.0);
        assert_eq!(short(1.0), 1.0);
        assert_eq!(short(1.0 / 3.0), 43.0 / 128.0); // 0.3359
    }

    #[test]
    fn the_quick_way_to_half_is_the_same() {
        let mut value = *USUAL.start();
        while value <= *USUAL.end() {
            assert_eq!(quick(value), short(value), "{value}");
            value *= 1.000_3;
        }
        assert_eq!(quick(*USUAL.end()), short(*USUAL.end()));
    }
}
