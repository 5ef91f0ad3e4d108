//! Usable ranges of one picture from its fitted noise: per pixel and per area, with intervals and limits.
use super::area::{self, Correlation, correlation, per_pixel};
use super::departure::Departure;
use super::drawn_curves::resampled_by_curves;
use super::fit::Observation;
use super::interval::{PointEstimate, Threshold, central95, resampled};
use super::noise_model::Capture;
use super::scale;
use super::threshold::darkest_by;
use super::usable::RangeSettings;
use crate::subject::{CurveEnd, Source, Subject};
use crate::wedge::PatchSample;
use stopspan_core::finding::Finding;
use stopspan_core::model::Compression;
use stopspan_core::model::NoiseModel;
use stopspan_core::results::{Limit, NormalisedStops, UsableStops};

/// Largest width of a 95 % interval, stops, for extrapolating the model below the darkest step.
const PINNED: f64 = 1.0;
/// Ratio of the deviation of 8 x 8 means to that of independent pixels from which a JPEG is reported as smoothed by
/// compression.
const SMOOTHED: f64 = 1.1;

/// The noise fitted to the patches of one picture, with its data.
pub(super) struct Fitted<'a> {
    pub subject: &'a Subject,
    pub capture: &'a Capture,
    pub patches: &'a [PatchSample],
    pub seen: &'a [(usize, Observation)],
    pub model: NoiseModel,
    /// How the noise departs from the model.
    pub departure: Option<Departure>,
    pub code_floor: f64,
    pub spread: f64,
}

/// A requested threshold: of one pixel, or of an area.
struct Asked {
    snr: f64,
    dark: Option<f64>,
    relative: f64,
}

impl Fitted<'_> {
    pub fn figures(&self, settings: &RangeSettings) -> Vec<UsableStops> {
        let pixels = self.subject.pixels as f64 / area::NORMALISED;
        let single = settings.snrs.iter().map(|&snr| self.ask(snr, 0.0));
        let areas: Vec<Option<(Asked, Correlation)>> = settings
            .snrs
            .iter()
            .map(|&snr| self.ask_area(snr, pixels))
            .collect();
        let mut asked: Vec<Asked> = single.collect();
        let count = asked.len();
        let correlations: Vec<Option<Correlation>> = areas
            .iter()
            .map(|a| a.as_ref().map(|(_, correlation)| *correlation))
            .collect();
        asked.extend(areas.into_iter().map(|a| {
            a.map_or(
                Asked {
                    snr: 1.0,
                    dark: None,
                    relative: 0.0,
                },
                |(asked, _)| asked,
            )
        }));
        let answers = self.answers(&asked, settings);
        (0..count)
            .map(|i| UsableStops {
                snr: settings.snrs[i],
                normalised: correlations[i].map(|c| normalised(&answers[count + i], pixels, &c)),
                ..answers[i]
            })
            .collect()
    }

    fn ask(&self, snr: f64, relative: f64) -> Asked {
        Asked {
            snr,
            dark: self.darkest(snr),
            relative,
        }
    }

    /// The darkest radiance at which one pixel reaches an SNR.
    fn darkest(&self, snr: f64) -> Option<f64> {
        let snr_at = |radiance: f64| match &self.departure {
            Some(departure) => departure.snr(self.capture, &self.model, radiance),
            None => self.capture.snr(&self.model, radiance),
        };
        darkest_by(self.capture.top(), snr_at, snr)
    }

    /// The threshold of an area, with the noise correlation at the end of the area's own range; `None` if that is unknown,
    /// and for an area of less than one pixel.
    fn ask_area(&self, snr: f64, pixels: f64) -> Option<(Asked, Correlation)> {
        if pixels < 1.0 {
            return None;
        }
        let mut asked = self.ask(snr, 0.0);
        let mut found = None;
        for _ in 0..3 {
            let at = asked.dark.unwrap_or_else(|| self.capture.top());
            let near = correlation(self.patches, self.seen, at)?;
            asked = self.ask(per_pixel(snr, pixels, &near), near.relative / 2.0);
            found = Some(near);
        }
        Some((asked, found?))
    }

    fn answers(&self, asked: &[Asked], settings: &RangeSettings) -> Vec<UsableStops> {
        let thresholds: Vec<(usize, Threshold)> = asked
            .iter()
            .enumerate()
            .filter_map(|(i, a)| {
                let threshold = a.dark.map(|dark| Threshold {
                    snr: a.snr,
                    dark,
                    // By the curve's slope codes' noise becomes noise of light.
                    relative: a.relative.hypot(self.capture.steepness_uncertainty(dark)),
                });
                Some((i, threshold?))
            })
            .collect();
        let how = &settings.resampling;
        let estimate = PointEstimate {
            patches: self.patches,
            observations: self.seen,
            model: &self.model,
            departure: self.departure.as_ref(),
            code_floor: self.code_floor,
            spread: self.spread,
            scale: scale::uncertainty(self.patches, how.span_relative, how.density_uncertainty),
        };
        let list: Vec<Threshold> = thresholds.iter().map(|t| t.1).collect();
        let ranges = match settings.curves.as_slice() {
            [] => resampled(self.capture, &estimate, &list, how),
            curves => resampled_by_curves(self.capture, &estimate, &list, (how, curves)),
        };
        let place = |i: usize| thresholds.iter().position(|t| t.0 == i);
        (0..asked.len())
            .map(|i| match place(i) {
                Some(k) => self.figure(asked[i].snr, list[k].dark, central95(&ranges[k])),
                None => never(asked[i].snr),
            })
            .collect()
    }

    fn figure(&self, snr: f64, dark: f64, interval: Option<(f64, f64)>) -> UsableStops {
        let top = self.capture.top();
        let (floor, _) = self.capture.lowest();
        let seen_stops = self.darkest_seen(snr).map(|d| (top / d).log2());
        let mut stops = Some((top / dark.max(floor)).log2());
        let mut limited_by = self.limit(dark);
        let (mut low95, mut high95) = interval.unzip();
        if self.curve_ends_above(dark.max(floor)) {
            limited_by = Limit::Wedge;
            (stops, low95, high95) = (seen_stops, None, None);
        } else if dark < floor {
            // The floor ends the range whatever the noise: no radiance below it can be used, and its place is the file's.
            (low95, high95) = (None, None);
        } else if self.beyond(dark).is_some()
            && interval.is_none_or(|(low, high)| high - low > PINNED)
        {
            limited_by = Limit::Wedge;
            (stops, low95, high95) = (seen_stops, None, None);
        }
        if dark < self.capture.trusted() {
            // What the curve is off by there, its uncertainty does not say.
            (low95, high95) = (None, None);
        }
        UsableStops {
            snr,
            stops,
            low95,
            high95,
            limited_by,
            seen_stops,
            normalised: None,
        }
    }

    /// True if the curve of a finished picture, measured on the wedge itself, does not reach so dark a radiance.
    fn curve_ends_above(&self, dark: f64) -> bool {
        match self.subject.curve_end {
            CurveEnd::Open => false,
            CurveEnd::DarkestPatch => self.beyond(dark).is_some(),
            CurveEnd::At(radiance) => dark < radiance,
        }
    }

    fn limit(&self, dark: f64) -> Limit {
        if dark < self.capture.floor() {
            return Limit::Clipping;
        }
        let (lowest, code) = self.capture.lowest();
        if dark < lowest {
            Limit::File { code }
        } else if self.hidden_at(dark).is_some() || self.smoothed_at(dark).is_some() {
            Limit::Compression
        } else {
            Limit::Noise
        }
    }

    /// Stops from the darkest patch in the fit down to a radiance; `None` if the radiance is not below it.
    fn beyond(&self, dark: f64) -> Option<f64> {
        let patches = self.seen.iter().map(|(_, o)| o.radiance);
        let darkest = patches.filter(|&r| r > 0.0).reduce(f64::min)?;
        (dark < darkest).then(|| (darkest / dark).log2())
    }

    /// Finding for the range extrapolated farthest beyond the wedge.
    pub fn carried_beyond(&self, figures: &[UsableStops]) -> Option<Finding> {
        figures
            .iter()
            .filter(|f| f.limited_by != Limit::Wedge)
            .filter_map(|f| Some((f.snr, self.beyond(self.capture.top() * (-f.stops?).exp2())?)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(snr, beyond_stops)| Finding::RangeBeyondWedge { snr, beyond_stops })
    }

    /// Radiance of the darkest patch in the fit whose own SNR reaches the threshold.
    fn darkest_seen(&self, snr: f64) -> Option<f64> {
        self.seen
            .iter()
            .map(|(_, o)| (o.radiance, o.variance.sqrt()))
            .filter(|(radiance, deviation)| *radiance > 0.0 && *radiance >= snr * deviation)
            .map(|(radiance, _)| radiance)
            .reduce(f64::min)
    }

    /// (code noise, rounding of the compression) near a radiance if the noise is below the rounding, so that the
    /// compression determines the remaining noise. From the nearest patch for a frame; from the model of its frames for a
    /// merge.
    fn hidden_at(&self, radiance: f64) -> Option<(f64, f64)> {
        let modelled = self.capture.code_noise(&self.model, radiance);
        let Some(Compression::Jpeg {
            quantisation_rms, ..
        }) = self.subject.compression
        else {
            return modelled.filter(|(noise, bound)| noise < bound);
        };
        let distance = |o: &Observation| {
            let seen = o.radiance;
            (seen.max(1e-12) / radiance.max(1e-12)).ln().abs()
        };
        let nearest = self
            .seen
            .iter()
            .min_by(|a, b| distance(&a.1).total_cmp(&distance(&b.1)))?;
        let noise = self.patches[nearest.0].patch.code_deviation?;
        (noise < quantisation_rms).then_some((noise, quantisation_rms))
    }

    /// Ratio of the deviation of 8 x 8 means to that of independent pixels near a radiance, for JPEG files and if
    /// significant.
    fn smoothed_at(&self, radiance: f64) -> Option<f64> {
        let lossy = |s: &Source| matches!(s.compression, Compression::Jpeg { .. });
        if !self.subject.sources.iter().any(lossy) {
            return None;
        }
        let near = correlation(self.patches, self.seen, radiance)?;
        Some(near.excess.sqrt()).filter(|ratio| *ratio > SMOOTHED)
    }

    pub fn smoothed_noise(&self) -> Option<Finding> {
        let dark = self.darkest(1.0)?;
        let ratio = self.smoothed_at(dark)?;
        Some(Finding::NoiseSmoothed { ratio })
    }

    pub fn hidden_noise(&self) -> Option<Finding> {
        let mut radiances: Vec<f64> = self.seen.iter().map(|(_, o)| o.radiance).collect();
        radiances.sort_by(f64::total_cmp);
        let (code_noise, quantisation_bound) = self.hidden_at(radiances[radiances.len() / 2])?;
        Some(Finding::NoiseCompressionLimited {
            code_noise,
            quantisation_bound,
        })
    }
}

fn never(snr: f64) -> UsableStops {
    UsableStops {
        snr,
        stops: None,
        low95: None,
        high95: None,
        limited_by: Limit::Noise,
        seen_stops: None,
        normalised: None,
    }
}

fn normalised(answer: &UsableStops, pixels: f64, correlation: &Correlation) -> NormalisedStops {
    NormalisedStops {
        pixels,
        correlation: correlation.excess,
        stops: answer.stops,
        low95: answer.low95,
        high95: answer.high95,
        limited_by: answer.limited_by,
    }
}
