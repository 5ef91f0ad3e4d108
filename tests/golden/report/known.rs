//! The made-up wedge: where it lies, and what its known densities say.
use super::fixture::{STEPS, density};
use stopspan_core::raster::Point;
use stopspan_core::results::WedgePlace;
use stopspan_core::results::{Calibration, Evenness, Exponent, Glare, GlareRange, LightSource};
use stopspan_core::units::Estimate;

pub fn place() -> WedgePlace {
    WedgePlace {
        corners: [
            (100.0, 300.0),
            (940.0, 310.0),
            (938.0, 360.0),
            (98.0, 350.0),
        ]
        .map(|(x, y)| Point { x, y }),
        rows: 1,
        columns: STEPS,
        densities: Some((1..=STEPS).map(density).collect()),
        density_uncertainty: Some(vec![0.01; STEPS]),
        dark_first: false,
        boustrophedon: false,
        confidence: Some(0.93),
    }
}

pub fn calibration() -> Calibration {
    Calibration {
        steps: STEPS - 1,
        density_uncertainty: 0.01,
        uncertainty_assumed: false,
        residual_density: 0.0087,
        reduced_chi_square: 0.91,
        exponent: Exponent {
            exponent: Estimate::new(1.004, 0.005),
            light_uncertainty: 0.0067,
            span_before: 2.0,
            span_by_wedge: 2.0 / 1.004,
            used: false,
        },
        glare: Glare {
            share: 0.0051,
            standard_uncertainty: 0.0004,
            low95: 0.0044,
            high95: 0.0059,
            sigma: 11.2,
            detected: true,
            ceiling_stops: Some(7.62),
            ranges: vec![GlareRange {
                snr: 1.0,
                before_stops: 8.61,
                after_stops: Some(10.4),
            }],
        },
        evenness: Evenness {
            source: LightSource::FlatField,
            fall_off_stops: Some(0.12),
            residual_density: Some(0.0087),
        },
    }
}
