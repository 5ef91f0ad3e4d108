//! Chooses the frame to show where something moved in front of an area that the reference clips: the one with most
//! exposure that is not clipped there.
//!
//! A clipped reference gives only a lower bound, so the light around the moving object comes from frames with less exposure.
//! The object is then taken whole from one of those: taken from the reference it would have holes at the clip level, and
//! appear a second time where the other frame saw it.
use super::view::View;
use ndarray::{Array2, ArrayViewMut1};
use stopspan_core::model::Bracket;

/// Width of the surroundings of an area, blocks. Areas whose surroundings touch are shown by the same frame.
const NEAR: usize = 8;
/// Share of the surroundings above which the reference counts as clipped there.
const MOSTLY: f64 = 0.5;
/// Share of the area itself above which the reference counts as clipped there. An object of which a quarter lies in front of
/// clipped background leaves a sixth of its positions in three frames clipped, and would be seen twice there.
const PARTLY: f64 = 0.1;
/// Largest share of an area that the frame chosen may have clipped.
const CLIPPED: f64 = 0.05;
/// Largest share of an area that the frame chosen may have black: it would show little of it.
const BLACK: f64 = 0.5;
/// Step of the rows of blocks that are counted.
const COUNTED: usize = 2;

/// Number of blocks counted, and of those that the reference has clipped.
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

/// Counts over areas that are shown by the same frame.
#[derive(Default, Clone)]
struct Group {
    inside: Count,
    around: Count,
    /// By frame: number of blocks inside that it has clipped or does not cover, and of those that are black in every channel.
    of_frame: Vec<[usize; 2]>,
}

/// Excludes all frames but one, by setting their bits of the mask, in areas where the reference is clipped.
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

/// The frame to show in a group of areas; `None` if the reference is not clipped there, or every other frame is clipped or black.
fn stand_in(group: &Group, bracket: &Bracket) -> Option<usize> {
    if !(group.inside.clipped_beyond(PARTLY) || group.around.clipped_beyond(MOSTLY)) {
        return None;
    }
    let shows_it = |&j: &usize| {
        let all = group.inside.all as f64;
        let seen = |[clipped, black]: &[usize; 2]| {
            (*clipped as f64) < CLIPPED * all && (*black as f64) <= BLACK * all
        };
        j != bracket.reference && group.of_frame.get(j).is_some_and(seen)
    };
    let exposure = |j: usize| bracket.relative_exposure(j);
    (0..bracket.frames.len())
        .filter(shows_it)
        .max_by(|&a, &b| exposure(a).total_cmp(&exposure(b)))
}

/// Marks the blocks within [`NEAR`] rows and columns of a block with a mask.
fn near(left_out: &Array2<u32>) -> Array2<bool> {
    let mut out = left_out.mapv(|mask| mask != 0);
    out.rows_mut().into_iter().for_each(widen);
    out.columns_mut().into_iter().for_each(widen);
    out
}

/// Marks the elements within [`NEAR`] of a marked one.
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

/// Counts by label; entry 0 stays empty.
fn count(
    labels: &Array2<u32>,
    left_out: &Array2<u32>,
    views: &[View],
    reference: usize,
) -> Vec<Group> {
    let last = labels.iter().copied().max().unwrap_or(0) as usize;
    let empty = Group {
        of_frame: vec![[0; 2]; views.len()],
        ..Group::default()
    };
    let mut groups = vec![empty; last + 1];
    let mut lines: Vec<_> = views.iter().map(View::empty_rows).collect();
    for row in (0..labels.nrows()).step_by(COUNTED) {
        if labels.row(row).iter().all(|&l| l == 0) {
            continue;
        }
        for (view, line) in views.iter().zip(&mut lines) {
            view.read(row, line);
        }
        let blocks = labels.row(row).into_iter().zip(left_out.row(row));
        for (i, (&label, &mask)) in blocks.enumerate().filter(|(_, (l, _))| **l != 0) {
            let clipped = |j: usize| lines[j].iter().any(|row| row.at_most[i] == 0.0);
            let black = |j: usize| lines[j].iter().all(|row| row.at_least[i] == 0.0);
            let group = &mut groups[label as usize];
            let counted = if mask != 0 {
                &mut group.inside
            } else {
                &mut group.around
            };
            counted.all += 1;
            counted.clipped += usize::from(clipped(reference));
            if mask != 0 {
                for (j, [of_clipped, of_black]) in group.of_frame.iter_mut().enumerate() {
                    *of_clipped += usize::from(clipped(j));
                    *of_black += usize::from(black(j));
                }
            }
        }
    }
    groups
}
