//! Gain of a bracket over its best single frame: predicted from that frame's noise, and measured.
use super::noise_model::Capture;
use super::threshold::darkest;
use crate::subject::Source;
use stopspan_core::results::BracketGain;
use stopspan_core::results::{Limit, Measurement, PictureMeasurement};

/// The gain at each SNR for which both the merge and a frame have a range: over the frame of file `chosen`, else over the one with the
/// longest range. `sources` are the frames of the bracket.
/// `measured` is true for ranges from a wedge; otherwise they follow from one noise model, and only the prediction is
/// given.
pub fn gains(
    pictures: &Measurement,
    sources: &[Source],
    chosen: Option<&str>,
    measured: bool,
) -> Vec<BracketGain> {
    let Some(merge) = &pictures.merge else {
        return Vec::new();
    };
    let at = |p: &PictureMeasurement, snr: f64| {
        let usable = p.usable_stops.iter().find(|u| u.snr == snr)?;
        Some((usable.stops?, usable.limited_by))
    };
    let spread_stops = spread(sources);
    let gain = |snr: f64| {
        let merged = at(merge, snr)?;
        let (best, single) = pictures
            .frames
            .iter()
            .filter_map(|p| Some((p, at(p, snr)?)))
            .reduce(|a, b| {
                let is_chosen = |p: &PictureMeasurement| chosen == Some(p.file.as_str());
                match is_chosen(a.0) || (b.1.0 <= a.1.0 && !is_chosen(b.0)) {
                    true => a,
                    false => b,
                }
            })?;
        let whole = merged.1 != Limit::Wedge && single.1 != Limit::Wedge;
        Some(BracketGain {
            snr,
            best_frame: best.file.clone(),
            frame_stops: single.0,
            spread_stops,
            predicted_stops: predicted(best, sources, snr),
            measured_stops: (measured && whole).then_some(merged.0 - single.0),
        })
    };
    let snrs = merge.usable_stops.iter().map(|u| u.snr);
    snrs.filter_map(gain).collect()
}

fn spread(sources: &[Source]) -> f64 {
    let exposures = || sources.iter().map(|s| s.relative_exposure);
    let (least, most) = (
        exposures().fold(f64::INFINITY, f64::min),
        exposures().fold(0.0, f64::max),
    );
    if least > 0.0 && most >= least && least.is_finite() {
        (most / least).log2()
    } else {
        0.0
    }
}

/// Predicted range of the merge minus that of the frame, both from the frame's noise and limited by the black floor.
fn predicted(frame: &PictureMeasurement, sources: &[Source], snr: f64) -> Option<f64> {
    let model = frame.noise?;
    let range = |sources: &[Source]| {
        let capture = Capture::of(sources)?;
        let dark = darkest(&capture, &model, snr)?.max(capture.lowest().0);
        Some((capture.top() / dark).log2())
    };
    // By one model all frames of a bracket have the same range, so any frame of base sensitivity represents the best one.
    let single = sources
        .iter()
        .filter(|s| s.gain == 1.0)
        .filter_map(|s| range(std::slice::from_ref(s)))
        .reduce(f64::max)?;
    Some(range(sources)? - single)
}
