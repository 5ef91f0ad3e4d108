//! Makes response curves on a common scale of the tables of single channels.
use super::alike;
use super::smooth_table::{NODES, TableFit};
use stopspan_core::model::main_channel;
use stopspan_core::model::{Bracket, Clip};
use stopspan_core::model::{Response, ResponseCurve, ResponseMethod};
use stopspan_core::raster::Pixels;

/// The response of tables on a common scale: exposure 1 at green's clip level, the other channels matched to green over the
/// codes that all support, so that neutral codes give neutral exposures.
pub(super) fn assemble(
    method: ResponseMethod,
    bracket: &Bracket,
    fits: &[TableFit],
    clips: &[Clip],
) -> Response {
    let main = main_channel(fits.len());
    let entries = table_entries(&bracket.frames[0].picture.pixels);
    let clip_code = clips[main].clip_level * 255.0;
    let origin = interpolate(&fits[main].log2_exposure, clip_code);
    let offsets: Vec<f64> = fits.iter().map(|f| alike::offset(f, &fits[main])).collect();
    let misfit = pooled(fits);
    let curves = fits
        .iter()
        .zip(clips)
        .zip(&offsets)
        .map(|((fit, clip), offset)| {
            let mut curve = curve(fit, clip, entries, origin + offset);
            for (i, u) in curve.uncertainty_stops.iter_mut().enumerate() {
                *u = u.max(interpolate(
                    &misfit,
                    i as f64 / (entries - 1) as f64 * 255.0,
                ));
            }
            curve
        })
        .collect();
    let residual_stops =
        (fits.iter().map(|f| f.residual_stops.powi(2)).sum::<f64>() / fits.len() as f64).sqrt();
    Response {
        method,
        curves,
        residual_stops,
        samples: fits.iter().map(|f| f.samples).sum(),
    }
}

/// The curve of one channel with `entries`; `origin` is the log2 exposure of the table that becomes 1.
fn curve(fit: &TableFit, clip: &Clip, entries: usize, origin: f64) -> ResponseCurve {
    let last = (entries - 1) as f64;
    let mut exposure: Vec<f64> = (0..entries)
        .map(|i| {
            let code = i as f64 / last * 255.0;
            if code < 0.25 {
                // Linear to exposure 0 at code 0, from a quarter code, the lowest that the table represents.
                return (interpolate(&fit.log2_exposure, 0.25) - origin).exp2() * code / 0.25;
            }
            (interpolate(&fit.log2_exposure, code) - origin).exp2()
        })
        .collect();
    for i in 1..exposure.len() {
        exposure[i] = exposure[i].max(exposure[i - 1] * (1.0 + 1e-9) + 1e-12);
    }
    let spread = (0..entries)
        .map(|i| interpolate(&fit.uncertainty, i as f64 / last * 255.0))
        .collect();
    ResponseCurve {
        exposure,
        uncertainty_stops: spread,
        clip_level: clip.clip_level,
        floor_level: clip.floor_level,
        supported: (fit.supported.0 / 255.0, fit.supported.1 / 255.0),
    }
}

/// What halves of the blocks leave, by code, stops: pooled over the channels, for cameras encode their channels alike, and
/// what colours do to one they do to the others.
fn pooled(fits: &[TableFit]) -> Vec<f64> {
    let mean = |code: usize| {
        let square = |f: &TableFit| f.misfit.get(code).map_or(0.0, |m| m * m);
        (fits.iter().map(square).sum::<f64>() / fits.len().max(1) as f64).sqrt()
    };
    (0..NODES).map(mean).collect()
}

/// Linear interpolation of a table at a fractional code.
fn interpolate(table: &[f64], code: f64) -> f64 {
    let node = (code.max(0.0) as usize).min(table.len() - 2);
    let t = code - node as f64;
    table[node] + t * (table[node + 1] - table[node])
}

/// Number of entries of a response table: one a code for 8 bits, else enough for linear interpolation.
pub(super) fn table_entries(pixels: &Pixels) -> usize {
    match pixels {
        Pixels::U8(_) => 256,
        _ => 4096,
    }
}
