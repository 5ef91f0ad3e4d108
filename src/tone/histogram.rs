//! A histogram of log2 luminance.
use super::scene::REACH;
use ndarray::Array2;

/// Bins for each stop.
const BINS: f64 = 64.0;

/// Counts over -/+ [`REACH`], in bins of a 64th of a stop. Black does not count.
pub(super) struct Histogram {
    counts: Vec<u32>,
    total: u64,
}

impl Histogram {
    pub fn of(plane: &Array2<f32>) -> Self {
        let last = (2.0 * f64::from(REACH) * BINS) as usize;
        let mut counts = vec![0u32; last + 1];
        for &log in plane {
            let index = ((log + REACH) * BINS as f32 + 0.5) as usize;
            counts[index.min(last)] += 1;
        }
        counts[0] = 0;
        let total = counts.iter().map(|&n| u64::from(n)).sum();
        Histogram { counts, total }
    }

    /// Middle of a bin, log2 luminance.
    fn middle(index: usize) -> f64 {
        index as f64 / BINS - f64::from(REACH)
    }

    /// Log2 luminance below which a share (0..=1) of the counts lies; 0 for an empty histogram.
    pub fn quantile(&self, share: f64) -> f64 {
        let wanted = share * self.total.saturating_sub(1) as f64;
        let mut sum = 0;
        for (index, &count) in self.counts.iter().enumerate() {
            sum += u64::from(count);
            if sum as f64 > wanted {
                return Self::middle(index);
            }
        }
        0.0
    }

    /// Occupied bins from one log2 luminance to another: middle and count.
    pub fn between(&self, low: f64, high: f64) -> impl Iterator<Item = (f64, f64)> {
        let bins = self.counts.iter().enumerate().filter(|(_, n)| **n > 0);
        let bins = bins.map(|(index, &count)| (Self::middle(index), f64::from(count)));
        bins.filter(move |(log, _)| (low..=high).contains(log))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_those_of_the_sorted_values() {
        let plane =
            Array2::from_shape_fn((37, 41), |(r, c)| ((r * 41 + c) % 1517) as f32 * 0.01 - 9.0);
        let mut sorted: Vec<f32> = plane.iter().copied().collect();
        sorted.sort_by(f32::total_cmp);
        let histogram = Histogram::of(&plane);
        for share in [0.0, 0.005, 0.3, 0.5, 0.999, 1.0] {
            let exact = sorted[(share * 1516.0) as usize];
            let found = histogram.quantile(share);
            assert!(
                (found - f64::from(exact)).abs() <= 0.5 / BINS + 1e-6,
                "{share}: {found} {exact}"
            );
        }
        let dark = Array2::from_elem((3, 3), -REACH);
        assert_eq!(Histogram::of(&dark).quantile(0.5), 0.0);
    }
}
