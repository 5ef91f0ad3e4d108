//! Connected regions of a picture (four neighbours), by runs along rows joined from row to row.
use ndarray::{Array2, Axis};
use rayon::prelude::*;

/// Count and moments of the pixels of a region; coordinates of pixel centres, corner origin.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Region {
    pub pixels: usize,
    pub x: f64,
    pub y: f64,
    pub xx: f64,
    pub xy: f64,
    pub yy: f64,
    /// Sum of the value.
    pub log: f64,
}

/// Pixels `start..end` of one row, and the sum of their value.
#[derive(Clone, Copy)]
struct Run {
    start: u32,
    end: u32,
    log: f32,
}

/// Regions of pixels for which `inside(mark)` holds, in no particular order.
pub(super) fn connected(
    value: &Array2<f32>,
    mark: &Array2<u8>,
    inside: impl Fn(u8) -> bool + Sync,
) -> Vec<Region> {
    let rows: Vec<Vec<Run>> = value
        .axis_iter(Axis(0))
        .into_par_iter()
        .zip(mark.axis_iter(Axis(0)))
        .map(|(v, m)| runs(v.iter().zip(m), &inside))
        .collect();
    let firsts: Vec<usize> = rows
        .iter()
        .scan(0, |next, row| {
            let first = *next;
            *next += row.len();
            Some(first)
        })
        .collect();
    let count = rows.iter().map(Vec::len).sum();
    let mut groups = Groups::of(count);
    for r in 1..rows.len() {
        join(
            &mut groups,
            (&rows[r - 1], firsts[r - 1]),
            (&rows[r], firsts[r]),
        );
    }
    gathered(&rows, groups)
}

fn runs<'a>(
    line: impl Iterator<Item = (&'a f32, &'a u8)>,
    inside: &impl Fn(u8) -> bool,
) -> Vec<Run> {
    let mut found: Vec<Run> = Vec::new();
    let mut open = false;
    for (c, (&v, &mark)) in line.enumerate() {
        if !inside(mark) {
            open = false;
            continue;
        }
        let c = c as u32;
        match found.last_mut().filter(|_| open) {
            Some(run) => {
                run.end = c + 1;
                run.log += v;
            }
            None => found.push(Run {
                start: c,
                end: c + 1,
                log: v,
            }),
        }
        open = true;
    }
    found
}

/// Joins runs of two neighbouring rows that share a column.
fn join(groups: &mut Groups, (above, a0): (&[Run], usize), (below, b0): (&[Run], usize)) {
    let (mut a, mut b) = (0, 0);
    while a < above.len() && b < below.len() {
        let (p, q) = (above[a], below[b]);
        if p.start < q.end && q.start < p.end {
            groups.join(a0 + a, b0 + b);
        }
        if p.end < q.end {
            a += 1;
        } else {
            b += 1;
        }
    }
}

fn gathered(rows: &[Vec<Run>], mut groups: Groups) -> Vec<Region> {
    let mut regions: Vec<Region> = Vec::new();
    let mut number = vec![u32::MAX; groups.parent.len()];
    let mut index = 0;
    for (r, row) in rows.iter().enumerate() {
        for run in row {
            let root = groups.root(index);
            index += 1;
            if number[root] == u32::MAX {
                number[root] = regions.len() as u32;
                regions.push(Region::default());
            }
            regions[number[root] as usize].add(r, run);
        }
    }
    regions
}

impl Region {
    fn add(&mut self, row: usize, run: &Run) {
        let n = f64::from(run.end - run.start);
        let (x, y) = (f64::from(run.start + run.end) / 2.0, row as f64 + 0.5);
        self.pixels += (run.end - run.start) as usize;
        self.x += n * x;
        self.y += n * y;
        // Sum of the squares of n numbers one apart about their mean: n (n^2 - 1) / 12.
        self.xx += n * x * x + n * (n * n - 1.0) / 12.0;
        self.xy += n * x * y;
        self.yy += n * y * y;
        self.log += f64::from(run.log);
    }
}

/// Disjoint sets with path halving.
struct Groups {
    parent: Vec<u32>,
}

impl Groups {
    fn of(count: usize) -> Self {
        Groups {
            parent: (0..count as u32).collect(),
        }
    }

    fn root(&mut self, mut i: usize) -> usize {
        while self.parent[i] as usize != i {
            let up = self.parent[self.parent[i] as usize];
            self.parent[i] = up;
            i = up as usize;
        }
        i
    }

    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        let (low, high) = (a.min(b), a.max(b));
        self.parent[high] = low as u32;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};

    /// The slow twin: flood fill, pixel by pixel.
    fn flooded(inside: &Array2<bool>, value: &Array2<f32>) -> Vec<Region> {
        let (rows, columns) = inside.dim();
        let mut seen = Array2::from_elem((rows, columns), false);
        let mut found = Vec::new();
        for start in 0..rows * columns {
            let at = (start / columns, start % columns);
            if seen[at] || !inside[at] {
                continue;
            }
            let mut region = Region::default();
            let mut stack = vec![at];
            seen[at] = true;
            while let Some((r, c)) = stack.pop() {
                let (x, y) = (c as f64 + 0.5, r as f64 + 0.5);
                region.pixels += 1;
                region.x += x;
                region.y += y;
                region.xx += x * x;
                region.xy += x * y;
                region.yy += y * y;
                region.log += f64::from(value[[r, c]]);
                let steps = [
                    (r.wrapping_sub(1), c),
                    (r + 1, c),
                    (r, c.wrapping_sub(1)),
                    (r, c + 1),
                ];
                for (r, c) in steps {
                    if r < rows && c < columns && inside[[r, c]] && !seen[[r, c]] {
                        seen[[r, c]] = true;
                        stack.push((r, c));
                    }
                }
            }
            found.push(region);
        }
        found
    }

    #[test]
    fn regions_are_those_of_a_flood_fill() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        for share in [0.0, 0.3, 0.55, 0.62, 0.9, 1.0] {
            let inside = Array2::from_shape_fn((37, 53), |_| rng.random_bool(share));
            let value = Array2::from_shape_fn((37, 53), |(r, c)| (r * 7 + c) as f32);
            let mut got = connected(&value, &inside.mapv(u8::from), |mark| mark == 1);
            let mut expected = flooded(&inside, &value);
            let key = |r: &Region| (r.pixels, r.x as i64, r.y as i64);
            got.sort_by_key(key);
            expected.sort_by_key(key);
            assert_eq!(got.len(), expected.len());
            for (a, b) in got.iter().zip(&expected) {
                let near = |p: f64, q: f64| (p - q).abs() < 1e-6 * q.abs().max(1.0);
                assert_eq!(a.pixels, b.pixels);
                assert!(near(a.xx, b.xx) && near(a.xy, b.xy) && near(a.yy, b.yy));
                assert!(near(a.log, b.log));
            }
        }
    }
}
