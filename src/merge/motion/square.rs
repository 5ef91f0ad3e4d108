//! The pixels that a block covers in a frame that lies elsewhere.
use super::SIDES;

/// A block in pixels of the frame it is read from.
pub(super) struct Square {
    pub across: Span,
    pub down: Span,
}

/// The pixels along one axis that a block's side covers, centred at a point, and how much of it each covers.
pub(super) struct Span {
    pub first: isize,
    pub weights: [f32; SIDES[1] + 1],
    count: usize,
}

impl Span {
    pub fn new(centre: f64, side: usize) -> Self {
        let start = (centre - side as f64 / 2.0).clamp(-1e9, 1e9);
        let first = start.floor();
        let part = (start - first) as f32;
        let mut weights = [0.0; SIDES[1] + 1];
        weights[..side].fill(1.0 / side as f32);
        weights[0] = (1.0 - part) / side as f32;
        weights[side] = part / side as f32;
        Span {
            first: first as isize,
            weights,
            count: side + usize::from(part > 0.0),
        }
    }

    pub fn len(&self) -> usize {
        self.count
    }

    /// Variance of independent noise against that of as many whole pixels.
    pub fn energy(&self, side: usize) -> f32 {
        side as f32 * self.weights.iter().map(|w| w * w).sum::<f32>()
    }
}
