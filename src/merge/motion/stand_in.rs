//! Where something moved before what the reference clips: another frame's light, the best exposed that is not clipped there.
//!
//! The reference says "at least" there and no more, so the light around what moved comes from frames with less exposure. What
//! moved is then shown whole as one of them saw it: the reference's own view would leave holes at its clip level, and a second
//! image where the other frame saw the thing.
use super::view::View;
use ndarray::{Array2, ArrayViewMut1};
use stopspan_core::model::Bracket;

/// Areas nearer to each other than twice this many blocks are shown by the same frame; as far around them it is looked whether
/// the reference is clipped.
const NEAR: usize = 8;
/// Share of what is around an area that the reference must have clipped.
const MOSTLY: f64 = 0.5;
/// Share of an area that it must have clipped: a thing a quarter of which is before what the reference clips leaves a sixth of its
/// places in three frames so, and would there be seen twice.
const PARTLY: f64 = 0.1;
/// Share of an area that a frame may have clipped to stand in there.
const CLIPPED: f64 = 0.05;
/// Every so many rows of blocks are counted.
const COUNTED: usize = 2;

/// Blocks counted, and those of them that the reference has clipped.
#[derive(Default, Clone, Copy)]
struct Count {
    all: usize,
    clipped: usize,
}

impl Count {
    fn clipped_beyond(self, share: f64) -> bool {
        self.clipped as f64 > share * self.all as f64
    }
}

/// Areas that belong together.
#[derive(Default, Clone)]
struct Group {
    inside: Count,
    around: Count,
    /// By frame: blocks inside that it has clipped or does not cover.
    of_frame: Vec<usize>,
}

/// Puts the frame that stands in alone where the reference cannot show what is there: every other bit of the mask is set.
pub(super) fn choose(left_out: &mut Array2<u32>, views: &[View], bracket: &Bracket) {
    let labels = labels(&near(left_out));
    let groups = count(&labels, left_out, views, bracket.reference);
    let frames: Vec<Option<u32>> = groups
        .iter()
        .map(|group| stand_in(group, bracket).map(|j| !(1u32 << j) & all(views.len())))
        .collect();
    for (mask, &label) in left_out.iter_mut().zip(&labels) {
        let others = frames.get(label as usize).copied().flatten();
        if let (true, Some(others)) = (*mask != 0, others) {
            *mask = others;
        }
    }
}

/// A bit for each of `count` frames.
fn all(count: usize) -> u32 {
    u32::MAX >> (32 - count.clamp(1, 32))
}

fn stand_in(group: &Group, bracket: &Bracket) -> Option<usize> {
    if !(group.inside.clipped_beyond(PARTLY) || group.around.clipped_beyond(MOSTLY)) {
        return None;
    }
    let unclipped = |&j: &usize| {
        let clipped = group.of_frame.get(j).copied().unwrap_or(usize::MAX);
        j != bracket.reference && (clipped as f64) < CLIPPED * group.inside.all as f64
    };
    let exposure = |j: usize| bracket.relative_exposure(j);
    (0..bracket.frames.len())
        .filter(unclipped)
        .max_by(|&a, &b| exposure(a).total_cmp(&exposure(b)))
}

/// What lies within [`NEAR`] blocks of what moved, both ways.
fn near(left_out: &Array2<u32>) -> Array2<bool> {
    let mut out = left_out.mapv(|mask| mask != 0);
    out.rows_mut().into_iter().for_each(widen);
    out.columns_mut().into_iter().for_each(widen);
    out
}

fn widen(mut lane: ArrayViewMut1<bool>) {
    let mut below = vec![0usize];
    for marked in &lane {
        below.push(below[below.len() - 1] + usize::from(*marked));
    }
    let last = lane.len();
    for (i, out) in lane.iter_mut().enumerate() {
        *out = below[(i + NEAR + 1).min(last)] > below[i.saturating_sub(NEAR)];
    }
}

/// Connected areas numbered from 1; 0 elsewhere.
fn labels(marked: &Array2<bool>) -> Array2<u32> {
    let (down, across) = marked.dim();
    let mut labels = Array2::<u32>::zeros((down, across));
    let mut last = 0;
    let mut open = Vec::new();
    for ((row, column), _) in marked.indexed_iter().filter(|(_, m)| **m) {
        if labels[[row, column]] != 0 {
            continue;
        }
        last += 1;
        labels[[row, column]] = last;
        open.push((row, column));
        while let Some((r, c)) = open.pop() {
            for r in r.saturating_sub(1)..=(r + 1).min(down - 1) {
                for c in c.saturating_sub(1)..=(c + 1).min(across - 1) {
                    if marked[[r, c]] && labels[[r, c]] == 0 {
                        labels[[r, c]] = last;
                        open.push((r, c));
                    }
                }
            }
        }
    }
    labels
}

/// By label, what every frame has clipped there; entry 0 stays empty.
fn count(
    labels: &Array2<u32>,
    left_out: &Array2<u32>,
    views: &[View],
    reference: usize,
) -> Vec<Group> {
    let last = labels.iter().copied().max().unwrap_or(0) as usize;
    let empty = Group {
        of_frame: vec![0; views.len()],
        ..Group::default()
    };
    let mut groups = vec![empty; last + 1];
    let mut lines: Vec<_> = views.iter().map(View::line).collect();
    for row in (0..labels.nrows()).step_by(COUNTED) {
        if labels.row(row).iter().all(|&l| l == 0) {
            continue;
        }
        for (view, line) in views.iter().zip(&mut lines) {
            view.read(row, line);
        }
        let blocks = labels.row(row).into_iter().zip(left_out.row(row));
        for (i, (&label, &mask)) in blocks.enumerate().filter(|(_, (l, _))| **l != 0) {
            let clipped = |j: usize| lines[j].iter().any(|words| words.most[i] == 0.0);
            let group = &mut groups[label as usize];
            let counted = if mask != 0 {
                &mut group.inside
            } else {
                &mut group.around
            };
            counted.all += 1;
            counted.clipped += usize::from(clipped(reference));
            if mask != 0 {
                for (j, count) in group.of_frame.iter_mut().enumerate() {
                    *count += usize::from(clipped(j));
                }
            }
        }
    }
    groups
}
