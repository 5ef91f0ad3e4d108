//! Caption of a chart of usable ranges.
use stopspan_core::results::{Limit, PictureMeasurement, UsableStops};

/// True if some range has a 95 % interval.
pub(crate) fn any_interval<'p>(shown: impl Iterator<Item = &'p PictureMeasurement>) -> bool {
    shown
        .flat_map(|p| &p.usable_stops)
        .any(|u| u.low95.is_some() && u.high95.is_some())
}

/// Explains the bars, and those other marks that occur for the pictures shown. `dashed`: the chart marks the darkest step seen. Without a
/// wedge there are no intervals, and the source of the ranges is given instead.
pub(crate) fn range_caption<'p>(
    shown: impl Iterator<Item = &'p PictureMeasurement>,
    wedge: bool,
    dashed: bool,
) -> String {
    let usable: Vec<&UsableStops> = shown
        .flat_map(|p| [1.0, 10.0].into_iter().filter_map(|snr| p.at_snr(snr)))
        .filter(|u| u.stops.is_some())
        .collect();
    let any = |has: fn(&UsableStops) -> bool| usable.iter().any(|u| has(u));
    let mut said = String::from(
        "Wide bar: clipping to SNR 1 of one pixel (ISO 15739). Narrow bar: to SNR 10 (ISO 12232).",
    );
    if any(|u| u.low95.is_some() && u.high95.is_some()) {
        said += " In brackets: 95 % interval.";
    } else if !wedge {
        said += " No wedge was measured: ranges are predicted from the noise of the frames, without an interval.";
    }
    if dashed && any(|u| u.snr == 1.0 && u.seen_stops.is_some()) {
        said +=
            " Dashed mark: darkest step measured at SNR 1; beyond it the range is extrapolated.";
    }
    if any(|u| u.limited_by == Limit::Wedge) {
        said += " Arrow: at least this much.";
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;
    use stopspan_core::results::PictureKind;

    fn picture(usable: UsableStops) -> PictureMeasurement {
        PictureMeasurement {
            usable_stops: vec![usable],
            ..PictureMeasurement::unmeasured(PictureKind::Frame, "a.jpg".to_owned())
        }
    }

    const BARE: UsableStops = UsableStops {
        snr: 1.0,
        stops: Some(11.14),
        low95: None,
        high95: None,
        limited_by: Limit::Compression,
        seen_stops: None,
        normalised: None,
    };

    #[test]
    fn only_marks_that_are_there_are_said() {
        let said = range_caption([picture(BARE)].iter(), false, true);
        assert!(said.contains("without an interval"), "{said}");
        for absent in ["95 %", "Dashed", "Arrow"] {
            assert!(!said.contains(absent), "{absent}: {said}");
        }
        let measured = UsableStops {
            low95: Some(9.0),
            high95: Some(10.0),
            limited_by: Limit::Wedge,
            seen_stops: Some(9.1),
            ..BARE
        };
        let said = range_caption([picture(measured)].iter(), true, true);
        for present in ["95 % interval", "Dashed", "Arrow"] {
            assert!(said.contains(present), "{present}: {said}");
        }
        assert!(!said.contains("No wedge"), "{said}");
    }
}
