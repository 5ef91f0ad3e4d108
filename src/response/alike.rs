//! Draws the tables of the channels together: a camera encodes its channels alike.
//!
//! White balance and colour matrix act before the tone curve of a camera, and one curve is applied to all channels (common
//! practice, no source); a scan of film has three. How far each channel departs from green is measured over the codes where
//! the data are best. A departure that is larger elsewhere, as in the dark, where red and blue are noisier, is believed as far
//! as its own uncertainty allows (posterior mean of a normal departure whose variance is estimated from all codes; Efron and
//! Morris 1973).
use super::smooth_table::{NODES, TableFit};
use stopspan_core::model::main_channel;

/// Variance of a table entry that no data reduce, stops^2.
const LEAST: f64 = 1e-4;
/// Number of samples at a code beyond which more count no more.
const ENOUGH: f64 = 100.0;

/// Replaces every table by its estimate from all channels. `offsets` are the means of the tables less the main channel's, see
/// [`offset`].
pub(super) fn draw_together(fits: &mut [TableFit]) {
    let main = main_channel(fits.len());
    if fits.len() < 2 {
        return;
    }
    let offsets: Vec<f64> = fits.iter().map(|f| offset(f, &fits[main])).collect();
    let apart: Vec<f64> = (0..fits.len())
        .map(|k| departure(&fits[k], &fits[main], offsets[k]))
        .collect();
    let before = fits.to_vec();
    for code in 0..NODES {
        let variance = |k: usize| before[k].doubt(code).powi(2) + LEAST;
        let aligned = |k: usize| before[k].log2_exposure[code] - offsets[k];
        let (mut sum, mut total) = (0.0, 0.0);
        for (k, apart) in apart.iter().enumerate() {
            let weight = 1.0 / (variance(k) + apart);
            sum += weight * aligned(k);
            total += weight;
        }
        let common = sum / total;
        for (k, fit) in fits.iter_mut().enumerate() {
            let own = apart[k] / (apart[k] + variance(k));
            fit.log2_exposure[code] = offsets[k] + common + own * (aligned(k) - common);
            let left = own * variance(k) + (1.0 - own).powi(2) / total;
            fit.uncertainty[code] = left.sqrt().min(before[k].uncertainty[code]);
        }
    }
}

/// Mean difference of a table from the main channel's, stops, over the codes that both support.
pub(super) fn offset(fit: &TableFit, main: &TableFit) -> f64 {
    let (mut sum, mut total) = (0.0, 0.0);
    for code in 0..NODES {
        let weight = fit.coverage[code].min(main.coverage[code]).min(ENOUGH);
        let variance = fit.uncertainty[code].powi(2) + main.uncertainty[code].powi(2) + LEAST;
        sum += weight / variance * (fit.log2_exposure[code] - main.log2_exposure[code]);
        total += weight / variance;
    }
    if total > 0.0 { sum / total } else { 0.0 }
}

/// Variance of the departure of a table from the main channel's beyond what their uncertainties give, stops^2.
fn departure(fit: &TableFit, main: &TableFit, offset: f64) -> f64 {
    let (mut sum, mut total) = (0.0, 0.0);
    for code in 0..NODES {
        let coverage = fit.coverage[code].min(main.coverage[code]).min(ENOUGH);
        let variance = fit.doubt(code).powi(2) + main.doubt(code).powi(2) + LEAST;
        let apart = fit.log2_exposure[code] - main.log2_exposure[code] - offset;
        // The variance of a square is twice the square of the variance.
        let weight = coverage / variance.powi(2);
        sum += weight * (apart.powi(2) - variance);
        total += weight;
    }
    if total > 0.0 {
        (sum / total).max(0.0)
    } else {
        0.0
    }
}
