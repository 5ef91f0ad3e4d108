//! Base and detail by a bilateral filter of log luminance, the base compressed (Durand and Dorsey 2002).
//!
//! The range kernel is Tukey's biweight, which the paper discusses beside the Gaussian. It is zero beyond its width,
//! so nothing leaks across larger edges and these show no halo at any compression.
use super::default_look::MID_GREY;
use ndarray::{Array2, Zip};
use stopspan_core::raster::{expand, reduce};

/// Width of the range kernel, stops. Smaller variations are texture and keep their contrast; larger steps are edges.
const WIDTH: f32 = 1.0;
/// Layers for each width of the range kernel, between which the filter is interpolated (the paper's piecewise-linear
/// acceleration).
const LAYERS_PER_WIDTH: f32 = 3.0;
/// Largest number of layers.
const MAXIMUM_LAYERS: usize = 96;
/// Spatial kernel: this many reductions and expansions with the five-tap binomial, a bell of about 2 % of the plane's
/// side.
const HALVINGS: usize = 4;
/// Contrast that the base is compressed to, stops. The paper names a ratio of 5 for its displays; on photographed scenes
/// that looks milky.
const BASE_STOPS: f64 = 5.5;
/// Least factor on the base's contrast. Below it, neighbouring steps of a wedge could change order.
const LEAST: f64 = 0.5;

/// Variance below which a window counts as flat when the gain is fitted, stops squared.
pub(super) const FLAT: f64 = 0.01;

/// Tukey's biweight, `(1 - (x / width)^2)^2` inside the width and 0 outside.
fn biweight(difference: f32) -> f32 {
    let t = difference / WIDTH;
    let inside = (1.0 - t * t).max(0.0);
    inside * inside
}

fn blurred(plane: Array2<f32>) -> Array2<f32> {
    let mut sizes = Vec::with_capacity(HALVINGS);
    let mut small = plane;
    for _ in 0..HALVINGS {
        sizes.push(small.dim());
        small = reduce(&small);
    }
    while let Some((rows, columns)) = sizes.pop() {
        small = expand(&small, rows, columns);
    }
    small
}

/// The base: the mean of each value's surroundings, weighted by distance and by [`biweight`] of the difference.
/// Finite log2 luminance in and out, same shape.
pub(super) fn base(plane: &Array2<f32>) -> Array2<f32> {
    let (low, high) = plane
        .iter()
        .fold((f32::INFINITY, f32::NEG_INFINITY), |(a, b), &v| {
            (a.min(v), b.max(v))
        });
    if high - low <= 0.0 || !(high - low).is_finite() {
        return plane.clone();
    }
    let wanted = ((high - low) / WIDTH * LAYERS_PER_WIDTH).ceil() as usize;
    let intervals = wanted.clamp(1, MAXIMUM_LAYERS);
    let step = (high - low) / intervals as f32;
    let mut result = Array2::zeros(plane.dim());
    for k in 0..=intervals {
        let layer = low + k as f32 * step;
        let weights = blurred(plane.mapv(|v| biweight(v - layer)));
        let sums = blurred(plane.mapv(|v| biweight(v - layer) * (v - layer)));
        Zip::from(&mut result)
            .and(plane)
            .and(&weights)
            .and(&sums)
            .par_for_each(|sum, &v, &w, &s| {
                let share = 1.0 - ((v - layer) / step).abs();
                if share > 0.0 {
                    *sum += share * (layer + s / w.max(1e-6));
                }
            });
    }
    result
}

/// The plane with the contrast of its base scaled by `contrast` about `pivot` and that of its detail scaled by
/// `detail`.
pub(super) fn compress(
    plane: &Array2<f32>,
    base: &Array2<f32>,
    contrast: f64,
    pivot: f64,
    detail: f64,
) -> Array2<f32> {
    let (contrast, pivot, detail) = (contrast as f32, pivot as f32, detail as f32);
    Zip::from(plane)
        .and(base)
        .map_collect(|&v, &b| pivot + contrast * (b - pivot) + detail * (v - b))
}

/// Factor on the base's contrast for this operator: brings its central 99 % to [`BASE_STOPS`], within limits.
pub(super) fn contrast(base: &Array2<f32>) -> f64 {
    let (low, high) = super::gain::quantiles(base, 0.005, 0.995);
    (BASE_STOPS / (high - low).max(BASE_STOPS)).max(LEAST)
}

/// Display luminance above which highlights approach white asymptotically instead of clipping.
const SHOULDER: f64 = 0.3;

/// Tone curve for the compressed plane: scales `mid` to mid grey, with a soft shoulder.
pub(super) fn operator(mid: f64) -> impl Fn(f64) -> f64 + use<> {
    let room = 1.0 - SHOULDER;
    move |log| match MID_GREY * (log - mid).exp2() {
        x if x > SHOULDER => 1.0 - room * (-(x - SHOULDER) / room).exp(),
        x => x,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The slow twin: the filter pixel by pixel, with the spatial kernel measured as an impulse response.
    #[test]
    fn layers_follow_the_filter_pixel_by_pixel() {
        let plane = Array2::from_shape_fn((40, 48), |(r, c)| {
            (if c > 20 { 3.0 } else { 0.0 }) + 0.7 * ((r * 5 + c * 3) % 7) as f32 / 7.0
        });
        let fast = base(&plane);
        for place in [(5, 5), (20, 20), (20, 21), (33, 40)] {
            let here = plane[place];
            let weights = blurred(plane.mapv(|v| biweight(v - here)));
            let sums = blurred(plane.mapv(|v| biweight(v - here) * v));
            let slow = sums[place] / weights[place];
            assert!(
                (fast[place] - slow).abs() < 0.03,
                "{place:?}: {} {slow}",
                fast[place]
            );
        }
    }

    #[test]
    fn nothing_leaks_over_an_edge() {
        let plane = Array2::from_shape_fn((64, 64), |(_, c)| if c < 31 { 0.0 } else { 1.01 });
        for (b, v) in base(&plane).iter().zip(&plane) {
            assert!((b - v).abs() < 1e-3);
        }
    }
}
