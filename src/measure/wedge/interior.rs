//! The pixels of one patch: those with centres in its interior.
use crate::subject::Subject;
use stopspan_core::model::{contains, main_channel};
use stopspan_core::raster::{Point, Quad, Region};

/// One measured pixel: its position in the picture, and its linear radiance.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sample {
    pub row: usize,
    pub column: usize,
    pub linear: f64,
}

/// Pixels and sums of one interior.
#[derive(Debug, Default)]
pub(super) struct Interior {
    /// Pixels of the measuring channel, linear.
    pub samples: Vec<Sample>,
    /// Sum of levels of each channel (for mono, three times the same).
    pub level_sum: [f64; 3],
    /// Sum and sum of squares of the measuring channel's level.
    pub green: (f64, f64),
    /// Number of pixels at the clip level, and at the black floor.
    pub clipped: usize,
    pub crushed: usize,
}

/// Collects the pixels within `quad` (in this picture's pixels) that lie in the subject's crop.
pub(super) fn gather(subject: &Subject, quad: &Quad) -> Interior {
    let (rows, columns, channels) = subject.linear.dim();
    let mut interior = Interior::default();
    let (top, left) = subject.origin;
    let Some(box_) = Region::around(quad, top + rows, left + columns) else {
        return interior;
    };
    let channel = main_channel(channels);
    for row in box_.rows().filter(|&r| r >= top) {
        for column in box_.columns().filter(|&c| c >= left) {
            let centre = Point {
                x: column as f64 + 0.5,
                y: row as f64 + 0.5,
            };
            let linear = f64::from(subject.linear[[row - top, column - left, channel]]);
            if contains(quad, centre) && linear.is_finite() {
                interior.samples.push(Sample {
                    row,
                    column,
                    linear,
                });
                interior.add(subject, row - top, column - left);
            }
        }
    }
    interior
}

impl Interior {
    fn add(&mut self, subject: &Subject, row: usize, column: usize) {
        self.clipped += usize::from(subject.clipped[[row, column]]);
        self.crushed += usize::from(subject.crushed[[row, column]]);
        let Some(levels) = &subject.levels else {
            return;
        };
        let channels = levels.dim().2;
        for c in 0..3 {
            self.level_sum[c] += f64::from(levels[[row, column, c.min(channels - 1)]]);
        }
        let green = f64::from(levels[[row, column, main_channel(channels)]]);
        self.green.0 += green;
        self.green.1 += green * green;
    }
}
