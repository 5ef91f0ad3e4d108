//! Usable stops of a picture at each SNR threshold, with interval and limit.
use super::fit::{Observation, fit, misfit, observations};
use super::interval::{Resampling, central95, resampled};
use super::noise_model::{Capture, NoiseModel};
use super::threshold::darkest;
use crate::finding::Finding;
use crate::formats::Compression;
use crate::measure::result::{Limit, PictureKind, UsableStops};
use crate::measure::subject::Subject;
use crate::measure::wedge::PatchSample;

/// Width of a 95 % interval in stops up to which the fitted model is carried on beyond the darkest step.
const PINNED: f64 = 1.0;

/// What the range leans on beside the picture.
#[derive(Debug, Clone, PartialEq)]
pub struct RangeSettings {
    /// SNR thresholds per pixel: 1 (ISO 15739, EMVA 1288), 3 (lower end of Rose 1948), 10 and 40 (ISO 12232).
    pub snrs: Vec<f64>,
    /// Resampling for the intervals.
    pub resampling: Resampling,
    /// A noise model from elsewhere (the merge), for pictures whose patches cannot give one.
    pub noise: Option<NoiseModel>,
}

impl Default for RangeSettings {
    fn default() -> Self {
        RangeSettings {
            snrs: vec![1.0, 3.0, 10.0, 40.0],
            resampling: Resampling {
                count: 2000,
                seed: 1,
                span_relative: 0.0,
            },
            noise: None,
        }
    }
}

/// Usable stops, the noise model fitted to the patches, and doubts.
pub fn usable_stops(
    subject: &Subject,
    patches: &[PatchSample],
    settings: &RangeSettings,
) -> (Vec<UsableStops>, Option<NoiseModel>, Vec<Finding>) {
    let refused = |reason: &str| {
        let finding = Finding::FigureRefused {
            figure: "usable stops".into(),
            reason: reason.into(),
        };
        (Vec::new(), None, vec![finding])
    };
    let Some(capture) = Capture::of(&subject.sources) else {
        return refused("the exposures behind this picture are not known");
    };
    let seen = observations(patches, &capture);
    let refs: Vec<&Observation> = seen.iter().map(|(_, o)| o).collect();
    let floor = code_floor(subject);
    let Some(model) = fit(&refs, floor, None) else {
        return match settings.noise {
            Some(noise) => {
                let figures = without_wedge(&subject.sources, &noise, &settings.snrs);
                (figures, None, Vec::new())
            }
            None => refused("fewer than four clean patches with noise in them"),
        };
    };
    let fitted = Fitted {
        subject,
        capture: &capture,
        patches,
        seen: &seen,
        model,
        code_floor: floor,
        spread: spread(misfit(&refs, &model)),
    };
    let figures = fitted.figures(settings);
    let beyond = fitted.carried_beyond(&figures);
    let findings = beyond.into_iter().chain(fitted.hidden_noise()).collect();
    (figures, Some(model), findings)
}

/// Usable stops from a noise model alone: no wedge, no interval.
pub fn without_wedge(
    sources: &[crate::measure::subject::Source],
    model: &NoiseModel,
    snrs: &[f64],
) -> Vec<UsableStops> {
    let Some(capture) = Capture::of(sources) else {
        return Vec::new();
    };
    let figure = |&snr: &f64| {
        let dark = darkest(&capture, model, snr);
        let crushed = dark.is_some_and(|d| d < capture.floor());
        UsableStops {
            snr,
            stops: dark.map(|d| (capture.top() / d.max(capture.floor())).log2()),
            low95: None,
            high95: None,
            limited_by: if crushed {
                Limit::Clipping
            } else {
                Limit::Noise
            },
            seen_stops: None,
        }
    };
    snrs.iter().map(figure).collect()
}

/// Least variance in squared 8-bit codes: 0.24 of a squared code of the file's depth, below which EMVA 1288 does not take a
/// dark noise for measured but for lost in quantisation.
fn code_floor(subject: &Subject) -> f64 {
    const LEAST: f64 = 0.24;
    match (subject.levels.is_some(), subject.bits) {
        (true, 8) => LEAST,
        (true, 16) => LEAST * (255.0f64 / 65535.0).powi(2),
        _ => 0.0,
    }
}

/// Widening of the redraw where the reduced chi-squared is beyond chance (2 is the 99 % point of 18 patches).
fn spread(misfit: f64) -> f64 {
    if misfit > 2.0 { misfit.sqrt() } else { 1.0 }
}

struct Fitted<'a> {
    subject: &'a Subject,
    capture: &'a Capture,
    patches: &'a [PatchSample],
    seen: &'a [(usize, Observation)],
    model: NoiseModel,
    code_floor: f64,
    spread: f64,
}

impl Fitted<'_> {
    fn figures(&self, settings: &RangeSettings) -> Vec<UsableStops> {
        let starts: Vec<(f64, f64)> = settings
            .snrs
            .iter()
            .filter_map(|&snr| Some((snr, darkest(self.capture, &self.model, snr)?)))
            .collect();
        let data = (self.patches, self.seen);
        let model = (&self.model, self.code_floor, self.spread);
        let ranges = resampled(self.capture, data, model, &starts, &settings.resampling);
        let figure = |&snr: &f64| match starts.iter().position(|s| s.0 == snr) {
            Some(i) => self.figure(snr, starts[i].1, central95(&ranges[i])),
            None => self.never(snr),
        };
        settings.snrs.iter().map(figure).collect()
    }

    fn never(&self, snr: f64) -> UsableStops {
        UsableStops {
            snr,
            stops: None,
            low95: None,
            high95: None,
            limited_by: Limit::Noise,
            seen_stops: None,
        }
    }

    fn figure(&self, snr: f64, dark: f64, interval: Option<(f64, f64)>) -> UsableStops {
        let top = self.capture.top();
        let floor = self.capture.floor();
        let seen_stops = self.darkest_seen(snr).map(|d| (top / d).log2());
        let mut stops = Some((top / dark.max(floor)).log2());
        let mut limited_by = self.limit(dark);
        let (mut low95, mut high95) = interval.unzip();
        if self.curve_ends_above(dark.max(floor)) {
            limited_by = Limit::Wedge;
            (stops, low95, high95) = (seen_stops, None, None);
        } else if dark < floor {
            // The floor ends the range whatever the noise: nothing above it can be used.
            high95 = high95.zip(stops).map(|(h, s)| h.min(s));
            low95 = low95.zip(stops).map(|(l, s)| l.min(s));
        } else if self.beyond(dark).is_some()
            && interval.is_none_or(|(low, high)| high - low > PINNED)
        {
            limited_by = Limit::Wedge;
            (stops, low95, high95) = (seen_stops, None, None);
        }
        UsableStops {
            snr,
            stops,
            low95,
            high95,
            limited_by,
            seen_stops,
        }
    }

    /// True where a finished picture's curve, measured on the wedge itself, says nothing of so dark a radiance.
    fn curve_ends_above(&self, dark: f64) -> bool {
        let finished = matches!(
            self.subject.kind,
            PictureKind::CameraHdr | PictureKind::Rendered
        );
        finished && self.beyond(dark).is_some()
    }

    fn limit(&self, dark: f64) -> Limit {
        if dark < self.capture.floor() {
            Limit::Clipping
        } else if self.hidden_at(dark).is_some() {
            Limit::Compression
        } else {
            Limit::Noise
        }
    }

    /// Stops by which a radiance lies below the darkest patch that bears on the noise; `None` if it does not.
    fn beyond(&self, dark: f64) -> Option<f64> {
        let darkest = self.seen.iter().map(|(_, o)| o.radiance).reduce(f64::min)?;
        (dark < darkest).then(|| (darkest / dark).log2())
    }

    /// The range that was carried farthest beyond the wedge.
    fn carried_beyond(&self, figures: &[UsableStops]) -> Option<Finding> {
        figures
            .iter()
            .filter(|f| f.limited_by != Limit::Wedge)
            .filter_map(|f| Some((f.snr, self.beyond(self.capture.top() * (-f.stops?).exp2())?)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(snr, beyond_stops)| Finding::RangeBeyondWedge { snr, beyond_stops })
    }

    /// Radiance of the darkest such patch whose own SNR reaches the threshold.
    fn darkest_seen(&self, snr: f64) -> Option<f64> {
        self.seen
            .iter()
            .map(|(_, o)| o)
            .filter(|o| o.radiance > 0.0 && o.radiance >= snr * o.variance.sqrt())
            .map(|o| o.radiance)
            .reduce(f64::min)
    }

    /// Code noise of the patch nearest to a radiance, and the compression's bound, where it lies below that bound: then the
    /// compression, not the sensor, decides what noise is left.
    fn hidden_at(&self, radiance: f64) -> Option<(f64, f64)> {
        let Some(Compression::Jpeg {
            quantisation_rms, ..
        }) = self.subject.compression
        else {
            return None;
        };
        let distance = |o: &Observation| (o.radiance.max(1e-12) / radiance.max(1e-12)).ln().abs();
        let nearest = self
            .seen
            .iter()
            .min_by(|a, b| distance(&a.1).total_cmp(&distance(&b.1)))?;
        let noise = self.patches[nearest.0].patch.code_deviation?;
        (noise < quantisation_rms).then_some((noise, quantisation_rms))
    }

    fn hidden_noise(&self) -> Option<Finding> {
        let mut radiances: Vec<f64> = self.seen.iter().map(|(_, o)| o.radiance).collect();
        radiances.sort_by(f64::total_cmp);
        let (code_noise, quantisation_bound) = self.hidden_at(radiances[radiances.len() / 2])?;
        Some(Finding::NoiseCompressionLimited {
            code_noise,
            quantisation_bound,
        })
    }
}
