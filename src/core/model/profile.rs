//! RGB primaries from an ICC profile.
use crate::units::{Primaries, apply, inverse};
use moxcms::{ColorProfile, DataColorSpace, Layout, ToneReprCurve, TransformOptions, Xyzd};

/// White of the profile connection space, XYZ.
const D50: [f64; 3] = [0.9642, 1.0, 0.8249];

/// Largest deviation from additivity at which look-up tables count as having primaries, as a share of white: the
/// colour of a mixture against the sum of the primaries' colours.
const ADDITIVE: f64 = 0.02;

/// RGB primaries of an ICC profile; `None` for a grey profile, which needs none. Tone curves are ignored, because the
/// response is recovered from the bracket. Of a profile that has look-up tables only, the colours of the full
/// primaries are evaluated and accepted if mixtures add up.
///
/// # Errors
/// A description if the profile cannot be read, is not an RGB profile, or has look-up tables that follow no
/// primaries.
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

/// Primaries of a profile with look-up tables: the colours of full red, green and blue, relative to D50, if the
/// colours of mixtures are their sums.
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
    // Transforms clip their output, so the target space is one that contains every display's primaries.
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
