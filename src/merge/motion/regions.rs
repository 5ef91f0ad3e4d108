//! Makes areas of scores (grown from seeds, small ones dropped, a margin added), and of these a mask of frames by block.
use super::compare::{STEPS, Scores};
use super::view::View;
use super::{Limits, MotionSettings, stand_in};
use ndarray::{Array2, Zip};
use stopspan_core::model::Bracket;
use stopspan_core::model::Motion;

/// The areas of all pairs combined to a mask of the frames to exclude; `None` if there are none.
pub(super) fn gather(
    bracket: &Bracket,
    views: &[View],
    compared: &[Scores],
    limits: &Limits,
    settings: &MotionSettings,
) -> Option<Motion> {
    let side = views.first()?.side();
    let (down, across) = compared.first()?.plane.dim();
    let mut left_out = Array2::<u32>::zeros((down, across));
    for scores in compared {
        let Some(area) = areas(&scores.plane, limits, settings, side) else {
            continue;
        };
        let (bit, base) = (1u32 << scores.pair.frame, 1u32 << scores.pair.base);
        let beyond = scores.pair.beyond;
        Zip::from(&mut left_out)
            .and(&area)
            .for_each(|mask, &moved| {
                // A difference from a neighbour that is itself excluded proves nothing.
                if moved && !(beyond && *mask & base != 0) {
                    *mask |= bit;
                }
            });
    }
    if left_out.iter().all(|&mask| mask == 0) {
        return None;
    }
    stand_in::choose(&mut left_out, views, bracket);
    let count = left_out.len() as f64;
    let share = |bits: u32| left_out.iter().filter(|&&m| m & bits != 0).count() as f64 / count;
    let all = share(u32::MAX);
    let by_frame = (0..bracket.frames.len()).map(|j| share(1 << j)).collect();
    Some(Motion {
        side,
        by_frame,
        share: all,
        left_out,
    })
}

/// Areas of one pair with their margin; `None` if there are none. `side` is that of a block, pixels.
fn areas(
    plane: &Array2<u8>,
    limits: &Limits,
    settings: &MotionSettings,
    side: usize,
) -> Option<Array2<bool>> {
    let score = |limit: f64| (limit * f64::from(STEPS)).round().clamp(0.0, 255.0) as u8;
    let (seed, grow) = (score(limits.seed), score(limits.grow));
    let (enough, certain) = (score(settings.peak), score(settings.certain));
    let (down, across) = plane.dim();
    let mut seen = Array2::from_elem((down, across), false);
    let mut kept: Vec<(usize, usize)> = Vec::new();
    let mut area: Vec<(usize, usize)> = Vec::new();
    for ((row, column), &score) in plane.indexed_iter() {
        if score < seed || seen[[row, column]] {
            continue;
        }
        area.clear();
        area.push((row, column));
        seen[[row, column]] = true;
        let (mut next, mut peak) = (0, score);
        while let Some(&(r, c)) = area.get(next) {
            next += 1;
            for r in r.saturating_sub(1)..=(r + 1).min(down - 1) {
                for c in c.saturating_sub(1)..=(c + 1).min(across - 1) {
                    let score = plane[[r, c]];
                    if score >= grow && !seen[[r, c]] {
                        seen[[r, c]] = true;
                        peak = peak.max(score);
                        area.push((r, c));
                    }
                }
            }
        }
        if peak >= certain || (peak >= enough && area.len() >= settings.smallest) {
            kept.extend(&area);
        }
    }
    let mut out = Array2::from_elem((down, across), false);
    mark_around(&mut out, &kept, settings.guard.div_ceil(side));
    (!kept.is_empty()).then_some(out)
}

/// Marks the blocks (row, column) and those within `guard` blocks of them.
fn mark_around(out: &mut Array2<bool>, kept: &[(usize, usize)], guard: usize) {
    let (down, across) = out.dim();
    for &(r, c) in kept {
        let rows = r.saturating_sub(guard)..(r + guard + 1).min(down);
        let columns = c.saturating_sub(guard)..(c + guard + 1).min(across);
        out.slice_mut(ndarray::s![rows, columns]).fill(true);
    }
}
