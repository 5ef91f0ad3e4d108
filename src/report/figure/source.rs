//! Map of the frame with the largest weight at each pixel, as a small coloured picture.
use ndarray::{Array2, Array3};

/// Colours of the frames, least exposure first: from dark to light, so that the order is visible without colour vision.
pub(crate) const COLOURS: [[u8; 3]; 7] = [
    [0x2b, 0x1a, 0x5e],
    [0x24, 0x5b, 0x8c],
    [0x1f, 0x96, 0x8b],
    [0x7a, 0xc7, 0x5a],
    [0xf0, 0xe0, 0x42],
    [0xf7, 0xee, 0xa0],
    [0xfd, 0xfa, 0xe0],
];
/// Colour of pixels without a usable frame.
pub(crate) const NONE: [u8; 3] = [0xd5, 0x3e, 0x2a];

/// Colour of frame `index` of `frames`. Frames are spread over [`COLOURS`]; up to three frames use its first five.
pub(crate) fn colour(index: usize, frames: usize) -> [u8; 3] {
    let last = match frames {
        0..=3 => 4,
        _ => COLOURS.len() - 1,
    };
    let steps = frames.saturating_sub(1).max(1);
    COLOURS[(index.min(steps) * last / steps).min(last)]
}

/// Maximum side of the picture on the page, pixels.
pub const LIMIT: usize = 480;

/// Sampling step at which a plane of this shape (rows, columns) has at most `limit` rows and columns.
pub fn stride(shape: (usize, usize), limit: usize) -> usize {
    shape.0.max(shape.1).div_ceil(limit.max(1)).max(1)
}

/// Colours an index plane, reduced to at most `limit` rows and columns by taking every n-th pixel.
pub(crate) fn coloured(source: &Array2<u8>, frames: usize, limit: usize) -> Array3<u8> {
    let (rows, columns) = source.dim();
    let stride = stride((rows, columns), limit);
    let shape = (rows.div_ceil(stride), columns.div_ceil(stride), 3);
    Array3::from_shape_fn(shape, |(row, column, channel)| {
        let index = usize::from(source[[row * stride, column * stride]]);
        let colour = if index < frames {
            colour(index, frames)
        } else {
            NONE
        };
        colour[channel]
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_get_different_colours_that_grow_lighter() {
        for frames in 2..=7 {
            let light = |i| colour(i, frames).iter().map(|c| u32::from(*c)).sum::<u32>();
            for i in 1..frames {
                assert!(light(i) > light(i - 1), "frame {i} of {frames}");
            }
        }
    }

    #[test]
    fn no_frame_has_its_own_colour_and_the_picture_is_reduced() {
        let mut source = Array2::<u8>::zeros((100, 300));
        source[[0, 0]] = 255;
        let picture = coloured(&source, 3, 100);
        assert_eq!(picture.dim(), (34, 100, 3));
        assert_eq!(picture[[0, 0, 0]], NONE[0]);
        assert_eq!(picture[[1, 1, 2]], COLOURS[0][2]);
    }
}
