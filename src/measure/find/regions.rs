//! Connected regions of a picture (four neighbours), from runs along rows that are joined between rows.
use ndarray::Array2;
use rayon::prelude::*;
use std::ops::RangeInclusive;

/// Count and moments of the pixels of a region; positions are pixel centres, origin at the corner.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Region {
    pub pixels: usize,
    pub x: f64,
    pub y: f64,
    pub xx: f64,
    pub xy: f64,
    pub yy: f64,
    /// Sum of the values.
    pub log: f64,
}

/// Rows handled by one parallel task.
const BAND: usize = 64;

/// Regions of pixels marked at most `most` whose size is within `wanted` pixels, in the order of their first pixels. Marks
/// are below 128; both planes are in standard layout.
pub(super) fn connected(
    value: &Array2<f32>,
    mark: &Array2<u8>,
    most: u8,
    wanted: RangeInclusive<usize>,
) -> Vec<Region> {
    let columns = mark.ncols();
    let (Some(values), Some(marks), 1..) = (value.as_slice(), mark.as_slice(), columns) else {
        return Vec::new();
    };
    let mut bands: Vec<Band> = marks
        .par_chunks(BAND * columns)
        .map(|rows| Band::of(rows, columns, most))
        .collect();
    let (mut groups, firsts) = together(&mut bands);
    let lengths = bands.iter().flat_map(|band| &band.runs).map(Run::length);
    let counts = groups.counts(lengths);
    let chosen: Vec<Vec<Chosen>> = (&bands, &firsts, values.par_chunks(BAND * columns))
        .into_par_iter()
        .map(|(band, &first, values)| {
            let runs = band.numbered_runs();
            let root = |number: usize| groups.parent[first + number];
            runs.filter(|(number, ..)| wanted.contains(&(counts[root(*number) as usize] as usize)))
                .map(|(number, row, run)| Chosen {
                    root: root(number),
                    row,
                    run,
                    value: values[row * columns..][run.start as usize..run.end as usize]
                        .iter()
                        .sum(),
                })
                .collect()
        })
        .collect();
    gathered(&chosen, counts)
}

/// Pixels `start..end` of one row.
#[derive(Clone, Copy)]
struct Run {
    start: u32,
    end: u32,
}

impl Run {
    fn length(&self) -> u32 {
        self.end - self.start
    }
}

/// A run of a wanted region: index of the region's first run, row within its band, sum of its values.
struct Chosen {
    root: u32,
    row: usize,
    run: Run,
    value: f32,
}

/// Runs of some rows; runs that touch share a group.
struct Band {
    runs: Vec<Run>,
    /// Index of the first run of every row, and the number of all runs.
    rows: Vec<usize>,
    groups: Groups,
}

impl Band {
    fn of(marks: &[u8], columns: usize, most: u8) -> Self {
        let (mut runs, mut rows) = (Vec::new(), vec![0]);
        let mut ends = Vec::new();
        for marks in marks.chunks_exact(columns) {
            ends.clear();
            ends_of_runs(marks, most, &mut ends);
            let pairs = ends.as_chunks::<2>().0.iter();
            runs.extend(pairs.map(|&[start, end]| Run { start, end }));
            rows.push(runs.len());
        }
        let mut band = Band {
            groups: Groups::of(runs.len()),
            runs,
            rows,
        };
        for r in 1..band.rows.len() - 1 {
            let [first, middle, end] = [r - 1, r, r + 1].map(|k| band.rows[k]);
            let above = RunRow {
                runs: &band.runs[first..middle],
                first,
            };
            let below = RunRow {
                runs: &band.runs[middle..end],
                first: middle,
            };
            join(&mut band.groups, above, below);
        }
        band
    }

    fn row(&self, row: usize) -> RunRow<'_> {
        RunRow {
            runs: &self.runs[self.rows[row]..self.rows[row + 1]],
            first: self.rows[row],
        }
    }

    /// (index, row, run) of every run.
    fn numbered_runs(&self) -> impl Iterator<Item = (usize, usize, Run)> {
        let rows = 0..self.rows.len() - 1;
        rows.flat_map(|row| {
            let RunRow { runs, first } = self.row(row);
            let numbered = runs.iter().zip(first..);
            numbered.map(move |(run, number)| (number, row, *run))
        })
    }
}

/// Alternating starts and ends of the runs of marks up to `most`, eight pixels at a time. Marks beyond the row count as
/// larger.
fn ends_of_runs(marks: &[u8], most: u8, ends: &mut Vec<u32>) {
    const EACH: u64 = 0x0101_0101_0101_0101;
    let (words, rest) = marks.as_chunks::<8>();
    let mut last = [u8::MAX >> 1; 8];
    last[..rest.len()].copy_from_slice(rest);
    let mut before = 0;
    for (at, word) in (0..).step_by(8).zip(words.iter().chain([&last])) {
        // The highest bit of a byte is set where the mark exceeds `most`.
        let larger = u64::from_le_bytes(*word) + u64::from(0x7f - most) * EACH;
        let inside = !larger >> 7 & EACH;
        // Collects each byte's bit in one byte, the first pixel lowest.
        let bits = inside.wrapping_mul(0x0102_0408_1020_4080) >> 56;
        let mut changes = bits ^ (bits << 1 | before);
        before = bits >> 7;
        changes &= 0xff;
        while changes != 0 {
            ends.push(at + changes.trailing_zeros());
            changes &= changes - 1;
        }
    }
}

/// The runs of one row, and the index of the first of them.
struct RunRow<'a> {
    runs: &'a [Run],
    first: usize,
}

/// Joins runs of two neighbouring rows that share a column.
fn join(groups: &mut Groups, above: RunRow, below: RunRow) {
    let (mut a, mut b) = (0, 0);
    while a < above.runs.len() && b < below.runs.len() {
        let (p, q) = (above.runs[a], below.runs[b]);
        if p.start < q.end && q.start < p.end {
            groups.join(above.first + a, below.first + b);
        }
        if p.end < q.end {
            a += 1;
        } else {
            b += 1;
        }
    }
}

/// The groups of all bands, joined where the bands meet, and the offset of each band's run indices.
fn together(bands: &mut [Band]) -> (Groups, Vec<usize>) {
    let (mut groups, mut firsts) = (Groups::of(0), Vec::new());
    for band in &mut *bands {
        let first = groups.parent.len();
        let own = std::mem::replace(&mut band.groups, Groups::of(0));
        groups
            .parent
            .extend(own.parent.iter().map(|p| p + first as u32));
        firsts.push(first);
    }
    for (k, pair) in bands.windows(2).enumerate() {
        let mut above = pair[0].row(pair[0].rows.len() - 2);
        let mut below = pair[1].row(0);
        above.first += firsts[k];
        below.first += firsts[k + 1];
        join(&mut groups, above, below);
    }
    (groups, firsts)
}

/// The regions of the chosen runs; `room` has one element per run.
fn gathered(chosen: &[Vec<Chosen>], mut room: Vec<u32>) -> Vec<Region> {
    let mut regions: Vec<Region> = Vec::new();
    // Index of the region plus one, at each region's first run.
    room.fill(0);
    for (band, chosen) in chosen.iter().enumerate() {
        for one in chosen {
            let number = &mut room[one.root as usize];
            if *number == 0 {
                regions.push(Region::default());
                *number = regions.len() as u32;
            }
            regions[*number as usize - 1].add(band * BAND + one.row, one);
        }
    }
    regions
}

impl Region {
    fn add(&mut self, row: usize, Chosen { run, value, .. }: &Chosen) {
        let n = f64::from(run.length());
        let (x, y) = (f64::from(run.start + run.end) / 2.0, row as f64 + 0.5);
        self.pixels += run.length() as usize;
        self.x += n * x;
        self.y += n * y;
        // Sum of the squares of n numbers one apart about their mean: n (n^2 - 1) / 12.
        self.xx += n * x * x + n * (n * n - 1.0) / 12.0;
        self.xy += n * x * y;
        self.yy += n * y * y;
        self.log += f64::from(*value);
    }
}

/// Disjoint sets with path halving; the smallest member of a set is its root.
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

    /// Points every member directly to its root, and sums the `lengths` of each set at its root.
    fn counts(&mut self, lengths: impl Iterator<Item = u32>) -> Vec<u32> {
        let mut counts = vec![0; self.parent.len()];
        for (i, length) in lengths.enumerate() {
            // Parents have smaller indices, so theirs are done.
            let root = self.parent[self.parent[i] as usize];
            self.parent[i] = root;
            counts[root as usize] += length;
        }
        counts
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
        let shapes = [
            ((37, 53), 0..=usize::MAX),
            ((150, 64), 3..=20),
            ((64, 3), 1..=9),
        ];
        let shares = [0.0, 0.3, 0.55, 0.62, 0.9, 1.0];
        for (share, (shape, wanted)) in shares
            .iter()
            .flat_map(|s| shapes.iter().map(move |t| (*s, t)))
        {
            let inside = Array2::from_shape_fn(*shape, |_| rng.random_bool(share));
            let value = Array2::from_shape_fn(*shape, |(r, c)| (r * 7 + c) as f32);
            let mark = inside.mapv(|i| if i { rng.random_range(0..3) } else { 3 });
            let mut got = connected(&value, &mark, 2, wanted.clone());
            let mut expected = flooded(&inside, &value);
            expected.retain(|r| wanted.contains(&r.pixels));
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
