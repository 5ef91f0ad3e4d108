//! Frames of which no exposure is known: order and ratios from the pixels alone, the span taken through sRGB.
//!
//! Frames of one scene show the same share of pixels below corresponding levels, whatever lies where, so levels are matched
//! by rank (Grossberg and Nayar 2003) and need no registration. Through which response they stand for which light the pixels
//! cannot say: with a curve and a span, every power of both fits. The levels are read as sRGB (IEC 61966-2-1), and whoever
//! uses the ratios says so.
use super::survey::FramePlan;
use stopspan_core::Error;
use stopspan_core::finding::Finding;
use stopspan_core::model::Picture;
use stopspan_core::model::{Exposure, ExposureSource, main_channel};
use stopspan_core::units::{Estimate, srgb_exposure};

/// Pixels below which ranks say too little.
const FEWEST_PIXELS: usize = 4096;
/// Levels (of 1) between which a rank is compared.
const SEEN: (f32, f32) = (10.0 / 255.0, 244.0 / 255.0);
/// Ranks compared.
const RANKS: usize = 200;
/// Ranks that both frames must show.
const ENOUGH: usize = 10;
/// Standard uncertainty of a step, as a share of it (the encodings of published cameras against sRGB; common practice, no
/// source).
const SHARE: f64 = 0.15;

/// Plans with the exposures filled in, and what to say of it; `None` where pixels do not tell: too small, frames that share no
/// levels, or frames alike. Only pictures that were read count.
pub(super) fn fill(
    plans: &[FramePlan],
    read: &[&Result<Picture, Error>],
) -> Option<(Vec<FramePlan>, Finding)> {
    let mut seen: Vec<(usize, Vec<f32>)> = read
        .iter()
        .enumerate()
        .filter_map(|(i, r)| Some((i, ranks(r.as_ref().ok()?)?)))
        .collect();
    let brightness = |levels: &[f32]| levels.iter().sum::<f32>();
    seen.sort_by(|a, b| brightness(&a.1).total_cmp(&brightness(&b.1)));
    let mut stops = vec![0.0];
    for pair in seen.windows(2) {
        let last = stops.last()?;
        stops.push(last + step(&pair[0].1, &pair[1].1)?);
    }
    let span = *stops.last()?;
    if stops.len() < 2 || span < 0.1 {
        return None;
    }
    let middle = stops[(stops.len() - 1) / 2];
    let mut filled = plans.to_vec();
    for ((index, _), stop) in seen.iter().zip(&stops) {
        let value = stop - middle;
        let stated = Estimate::new(value, 0.05f64.hypot(SHARE * value));
        filled[*index].exposure = Some(Exposure {
            stated,
            used: stated,
            source: ExposureSource::Guessed,
        });
    }
    let finding = Finding::SpanUnknown {
        assumed_span_stops: span,
    };
    Some((filled, finding))
}

/// The levels of the main channel at equally spaced ranks, dark to bright.
fn ranks(picture: &Picture) -> Option<Vec<f32>> {
    let (rows, columns, channels) = picture.pixels.dim();
    if rows * columns < FEWEST_PIXELS {
        return None;
    }
    let main = main_channel(channels);
    let stride = (rows * columns / 200_000).max(1);
    let mut levels: Vec<f32> = (0..rows * columns)
        .step_by(stride)
        .map(|i| picture.pixels.level(i / columns, i % columns, main))
        .filter(|v| v.is_finite())
        .collect();
    levels.sort_by(f32::total_cmp);
    let last = levels.len().checked_sub(1)?;
    Some((0..=RANKS).map(|k| levels[last * k / RANKS]).collect())
}

/// Median over the ranks of log2 light, second over first; `None` where too few ranks are shown by both.
fn step(first: &[f32], second: &[f32]) -> Option<f64> {
    let shown = |v: &f32| (SEEN.0..=SEEN.1).contains(v);
    let both = first
        .iter()
        .zip(second)
        .filter(|(a, b)| shown(a) && shown(b));
    let light = |v: &f32| srgb_exposure(f64::from(*v)).log2();
    let mut steps: Vec<f64> = both.map(|(a, b)| light(b) - light(a)).collect();
    if steps.len() < ENOUGH {
        return None;
    }
    let middle = steps.len() / 2;
    Some(*steps.select_nth_unstable_by(middle, f64::total_cmp).1)
}
