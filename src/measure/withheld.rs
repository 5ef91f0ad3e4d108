//! Withholds figures in stops where the stated exposures make the response curve steeper than any known one.
//!
//! Such exposures are further apart than they were, and every figure in stops is too large by the same factor, which is not
//! known. A wedge of known densities gives the factor; without one the figures are withheld and the reason is given.
use stopspan_core::finding::Finding;
use stopspan_core::results::{BracketMeasurement, PictureMeasurement};

/// Takes the figures in stops out of a measurement, if the findings of its bracket do not allow them.
pub(super) fn withhold(measured: &mut BracketMeasurement, of_bracket: &[Finding]) {
    let by_wedge = measured.calibration.as_ref();
    if by_wedge.is_some_and(|c| c.exponent.used) {
        return;
    }
    let beyond = of_bracket.iter().find_map(|finding| match finding {
        Finding::SpanBeyondCurves {
            fitted_stops,
            most_stops,
            ..
        } => Some((*fitted_stops, *most_stops)),
        _ => None,
    });
    let Some((fitted, most)) = beyond else {
        return;
    };
    let pictures = &mut measured.pictures;
    let others = [
        &mut pictures.camera,
        &mut pictures.merge,
        &mut pictures.rendered,
    ];
    let all = pictures
        .frames
        .iter_mut()
        .chain(others.into_iter().flatten());
    all.for_each(|picture: &mut PictureMeasurement| picture.usable_stops.clear());
    (measured.gain, measured.scene) = (Vec::new(), None);
    measured.findings.push(Finding::FigureRefused {
        figure: "stops".into(),
        reason: format!(
            "the stated exposures make the response curve {fitted:.1} stops steep where known curves reach {most:.1} at most, so that they are further apart than they were"
        ),
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use stopspan_core::results::{Limit, Measurement, PictureKind, UsableStops};

    /// A merge with one figure.
    fn measured() -> BracketMeasurement {
        let mut merge = PictureMeasurement::unmeasured(PictureKind::Merge, "merge".into());
        merge.usable_stops = vec![UsableStops {
            snr: 1.0,
            stops: Some(12.0),
            low95: None,
            high95: None,
            limited_by: Limit::Noise,
            seen_stops: None,
            normalised: None,
        }];
        BracketMeasurement {
            wedge: None,
            candidate: None,
            calibration: None,
            pictures: Measurement {
                merge: Some(merge),
                ..Measurement::default()
            },
            best_on_wedge: None,
            gain: Vec::new(),
            scene: None,
            camera_at: None,
            findings: Vec::new(),
        }
    }

    fn figures(measured: &BracketMeasurement) -> usize {
        let merge = measured.pictures.merge.as_ref();
        merge.map_or(0, |m| m.usable_stops.len())
    }

    #[test]
    fn figures_are_refused_for_the_reason_only() {
        let mut sound = measured();
        withhold(&mut sound, &[]);
        assert!(sound.findings.is_empty() && figures(&sound) == 1);
        let beyond = Finding::SpanBeyondCurves {
            low_code: 64.0,
            high_code: 192.0,
            fitted_stops: 5.3,
            known_stops: 2.5,
            most_stops: 4.6,
        };
        let mut steep = measured();
        withhold(&mut steep, &[beyond]);
        assert!(matches!(
            steep.findings[..],
            [Finding::FigureRefused { .. }]
        ));
    }
}
