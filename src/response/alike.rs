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

/// Replaces every table by its estimate from all channels. Its mean difference from the main channel's stays.
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A table `gamma * log2(code / 128)`, plus `dark` stops below code 32, where it is known to half a stop.
    fn fit(gamma: f64, dark: f64) -> TableFit {
        let entry = |code: usize| {
            let more = if code < 32 { dark } else { 0.0 };
            gamma * ((code as f64).max(0.25) / 128.0).log2() + more
        };
        let doubt = |code: usize| if code < 32 { 0.5 } else { 0.01 };
        TableFit {
            log2_exposure: (0..NODES).map(entry).collect(),
            uncertainty: (0..NODES).map(doubt).collect(),
            bent: Vec::new(),
            misfit: vec![0.0; NODES],
            exposures: vec![0.0],
            exposure_uncertainty: vec![0.0],
            supported: (2.0, 250.0),
            samples: 1000,
            residual_stops: 0.0,
            coverage: vec![100.0; NODES],
        }
    }

    /// Alike from code 32 up, so alike below: what red has more there is an error, and all tables meet at the mean of three.
    #[test]
    fn channels_that_are_alike_where_data_are_good_are_alike_elsewhere() {
        let mut fits = [fit(2.2, 0.6), fit(2.2, 0.0), fit(2.2, 0.0)];
        let truth = fit(2.2, 0.2);
        draw_together(&mut fits);
        for table in &fits {
            let error = table.log2_exposure[10] - truth.log2_exposure[10];
            assert!(error.abs() < 0.02, "{error}");
            assert!(table.uncertainty[10] < 0.5 / 3f64.sqrt() + 0.02);
        }
    }

    /// Three curves stay three where their data say so.
    #[test]
    fn channels_that_differ_where_data_are_good_stay() {
        let before = [fit(1.8, 0.0), fit(2.2, 0.0), fit(2.6, 0.0)];
        let mut fits = before.clone();
        draw_together(&mut fits);
        for (found, given) in fits.iter().zip(&before) {
            for code in [40, 80, 200] {
                let moved = found.log2_exposure[code] - given.log2_exposure[code];
                assert!(moved.abs() < 0.01, "{code}: {moved}");
            }
        }
    }
}
