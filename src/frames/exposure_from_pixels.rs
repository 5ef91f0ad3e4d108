//! Exposures of frames without exposure metadata: order and ratios from pixels, on the assumption of sRGB encoding.
//!
//! In frames of one scene, corresponding levels have the same share of pixels below them, wherever these are. Levels
//! are therefore matched by rank (Grossberg and Nayar 2003), without registration. Pixels cannot determine response
//! and exposures together: with one solution every power of it is another. The levels are decoded as sRGB (IEC
//! 61966-2-1), and a finding states that the span is an assumption.
use super::survey::FramePlan;
use stopspan_core::Error;
use stopspan_core::finding::Finding;
use stopspan_core::model::Picture;
use stopspan_core::model::{Exposure, ExposureSource, main_channel};
use stopspan_core::units::{Estimate, srgb_exposure};

/// Fewest pixels for meaningful ranks.
const FEWEST_PIXELS: usize = 4096;
/// Range of levels (fractions of full scale) in which ranks are compared.
const SEEN: (f32, f32) = (10.0 / 255.0, 244.0 / 255.0);
/// Number of ranks compared.
const RANKS: usize = 200;
/// Fewest ranks in range in both frames.
const ENOUGH: usize = 10;
/// Relative standard uncertainty of a step (encodings of published cameras against sRGB; common practice, no source).
const SHARE: f64 = 0.15;

/// Plans with exposures filled in, and the finding about it. `None` if pixels do not determine them: pictures too
/// small, without common levels, or of equal exposure. Only pictures that could be read are used.
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

/// Levels of the main channel at equally spaced ranks, ascending.
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

/// Median over the ranks of the log2 ratio of light, second over first; `None` if too few ranks are in range in both.
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
