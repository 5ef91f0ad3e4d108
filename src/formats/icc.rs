//! Colour profiles: the primaries of one that came with a file, and small ones of our own for files we write.
//!
//! Ours are ICC.1:2001-04, version 2, display class, matrix and curve, built from the standards: sRGB (IEC 61966-2-1) and
//! Display P3 (SMPTE EG 432-1), which share the transfer curve. Colorants are the primaries adapted from D65 to the
//! profile's D50 by the Bradford transform, as ICC profiles want them.
use crate::units::{Primaries, apply, inverse, srgb_exposure};
use moxcms::{ColorProfile, DataColorSpace, Layout, ToneReprCurve, TransformOptions, Xyzd};

/// Colorants X, Y, Z relative to D50 (Bradford-adapted sRGB primaries).
const COLORANTS: [(&[u8; 4], [f64; 3]); 3] = [
    (b"rXYZ", [0.436_065_7, 0.222_488_4, 0.013_916_0]),
    (b"gXYZ", [0.385_147_1, 0.716_873_2, 0.097_076_4]),
    (b"bXYZ", [0.143_066_4, 0.060_607_9, 0.714_096_1]),
];
/// The profile connection space's white.
const D50: [f64; 3] = [0.9642, 1.0, 0.8249];
/// Entries of the curve table.
const CURVE: usize = 1024;
const NAME: &str = "sRGB IEC61966-2-1";

/// The colours of a profile's samples may differ from the sum of its primaries' by this share of white.
const ADDITIVE: f64 = 0.02;

/// The primaries that a profile gives to the RGB samples of its picture; `None` for a profile of grey samples, which needs
/// none. Its tone curves are not heeded: how levels follow light is recovered from the bracket. A profile of look-up tables
/// alone is asked for the colours of its corners; they are its primaries if they add up.
///
/// # Errors
/// In words: a profile that cannot be read, is not one of RGB samples, or whose look-up tables follow no primaries.
pub fn profile_primaries(profile: &[u8]) -> Result<Option<Primaries>, String> {
    let read = ColorProfile::new_from_slice(profile)
        .map_err(|_| "the colour profile is damaged".to_owned())?;
    match read.color_space {
        DataColorSpace::Gray => return Ok(None),
        DataColorSpace::Rgb => {}
        _ => return Err("the colour profile is not one of RGB samples".into()),
    }
    let [r, g, b] = [read.red_colorant, read.green_colorant, read.blue_colorant];
    let missing = |c: &Xyzd| c.x == 0.0 && c.y == 0.0 && c.z == 0.0;
    if [r, g, b].iter().any(missing) {
        return by_tables(&read).map(Some);
    }
    let colorants = [[r.x, g.x, b.x], [r.y, g.y, b.y], [r.z, g.z, b.z]];
    let adapted = read.chromatic_adaptation.and_then(|m| inverse(&m.v));
    let white = match adapted {
        Some(back) => Some(apply(&back, D50)),
        None => read.media_white_point.map(|w| [w.x, w.y, w.z]),
    };
    Primaries::of_colorants(&colorants, white)
        .map(Some)
        .ok_or("the colour profile's primaries span no colours".into())
}

/// The primaries of look-up tables: the colours of full red, green and blue, relative to D50, if the colours of their
/// mixtures are the sums.
fn by_tables(tables: &ColorProfile) -> Result<Primaries, String> {
    const CORNERS: [[f32; 3]; 7] = [
        [1.0, 0.0, 0.0],
        [0.0, 1.0, 0.0],
        [0.0, 0.0, 1.0],
        [1.0, 1.0, 0.0],
        [0.0, 1.0, 1.0],
        [1.0, 0.0, 1.0],
        [1.0, 1.0, 1.0],
    ];
    let unread = |_| "the colour profile's look-up tables cannot be read".to_owned();
    // A space wide enough to hold any display's primaries, for samples come clipped.
    let mut wide = ColorProfile::new_pro_photo_rgb();
    let curve = Some(ToneReprCurve::Parametric(vec![1.8]));
    (wide.red_trc, wide.green_trc, wide.blue_trc) = (curve.clone(), curve.clone(), curve);
    let mut found = [0f32; 21];
    tables
        .create_transform_f32(Layout::Rgb, &wide, Layout::Rgb, TransformOptions::default())
        .and_then(|t| t.transform(CORNERS.as_flattened(), &mut found))
        .map_err(unread)?;
    let to_xyz = Primaries::ROMM.to_d50();
    let xyz = |k: usize| {
        let light = [0, 1, 2].map(|c| f64::from(found[3 * k + c]).max(0.0).powf(1.8));
        apply(&to_xyz, light)
    };
    let [r, g, b] = [xyz(0), xyz(1), xyz(2)];
    let adds_up = (3..7).all(|k| {
        let part = |c: usize, v: [f64; 3]| v.map(|x| x * f64::from(CORNERS[k][c]));
        let sum = [part(0, r), part(1, g), part(2, b)];
        let mixture = xyz(k);
        (0..3).all(|i| (sum[0][i] + sum[1][i] + sum[2][i] - mixture[i]).abs() < ADDITIVE)
    });
    let colorants = [0, 1, 2].map(|i| [r[i], g[i], b[i]]);
    adds_up
        .then(|| Primaries::of_colorants(&colorants, None))
        .flatten()
        .ok_or("the colour profile works by look-up tables, which follow no primaries".into())
}

/// The bytes of an sRGB profile, the same every time.
pub fn srgb_profile() -> Vec<u8> {
    profile(NAME, COLORANTS)
}

/// The bytes of a Display P3 profile, the same every time.
pub fn display_p3_profile() -> Vec<u8> {
    let [x, y, z] = Primaries::DISPLAY_P3.to_d50();
    let colorant = |k: usize| [x[k], y[k], z[k]];
    let named = [
        (b"rXYZ", colorant(0)),
        (b"gXYZ", colorant(1)),
        (b"bXYZ", colorant(2)),
    ];
    profile("Display P3", named)
}

fn profile(name: &str, colorants: [(&[u8; 4], [f64; 3]); 3]) -> Vec<u8> {
    let mut tags: Vec<([u8; 4], Vec<u8>)> = vec![
        (*b"desc", description(name)),
        (*b"cprt", [&b"text\0\0\0\0"[..], b"No copyright\0"].concat()),
        (*b"wtpt", xyz(D50)),
    ];
    tags.extend(colorants.map(|(name, values)| (*name, xyz(values))));
    tags.push((*b"rTRC", curve()));

    let count = tags.len() + 2; // green and blue share the red curve
    let mut table = (count as u32).to_be_bytes().to_vec();
    let mut data = Vec::new();
    let begin = 128 + 4 + 12 * count;
    for (tag, mut bytes) in tags {
        let entry = [
            ((begin + data.len()) as u32).to_be_bytes(),
            (bytes.len() as u32).to_be_bytes(),
        ]
        .concat();
        let names: &[[u8; 4]] = match &tag {
            b"rTRC" => &[*b"rTRC", *b"gTRC", *b"bTRC"],
            other => &[*other],
        };
        for name in names {
            table.extend_from_slice(name);
            table.extend_from_slice(&entry);
        }
        bytes.resize(bytes.len().next_multiple_of(4), 0);
        data.extend(bytes);
    }
    [header((begin + data.len()) as u32), table, data].concat()
}

/// ICC.1:2001-04, 6.1.
fn header(length: u32) -> Vec<u8> {
    let mut header = vec![0; 128];
    header[0..4].copy_from_slice(&length.to_be_bytes());
    header[8..12].copy_from_slice(&[2, 0x20, 0, 0]); // version 2.2
    header[12..24].copy_from_slice(b"mntrRGB XYZ ");
    let date: [u16; 6] = [1999, 10, 1, 0, 0, 0]; // of the standard, so that the bytes are always the same
    for (k, part) in date.iter().enumerate() {
        header[24 + 2 * k..26 + 2 * k].copy_from_slice(&part.to_be_bytes());
    }
    header[36..40].copy_from_slice(b"acsp");
    header[68..80].copy_from_slice(&xyz(D50)[8..]);
    header
}

fn description(name: &str) -> Vec<u8> {
    let mut tag = b"desc\0\0\0\0".to_vec();
    tag.extend((name.len() as u32 + 1).to_be_bytes());
    tag.extend_from_slice(name.as_bytes());
    tag.push(0);
    tag.extend([0; 4 + 4 + 2 + 1 + 67]); // no Unicode, no script code
    tag
}

/// `XYZType` with s15Fixed16 numbers.
fn xyz(values: [f64; 3]) -> Vec<u8> {
    let mut tag = b"XYZ \0\0\0\0".to_vec();
    for value in values {
        tag.extend(((value * 65536.0).round() as i32).to_be_bytes());
    }
    tag
}

/// `curveType`: linear light in 1/65535 for evenly spaced levels, IEC 61966-2-1.
fn curve() -> Vec<u8> {
    let mut tag = b"curv\0\0\0\0".to_vec();
    tag.extend((CURVE as u32).to_be_bytes());
    for k in 0..CURVE {
        let level = k as f64 / (CURVE - 1) as f64;
        tag.extend(((srgb_exposure(level) * 65535.0).round() as u16).to_be_bytes());
    }
    tag
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn our_own_profiles_say_what_they_are() {
        for (profile, space) in [
            (srgb_profile(), Primaries::SRGB),
            (display_p3_profile(), Primaries::DISPLAY_P3),
        ] {
            assert_eq!(profile_primaries(&profile), Ok(Some(space)));
            for cut in [0, 20, 127, 140, 200] {
                assert!(profile_primaries(&profile[..cut]).is_err(), "{cut}");
            }
        }
    }
}
