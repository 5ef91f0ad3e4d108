//! Tables of one channel of a merge, and the pixels that the sums over frames leave open.
use super::sampling::{CLIPPED, NO_VALUE, Table, bound_of, table};
use super::sums::Sums;
use super::uncertainty::Corrections;
use super::weights::{FrameLight, MARGIN, Weights, dark_deviations, first_weights};
use stopspan_core::model::{Bracket, ChannelTerms, NoiseModel, ResponseCurve, flag};

/// Tables of one channel.
pub(super) struct Channel {
    /// By frame.
    pub(super) tables: Vec<Table>,
    /// Exposure relative to the reference, by frame.
    pub(super) factors: Vec<f32>,
    /// Weights of the first estimate, by frame.
    pub(super) first: Vec<f32>,
    pub(super) weights: Weights,
    /// Radiance at each frame's clip level: a lower bound where the frame is clipped.
    pub(super) bounds: Vec<f32>,
    /// The highest of them: the bound where every frame is clipped.
    pub(super) bound: f32,
    /// Standard deviation of radiance in the dark, by frame.
    pub(super) dark: Vec<f32>,
    pub(super) curve: ResponseCurve,
    pub(super) noise: NoiseModel,
    /// Exposure and sensitivity by frame.
    pub(super) lights: Vec<FrameLight>,
    /// What the uncertainties are corrected by, if the frames were found to disagree.
    pub(super) corrections: Option<Corrections>,
}

impl Channel {
    pub(super) fn new(
        bracket: &Bracket,
        curve: &ResponseCurve,
        noise: &NoiseModel,
        frames: &[FrameLight],
    ) -> Self {
        let tables = frames.iter().zip(&bracket.frames);
        let bound = |f: &FrameLight| (curve.exposure_at(curve.clip_level) / f.factor) as f32;
        let bounds: Vec<f32> = frames.iter().map(bound).collect();
        Channel {
            tables: tables
                .map(|(f, frame)| table(&frame.picture.pixels, curve, f))
                .collect(),
            factors: frames.iter().map(|f| f.factor as f32).collect(),
            first: first_weights(curve, noise, frames),
            weights: Weights::new(curve, noise, frames),
            bound: bounds.iter().copied().fold(0.0, f32::max),
            bounds,
            dark: dark_deviations(curve, noise, frames),
            curve: curve.clone(),
            noise: *noise,
            lights: frames.to_vec(),
            corrections: None,
        }
    }

    /// Takes the uncertainties of exposures from what the frames show, and leaves frames out below the level from which they are
    /// trusted, except the longest.
    pub(super) fn believe(&mut self, seen: &ChannelTerms) {
        for (light, seen) in self.lights.iter_mut().zip(&seen.exposures) {
            light.uncertainty_stops = seen.unwrap_or(light.uncertainty_stops);
        }
        let curve = ResponseCurve {
            floor_level: self
                .curve
                .floor_level
                .max(seen.trusted_from - MARGIN / 255.0),
            ..self.curve.clone()
        };
        self.weights = Weights::new(&curve, &self.noise, &self.lights);
    }

    /// Recomputes the systematic uncertainty of the remaining frames where frames were excluded for motion.
    pub(super) fn systematic_of_the_rest<'s>(
        &self,
        frames: impl Iterator<Item = &'s [f32]> + Clone,
        cells: &[u16],
        systematic: &mut [f32],
        flags: &[u16],
    ) {
        for (column, _) in flags
            .iter()
            .enumerate()
            .filter(|(_, f)| **f & flag::MOVED != 0)
        {
            let rest = frames.clone().enumerate();
            let rest = rest.filter(|(_, f)| f[column] < NO_VALUE).map(|(j, _)| j);
            if let Some(value) = self.weights.systematic_of(cells[column], rest) {
                systematic[column] = value;
            }
        }
    }

    /// The frame with the largest weight among those whose sample is usable.
    pub(super) fn leader_of(&self, cell: u16, samples: impl Iterator<Item = f32>) -> u8 {
        let weight = |(j, s): (usize, f32)| (s < NO_VALUE).then(|| (j, self.weights.at(j, cell)));
        let best = samples.enumerate().filter_map(weight);
        best.fold(
            (0, -1.0),
            |a: (usize, f32), b| if b.1 > a.1 { b } else { a },
        )
        .0
        .min(255) as u8
    }

    /// Writes radiance and its statistical uncertainty where no frame has a weight, in a piece of a row.
    #[inline(always)]
    pub(super) fn conclude_without_weight<'s>(
        &self,
        frames: impl Iterator<Item = &'s [f32]> + Clone,
        sums: &Sums,
        [radiance, statistical]: [&mut [f32]; 2],
    ) {
        // Most of them are clipped in every frame.
        let (all, bound) = (self.bounds.len() as u32, self.bound);
        let columns = sums.weight.iter().zip(&sums.clipped);
        let values = radiance.iter_mut().zip(&mut *statistical);
        let mut others = 0;
        for ((radiance, statistical), (&weight, &clipped)) in values.zip(columns) {
            let (without, clipped) = (weight <= 0.0, clipped == all);
            let bounded = without & clipped;
            *radiance = if bounded { bound } else { *radiance };
            *statistical = if bounded { bound } else { *statistical };
            others += u32::from(without & !clipped);
        }
        for column in 0..if others > 0 { radiance.len() } else { 0 } {
            if sums.weight[column] <= 0.0 && sums.clipped[column] != all {
                let samples = frames.clone().map(|f| f[column]);
                (radiance[column], statistical[column]) = self.without_weight(samples);
            }
        }
    }

    /// Radiance and its statistical uncertainty at a pixel where no frame has a weight.
    ///
    /// If all frames clip, the radiance is the highest of their bounds, with 100 % uncertainty. Otherwise the frames disagree
    /// so much that none has a weight at the first estimate: that estimate is kept, and its uncertainty is the largest of
    /// the spread of the frames, a tenth of the value, and the least dark noise of any of them.
    #[cold]
    pub(super) fn without_weight(&self, samples: impl Iterator<Item = f32> + Clone) -> (f32, f32) {
        let good = samples
            .clone()
            .zip(&self.factors)
            .filter(|(s, _)| *s < NO_VALUE);
        let (light, time) = good
            .clone()
            .fold((0.0, 0.0), |(l, t), (s, f)| (l + s * f, t + f));
        if time == 0.0 {
            // Within the borders of all frames nothing is known: any of them might have clipped.
            let none = samples.clone().all(f32::is_nan);
            let bounds = samples.zip(&self.bounds);
            let covered = bounds.filter(|(s, _)| none || !s.is_nan());
            // `min` gives the frame's own bound for samples that are clipped, or not known at all.
            let bounds = covered.map(|(s, b)| bound_of(s).min(*b));
            let bound = bounds.fold(0.0, f32::max);
            return (bound, bound);
        }
        let radiance = light / time;
        let spread = good.fold(0.0f32, |most, (s, _)| most.max((s - radiance).abs()));
        let dark = samples.zip(&self.dark).filter(|(s, _)| *s < NO_VALUE);
        let least = dark.fold(f32::INFINITY, |least, (_, d)| least.min(*d));
        (radiance, spread.max(radiance.abs() * 0.1).max(least))
    }

    /// Radiance of a float sample of a frame; [`CLIPPED`] from the clip level on, and for NaN.
    pub(super) fn float(&self, frame: usize, level: f32) -> f32 {
        let level = f64::from(level);
        if level.is_nan() || level >= self.curve.clip_level {
            return CLIPPED;
        }
        (self.curve.exposure_at(level) / f64::from(self.factors[frame])) as f32
    }
}
