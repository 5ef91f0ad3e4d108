//! Pyramids of a plane (Burt and Adelson 1983): means level by level, and the sum of bands.
use ndarray::Array2;
use stopspan_core::raster::{expand_into, reduce};

/// The plane and `depth` coarser levels, each half as large as the one before.
pub(crate) fn pyramid(plane: Array2<f32>, depth: usize) -> Vec<Array2<f32>> {
    let mut levels = vec![plane];
    for _ in 0..depth {
        let next = levels.last().map(reduce);
        levels.extend(next);
    }
    levels
}

/// The plane whose bands these are, finest first; the last is the low-pass remainder.
pub(crate) fn collapsed(mut levels: Vec<Array2<f32>>) -> Array2<f32> {
    let mut sum = levels.pop().unwrap_or_default();
    while let Some(mut band) = levels.pop() {
        expand_into(&sum, &mut band, |_, coarse, band| {
            for (band, coarse) in band.iter_mut().zip(coarse) {
                *band += coarse;
            }
        });
        sum = band;
    }
    sum
}
