//! Stated densities of a wedge against the densities measured in a picture.
use stopspan_core::finding::Finding;
use stopspan_core::results::Patch;
use stopspan_core::units::Density;

/// Root mean square difference, density, above which list and picture are reported to disagree (a careful calibration is
/// good to 0.02 to 0.03; common practice, no source).
const APART: f64 = 0.06;

/// Least ratio of stated contrast to that by an assumed transfer function.
const FAIR: f64 = 0.6;

/// Root mean square difference, in density, between stated densities and `-log10` of radiance, after the best common
/// offset. Patches that are clipped or have an SNR below 3 are left out; `None` with fewer than three others.
pub fn disagreement(patches: &[Patch]) -> Option<f64> {
    let offsets: Vec<f64> = usable(patches)
        .map(|(density, linear)| (Density(density).transmittance() / linear).log10())
        .collect();
    if offsets.len() < 3 {
        return None;
    }
    let n = offsets.len() as f64;
    let mean = offsets.iter().sum::<f64>() / n;
    Some((offsets.iter().map(|o| (o - mean).powi(2)).sum::<f64>() / n).sqrt())
}

/// Density and linear light of the patches that are neither clipped nor lost in noise.
fn usable(patches: &[Patch]) -> impl Iterator<Item = (f64, f64)> {
    let good = patches
        .iter()
        .filter(|p| p.clipped_share <= 0.01 && p.linear > 0.0 && p.snr >= 3.0);
    good.filter_map(|p| Some((p.density?, p.linear)))
}

/// As [`doubt`], where light is by an assumed transfer function, from which cameras depart by contrast: a finding only where the stated
/// densities span less than 0.6 or more than 1.67 times what that light spans (judgement).
pub fn doubt_in_assumed_light(patches: &[Patch]) -> Option<Finding> {
    let ends = |values: &mut dyn Iterator<Item = f64>| {
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
            (low.min(v), high.max(v))
        })
    };
    let stated = ends(&mut usable(patches).map(|(density, _)| density));
    let seen = ends(&mut usable(patches).map(|(_, linear)| -linear.log10()));
    let ratio = (stated.1 - stated.0) / (seen.1 - seen.0);
    let fair = (FAIR..=1.0 / FAIR).contains(&ratio);
    let rms = disagreement(patches).filter(|_| !fair);
    rms.map(|rms| Finding::DensitiesDisagree { rms })
}

/// The finding raised by a disagreement above 0.06 density. Causes: a wrong list or order, glare, uneven light, a wrong
/// response.
pub fn doubt(patches: &[Patch]) -> Option<Finding> {
    disagreement(patches)
        .filter(|&rms| rms > APART)
        .map(|rms| Finding::DensitiesDisagree { rms })
}

#[cfg(test)]
mod tests {
    use super::*;
    use stopspan_core::raster::Point;

    fn patch(step: usize, density: f64, linear: f64) -> Patch {
        Patch {
            step,
            density: Some(density),
            corners: [Point { x: 0.0, y: 0.0 }; 4],
            size_px: [20.0; 2],
            guard_px: 5.0,
            pixels: 100,
            effective_samples: 100.0,
            code: None,
            code_deviation: None,
            linear,
            linear_deviation: linear / 20.0,
            block_deviation: None,
            snr: 20.0,
            clipped_share: 0.0,
            crushed_share: 0.0,
        }
    }

    #[test]
    fn a_true_list_agrees_and_a_wrong_one_does_not() {
        let wedge = |shown: f64| -> Vec<Patch> {
            (0..10)
                .map(|i| patch(i + 1, 0.15 * i as f64, 0.7 * 10f64.powf(-shown * i as f64)))
                .collect()
        };
        assert!(disagreement(&wedge(0.15)).unwrap() < 1e-12);
        assert!(doubt(&wedge(0.15)).is_none());
        // Steps of 0.10 stated as 0.15: residuals of 0.05 times the spread of 0..=9, sqrt(8.25).
        let rms = disagreement(&wedge(0.10)).unwrap();
        assert!((rms - 0.05 * 8.25f64.sqrt()).abs() < 1e-12);
        assert!(doubt(&wedge(0.10)).is_some());
    }
}
