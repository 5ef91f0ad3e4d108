//! Where something moved between the frames, and which frames are left out of the merge there.
use ndarray::Array2;
use std::ops::Range;

/// Frames to leave out for motion, a bit mask for each block of pixels.
#[derive(Debug, Clone, PartialEq)]
pub struct Motion {
    /// Side of a block, pixels.
    pub side: usize,
    /// Masks, shape (rows, columns) / `side`. Bit j is set where frame j is left out: it shows something else than
    /// the reference frame, or the reference frame is clipped and another frame replaces it.
    pub left_out: Array2<u32>,
    /// Share of blocks (0..=1) where each frame is left out, in the bracket's order.
    pub by_frame: Vec<f64>,
    /// Share of blocks (0..=1) where any frame is left out.
    pub share: f64,
}

impl Motion {
    /// Masks of the blocks in the row of blocks that contains a row of pixels.
    pub fn row(&self, row: usize) -> &[u32] {
        let (down, across) = self.left_out.dim();
        let first = (row / self.side).min(down - 1) * across;
        self.left_out
            .as_slice()
            .map_or(&[], |s| &s[first..first + across])
    }

    /// Columns of a row of pixels where any frame is left out, as ranges, in a picture `columns` wide.
    pub fn moved_in(&self, row: usize, columns: usize) -> impl Iterator<Item = Range<usize>> {
        let blocks = self.row(row).iter().enumerate();
        blocks
            .filter(|(_, mask)| **mask != 0)
            .map(move |(block, _)| self.columns(block, columns))
    }

    /// Columns of one block in a picture `columns` wide; the last block also takes the remainder.
    pub fn columns(&self, block: usize, columns: usize) -> Range<usize> {
        let end = if block + 1 == self.left_out.ncols() {
            columns
        } else {
            (block + 1) * self.side
        };
        block * self.side..end
    }
}
