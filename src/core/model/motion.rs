//! Where something moved between the frames, and which frames the merge leaves out there.
use ndarray::Array2;
use std::ops::Range;

/// Where something moved: a mask of frames to leave out, by block of pixels.
#[derive(Debug, Clone, PartialEq)]
pub struct Motion {
    /// Side of a block, pixels.
    pub side: usize,
    /// Bit j set: frame j shows something else than the reference frame, or the reference is clipped and another frame
    /// stands in; shape (rows, columns) / side.
    pub left_out: Array2<u32>,
    /// Share of the frame's blocks (0..=1) where the frame is left out, one a frame.
    pub by_frame: Vec<f64>,
    /// Share of blocks where any frame is left out.
    pub share: f64,
}

impl Motion {
    /// The masks of the blocks that a row of pixels runs through.
    pub fn row(&self, row: usize) -> &[u32] {
        let (down, across) = self.left_out.dim();
        let first = (row / self.side).min(down - 1) * across;
        self.left_out
            .as_slice()
            .map_or(&[], |s| &s[first..first + across])
    }

    /// The columns of a row of pixels, in a picture `columns` wide, where any frame is left out.
    pub fn moved_in(&self, row: usize, columns: usize) -> impl Iterator<Item = Range<usize>> {
        let blocks = self.row(row).iter().enumerate();
        blocks
            .filter(|(_, mask)| **mask != 0)
            .map(move |(block, _)| self.columns(block, columns))
    }

    /// The columns of a block in a picture `columns` wide; the last block takes what is left over.
    pub fn columns(&self, block: usize, columns: usize) -> Range<usize> {
        let end = if block + 1 == self.left_out.ncols() {
            columns
        } else {
            (block + 1) * self.side
        };
        block * self.side..end
    }
}
