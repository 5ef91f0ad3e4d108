//! A picture prepared for measurement: the crop around the wedge in linear light, with masks, uncertainty and sources.
use ndarray::{Array2, Array3};
use stopspan_core::model::Compression;
use stopspan_core::model::Frame;
use stopspan_core::model::Homography;
use stopspan_core::model::{RadianceMap, flag, main_channel};
use stopspan_core::model::{Response, ResponseCurve};
use stopspan_core::raster::{Pixels, Quad, Region};
use stopspan_core::results::PictureKind;

/// 8-bit codes above the floor from which codes are relied on.
const LOWEST_CODE: f64 = 2.0;

/// How one exposure maps radiance to levels. A frame or finished picture has one source, a merge one per frame.
#[derive(Debug, Clone)]
pub struct Source {
    /// Response of the measuring channel.
    pub curve: ResponseCurve,
    /// Exposure relative to the reference frame (a factor of light), > 0.
    pub relative_exposure: f64,
    /// Sensitivity relative to the reference frame (ratio of ISO speeds), > 0.
    pub gain: f64,
    /// Standard uncertainty of log2 of the relative exposure, stops, >= 0, as far as the response does not include it.
    pub exposure_uncertainty: f64,
    /// Compression of the levels.
    pub compression: Compression,
    /// Level, fraction of full scale, below which the frames of the bracket disagree by more than their light is worth: ranges that end
    /// there have no interval. 0 where no frames were compared.
    pub trusted_from: f64,
}

impl Source {
    /// A source of the reference's sensitivity, with exact exposure and uncompressed levels.
    pub fn new(curve: ResponseCurve, relative_exposure: f64) -> Self {
        Source {
            curve,
            relative_exposure,
            gain: 1.0,
            exposure_uncertainty: 0.0,
            compression: Compression::Lossless,
            trusted_from: 0.0,
        }
    }

    /// Radiance at the clip level.
    pub fn top(&self) -> f64 {
        self.curve.exposure_at(self.curve.clip_level) / self.relative_exposure
    }

    /// Radiance at the black floor, >= 0.
    pub fn floor(&self) -> f64 {
        (self.curve.exposure_at(self.curve.floor_level) / self.relative_exposure).max(0.0)
    }

    /// Lowest level that is relied on, fraction of full scale: above the black floor, within the data behind the response, and
    /// in 8-bit files two codes above the floor, because a code of 1 is rounded by half its own size.
    pub fn lowest_level(&self) -> f64 {
        let curve = &self.curve;
        let codes = if self.is_eight_bit() {
            LOWEST_CODE / 255.0
        } else {
            0.0
        };
        (curve.floor_level.max(0.0) + codes).max(curve.supported.0)
    }

    /// Radiance at [`Self::lowest_level`], >= 0.
    pub fn lowest(&self) -> f64 {
        (self.curve.exposure_at(self.lowest_level()) / self.relative_exposure).max(0.0)
    }

    /// Number of codes of the file: 256, or 65536 for all that is deeper.
    pub fn codes(&self) -> usize {
        if self.is_eight_bit() { 256 } else { 65536 }
    }

    /// Curves of 8-bit files have an entry for each code.
    fn is_eight_bit(&self) -> bool {
        self.curve.exposure.len() == 256
    }

    /// d exposure / d code at a radiance, per 8-bit code, in units of the clip exposure.
    pub fn slope(&self, radiance: f64) -> f64 {
        let level = self.curve.level_of(radiance * self.relative_exposure);
        self.curve.slope_at(level) / 255.0
    }
}

/// A picture to be measured. All arrays cover the same crop.
#[derive(Debug, Clone)]
pub struct Subject {
    /// Kind of picture.
    pub kind: PictureKind,
    /// File name for the report.
    pub file: String,
    /// Scene-referred relative radiance, shape (rows, columns, channels); 1.0 just clips the reference frame.
    pub linear: Array3<f32>,
    /// Encoded levels as fractions of full scale, same shape; `None` for a radiance map.
    pub levels: Option<Array3<f32>>,
    /// True where the measuring channel is at the clip level (for a map: clipped in every frame).
    pub clipped: Array2<bool>,
    /// True where the measuring channel is at or below the black floor.
    pub crushed: Array2<bool>,
    /// Standard uncertainty from noise, same shape as `linear`; `None` except for a radiance map.
    pub statistical: Option<Array3<f32>>,
    /// Row and column of the crop's first pixel in the whole picture.
    pub origin: (usize, usize),
    /// Bits per sample: 8, 16 or 32.
    pub bits: u32,
    /// Compression of the samples; `None` for a radiance map.
    pub compression: Option<Compression>,
    /// Number of pixels of the whole picture.
    pub pixels: usize,
    /// One source per frame behind the picture; empty if unknown.
    pub sources: Vec<Source>,
    /// Reference-frame pixels -> this picture's pixels.
    pub placement: Homography,
    /// Where the curve ends at the dark end.
    pub curve_end: CurveEnd,
}

/// Where the curve of a picture ends at the dark end; no range is given beyond it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CurveEnd {
    /// The response is known beyond the wedge.
    Open,
    /// The curve was measured on the wedge and ends at its darkest clean patch.
    DarkestPatch,
    /// The curve was measured on the wedge and is carried on to this radiance.
    At(f64),
}

impl Subject {
    /// A frame linearised by the response. `clip` overrides the response's clip level (fraction of full scale). `region`
    /// must lie inside the frame.
    pub fn of_frame(
        frame: &Frame,
        response: &Response,
        relative_exposure: f64,
        clip: Option<f64>,
        region: Region,
    ) -> Self {
        let mut curves = response.curves.clone();
        if let Some(level) = clip {
            curves.iter_mut().for_each(|c| c.clip_level = level);
        }
        let mut subject =
            Self::of_levels(&frame.picture.pixels, &curves, relative_exposure, region);
        subject.file = frame.name();
        subject.compressed(frame.picture.compression)
    }

    /// A finished picture (camera HDR or rendering), linearised by `curve` (its own OECF), or by the transfer function of
    /// IEC 61966-2-1 if `None`. Its relative exposure is 1. `region` must lie inside the picture.
    pub fn of_finished(
        kind: PictureKind,
        file: &str,
        pixels: &Pixels,
        curve: Option<&ResponseCurve>,
        region: Region,
    ) -> Self {
        let curve = curve.cloned().unwrap_or_else(super::oecf::srgb_curve);
        let mut subject = Self::of_picture(kind, file, pixels, &[curve], region);
        if matches!(kind, PictureKind::CameraHdr | PictureKind::Rendered) {
            subject.curve_end = CurveEnd::DarkestPatch;
        }
        subject
    }

    /// A picture linearised by the curves of its channels, or one for all. Its relative exposure is 1. `region` must lie inside
    /// the picture.
    pub(crate) fn of_picture(
        kind: PictureKind,
        file: &str,
        pixels: &Pixels,
        curves: &[ResponseCurve],
        region: Region,
    ) -> Self {
        let mut subject = Self::of_levels(pixels, curves, 1.0, region);
        subject.kind = kind;
        subject.file = file.to_string();
        subject
    }

    /// The radiance map. `sources` describe the frames behind it (needed for a usable range). `region` must lie inside the
    /// map.
    pub fn of_map(map: &RadianceMap, sources: Vec<Source>, region: Region) -> Self {
        let cut = ndarray::s![region.rows(), region.columns(), ..];
        let flags = map
            .flags
            .slice(ndarray::s![region.rows(), region.columns()]);
        Subject {
            kind: PictureKind::Merge,
            file: "merge".into(),
            linear: map.radiance.slice(cut).to_owned(),
            levels: None,
            clipped: flags.mapv(|f| f & flag::CLIPPED_IN_ALL != 0),
            crushed: flags.mapv(|_| false),
            statistical: Some(map.statistical.slice(cut).to_owned()),
            origin: (region.top, region.left),
            bits: 32,
            compression: None,
            pixels: map.flags.len(),
            sources,
            placement: Homography::identity(),
            curve_end: CurveEnd::Open,
        }
    }

    fn of_levels(pixels: &Pixels, curves: &[ResponseCurve], exposure: f64, region: Region) -> Self {
        let levels = pixels.levels(region);
        let channel = main_channel(levels.dim().2);
        let curve = &curves[channel.min(curves.len() - 1)];
        let green = levels.index_axis(ndarray::Axis(2), channel);
        let (clip, floor) = (curve.clip_level as f32, curve.floor_level as f32);
        Subject {
            kind: PictureKind::Frame,
            file: String::new(),
            linear: linearise(&levels, curves, exposure),
            clipped: green.mapv(|v| v >= clip - f32::EPSILON),
            crushed: green.mapv(|v| v <= floor),
            levels: Some(levels),
            statistical: None,
            origin: (region.top, region.left),
            bits: pixels.bits(),
            compression: None,
            pixels: pixels.rows() * pixels.columns(),
            sources: vec![Source::new(curve.clone(), exposure)],
            placement: Homography::identity(),
            curve_end: CurveEnd::Open,
        }
    }

    /// True if this picture, or a frame behind a map, was coded lossily.
    pub fn is_lossy(&self) -> bool {
        let sources = self.sources.iter().map(|s| s.compression);
        sources
            .chain(self.compression)
            .any(|c| matches!(c, Compression::Jpeg { .. }))
    }

    /// The best exposure at a radiance: the longest one that is not clipped, else the shortest.
    pub(crate) fn leader(&self, radiance: f64) -> Option<&Source> {
        let order = |a: &&Source, b: &&Source| a.relative_exposure.total_cmp(&b.relative_exposure);
        let open = self.sources.iter().filter(|s| radiance < s.top());
        open.max_by(order)
            .or_else(|| self.sources.iter().min_by(order))
    }

    /// The same subject with another geometry: `placement` maps reference-frame pixels to this picture's pixels.
    pub fn placed(mut self, placement: Homography) -> Self {
        self.placement = placement;
        self
    }

    /// The same subject with another compression of its levels.
    pub fn compressed(mut self, compression: Compression) -> Self {
        self.compression = Some(compression);
        for source in &mut self.sources {
            source.compression = compression;
        }
        self
    }

    /// The same subject linearised by another curve; unchanged for a radiance map.
    pub fn with_curve(&self, curve: &ResponseCurve) -> Self {
        let mut next = self.clone();
        if let Some(levels) = &self.levels {
            next.linear = linearise(levels, std::slice::from_ref(curve), 1.0);
            let compression = self.compression.unwrap_or(Compression::Lossless);
            next.sources = vec![Source {
                compression,
                ..Source::new(curve.clone(), 1.0)
            }];
        }
        next
    }

    /// The region of a picture of `rows` x `columns` pixels that contains the wedge, with a margin of 8 pixels. `None` if
    /// the wedge lies outside.
    pub fn region_for(
        corners: &Quad,
        placement: &Homography,
        rows: usize,
        columns: usize,
    ) -> Option<Region> {
        let inner = Region::around(&placement.map_quad(corners), rows, columns)?;
        let (top, left) = (inner.top.saturating_sub(8), inner.left.saturating_sub(8));
        Some(Region {
            top,
            left,
            height: (inner.top + inner.height + 8).min(rows) - top,
            width: (inner.left + inner.width + 8).min(columns) - left,
        })
    }
}

fn linearise(levels: &Array3<f32>, curves: &[ResponseCurve], exposure: f64) -> Array3<f32> {
    let mut linear = levels.clone();
    for (c, mut plane) in linear.axis_iter_mut(ndarray::Axis(2)).enumerate() {
        let curve = &curves[c.min(curves.len() - 1)];
        plane.mapv_inplace(|v| (curve.exposure_at(f64::from(v)) / exposure) as f32);
    }
    linear
}
