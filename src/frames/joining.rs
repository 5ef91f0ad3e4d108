//! Joins clusters of one camera, size and format that a pause in time separated, if the sequence of exposures goes on across it.
//!
//! Exposures set by hand lie ten seconds to several minutes apart (common practice, no source), so that a pause alone separates
//! nothing. Two clusters are one bracket if no exposure is taken twice, the steps go on, and both show the same view. A sequence
//! that starts again is another bracket, however soon.
use super::framing::View;
use super::sequence::SAME;
use super::sorting::{Candidate, Cluster, SHORT_GAP};
use std::path::Path;
use stopspan_core::model::Limits;
use stopspan_formats as formats;

/// Longest pause within a bracket, s.
const LONGEST_PAUSE: f64 = 900.0;
/// Longest pause within a bracket where pixels do not tell whether the view is the same, s.
const LONGEST_UNSEEN: f64 = 300.0;
/// Largest step between two frames of which nothing else is known, stops.
const LARGEST_STEP: f64 = 4.0;
/// Largest step across a pause, in the largest step on its sides.
const STEP_RATIO: f64 = 2.1;
/// Largest ratio of the focal lengths of one view.
const FOCAL_RATIO: f64 = 1.02;

/// Joins clusters, given in the order of capture.
pub(super) fn join(clusters: Vec<Cluster>, limits: &Limits) -> Vec<Cluster> {
    let mut joined: Vec<Cluster> = Vec::new();
    for next in clusters {
        match joined.last_mut() {
            Some(last) if belongs(last, &next, limits) => last.frames.extend(next.frames),
            _ => joined.push(next),
        }
    }
    joined
}

fn belongs(first: &Cluster, second: &Cluster, limits: &Limits) -> bool {
    if first.finished.is_some() || second.finished.is_some() {
        return false;
    }
    let (Some(a), Some(b)) = (Ladder::of(first), Ladder::of(second)) else {
        return false;
    };
    let pause = match (first.frames.last(), second.frames.first()) {
        (Some(last), Some(next)) => last.pause_before(next),
        _ => return false,
    };
    let again = b.stops.len() == 1 && near(a.last(), b.stops[0]) && by_hand(first);
    let fits = again || a.goes_on(&b);
    if pause > LONGEST_PAUSE || !same_focal_length(first, second) || !fits {
        return false;
    }
    match same_view(first, second, limits) {
        Some(same) => same,
        None => pause <= LONGEST_UNSEEN && a.continues_to(&b),
    }
}

/// True for less than a burst, or if there is a pause for the hand between two frames: an exposure may have been taken again then.
fn by_hand(cluster: &Cluster) -> bool {
    let pauses = cluster.frames.windows(2).map(|p| p[0].pause_before(&p[1]));
    cluster.frames.len() < 3 || pauses.fold(0.0, f64::max) > SHORT_GAP
}

/// Exposures of a cluster in the order of capture, stops.
struct Ladder {
    stops: Vec<f64>,
    /// Biases, if all are stated and they vary.
    biases: Option<Vec<f64>>,
}

impl Ladder {
    /// `None` if an exposure is not known.
    fn of(cluster: &Cluster) -> Option<Self> {
        let frames = &cluster.frames;
        let stops: Vec<f64> = frames.iter().map(Candidate::stops).collect::<Option<_>>()?;
        let biases: Option<Vec<f64>> = frames.iter().map(|f| f.judged.bias).collect();
        let vary = |b: &Vec<f64>| b.iter().any(|v| !near(*v, b[0]));
        (!stops.is_empty()).then(|| Ladder {
            stops,
            biases: biases.filter(vary),
        })
    }

    fn low(&self) -> f64 {
        self.stops.iter().copied().fold(f64::INFINITY, f64::min)
    }

    fn high(&self) -> f64 {
        self.stops.iter().copied().fold(f64::NEG_INFINITY, f64::max)
    }

    fn last(&self) -> f64 {
        self.stops[self.stops.len() - 1]
    }

    /// True if `next` adds new exposures to these in steps that fit, and does not start the same sequence again. The last exposure
    /// may be taken twice, if the sequence goes on from there.
    fn goes_on(&self, next: &Self) -> bool {
        let twice = near(self.last(), next.stops[0]);
        let fresh = &next.stops[usize::from(twice)..];
        if fresh.is_empty() || (twice && !self.continues_to(next)) {
            return false;
        }
        let known = |stops: &f64| self.stops.iter().any(|s| near(*s, *stops));
        if fresh.iter().any(known) || self.starts_again(next) {
            return false;
        }
        let across = gap_between((self.low(), self.high()), (next.low(), next.high()));
        across <= self.largest_step(next)
    }

    /// True if `next` has the biases of this sequence again, or its steps from an exposure among its own.
    fn starts_again(&self, next: &Self) -> bool {
        let alike = |a: &[f64], b: &[f64]| {
            let steps = |v: &[f64]| v.iter().map(|x| x - v[0]).collect::<Vec<f64>>();
            a.len() == b.len() && steps(a).iter().zip(steps(b)).all(|(x, y)| near(*x, y))
        };
        if let (Some(a), Some(b)) = (&self.biases, &next.biases)
            && alike(a, b)
            && near(a[0], b[0])
        {
            return true;
        }
        let overlap = next.low() < self.high() && next.high() > self.low();
        self.stops.len() >= 3 && overlap && alike(&self.stops, &next.stops)
    }

    /// Largest step that fits the steps of the two.
    fn largest_step(&self, next: &Self) -> f64 {
        let steps = [&self.stops, &next.stops].map(|stops| {
            let mut sorted = stops.clone();
            sorted.sort_by(f64::total_cmp);
            let steps = sorted.windows(2).map(|pair| pair[1] - pair[0]);
            steps.fold(0.0, f64::max)
        });
        match steps[0].max(steps[1]) {
            step if step < SAME => LARGEST_STEP,
            step => STEP_RATIO * step.max(1.0),
        }
    }

    /// True if exposures rise, or fall, through the first and on through the second.
    fn continues_to(&self, next: &Self) -> bool {
        let all = self.stops.iter().chain(&next.stops);
        let all: Vec<f64> = all.copied().collect();
        let rises = |sign: f64| all.windows(2).all(|p| sign * (p[1] - p[0]) > -SAME);
        rises(1.0) || rises(-1.0)
    }
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() < SAME
}

/// Stops from one range to the other; 0 if they overlap.
fn gap_between(a: (f64, f64), b: (f64, f64)) -> f64 {
    (b.0 - a.1).max(a.0 - b.1).max(0.0)
}

fn same_focal_length(first: &Cluster, second: &Cluster) -> bool {
    let lengths = first.frames.iter().chain(&second.frames);
    let lengths = lengths
        .filter_map(|f| f.header.focal_length)
        .map(|l| l.value())
        .filter(|l| l.is_finite() && *l > 0.0);
    let (low, high) = lengths.fold((f64::INFINITY, 0.0f64), |(low, high), l| {
        (low.min(l), high.max(l))
    });
    high <= FOCAL_RATIO * low
}

/// Whether the frames nearest in exposure show the same view. `None` if that cannot be told.
fn same_view(first: &Cluster, second: &Cluster, limits: &Limits) -> Option<bool> {
    let pairs = first
        .frames
        .iter()
        .flat_map(|a| second.frames.iter().map(move |b| (a, b)));
    let apart = |a: &Candidate, b: &Candidate| match (a.stops(), b.stops()) {
        (Some(a), Some(b)) => (a - b).abs(),
        _ => f64::INFINITY,
    };
    let (a, b) = pairs.min_by(|p, q| apart(p.0, p.1).total_cmp(&apart(q.0, q.1)))?;
    let view = |file: &Path| View::new(&formats::read_picture(file, limits).ok()?.pixels);
    let (a, b) = rayon::join(|| view(&a.file), || view(&b.file));
    a?.same(&b?)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ladder(stops: &[f64]) -> Ladder {
        Ladder {
            stops: stops.to_vec(),
            biases: None,
        }
    }

    #[test]
    fn a_sequence_goes_on_where_its_exposures_are_new_and_its_steps_fit() {
        let cases: [(&[f64], &[f64], bool); 10] = [
            (&[-2.0], &[-1.0, 0.0], true),
            (&[0.0, 1.0, 2.0], &[3.0], true),
            (&[2.0, 1.0, 0.0, -1.0], &[3.0], true),
            (&[-1.0, 0.0, 1.0], &[-1.0, 0.0, 1.0], false),
            // other exposures, the same steps again
            (&[0.0, 1.0, 2.0], &[0.3, 1.3, 2.3], false),
            // a scene in other light
            (&[0.0, 1.0, 2.0], &[8.0, 9.0, 10.0], false),
            (&[0.0], &[5.0], false),
            // the last exposure twice
            (&[0.0, 1.0], &[1.0, 2.0, 3.0], true),
            (&[0.0, 1.0], &[1.0, 0.0], false),
            (&[0.0, 1.0], &[1.0], false),
        ];
        for (first, second, wanted) in cases {
            let found = ladder(first).goes_on(&ladder(second));
            assert_eq!(found, wanted, "{first:?} {second:?}");
        }
    }

    #[test]
    fn the_same_biases_again_are_another_bracket() {
        let biased = |stops: &[f64]| Ladder {
            biases: Some(vec![0.0, -1.0, 1.0]),
            ..ladder(stops)
        };
        assert!(!biased(&[0.0, -1.0, 1.0]).goes_on(&biased(&[3.0, 2.0, 4.0])));
    }
}
