//! Chains of equally spaced patches of similar shape that fall steadily in light: the seeds of a lattice.
use super::flat::Patch;
use super::lattice::Lattice;
use stopspan_core::raster::Point;

/// Largest number of lattices returned.
const MOST: usize = 12;
/// Smallest and largest step between neighbours, stops.
const STEP: (f64, f64) = (0.06, 2.5);

/// Lattices grown from chains of at least three patches, those with most patches first.
pub(super) fn lattices(patches: &[Patch]) -> Vec<Lattice> {
    let index = Index::of(patches);
    let mut used = vec![false; patches.len()];
    let mut found: Vec<Lattice> = Vec::new();
    for a in 0..patches.len() {
        if used[a] {
            continue;
        }
        let mut chains: Vec<Vec<usize>> = index
            .near(
                patches[a].centre,
                2.5 * patches[a].area.sqrt().max(longest(&patches[a])),
            )
            .filter_map(|b| chain(patches, &index, a, b))
            .filter(|c| c.len() >= 3)
            .collect();
        chains.sort_by_key(Vec::len);
        let grown = |chain: &Vec<usize>| Lattice::grown(patches, &index, chain);
        if let Some(lattice) = chains.iter().rev().find_map(grown) {
            lattice.members().for_each(|i| used[i] = true);
            found.push(lattice);
        }
    }
    found.sort_by_key(|l| std::cmp::Reverse(l.members().count()));
    found.truncate(MOST);
    found
}

fn longest(patch: &Patch) -> f64 {
    (12.0 * patch.moments[0].max(patch.moments[2])).sqrt()
}

/// The chain through `a` and then `b`, extended both ways.
fn chain(patches: &[Patch], index: &Index, a: usize, b: usize) -> Option<Vec<usize>> {
    if a == b || !patches[a].like(&patches[b]) || !neighbours(&patches[a], &patches[b]) {
        return None;
    }
    let falling = patches[b].log < patches[a].log;
    let mut chain = vec![a, b];
    for forward in [true, false] {
        loop {
            let n = chain.len();
            let (last, before) = if forward {
                (chain[n - 1], chain[n - 2])
            } else {
                (chain[0], chain[1])
            };
            let (p, q) = (&patches[last], &patches[before]);
            let next = Point {
                x: 2.0 * p.centre.x - q.centre.x,
                y: 2.0 * p.centre.y - q.centre.y,
            };
            let pitch = (p.centre.x - q.centre.x).hypot(p.centre.y - q.centre.y);
            let want = falling == forward;
            let fits = |i: &usize| {
                let step = p.log - patches[*i].log;
                let step = if want { step } else { -step };
                patches[*i].like(p) && !chain.contains(i) && (STEP.0..=STEP.1).contains(&step)
            };
            let Some(found) = index.near(next, 0.2 * pitch).find(fits) else {
                break;
            };
            if forward {
                chain.push(found);
            } else {
                chain.insert(0, found);
            }
        }
    }
    Some(chain)
}

/// True if two patches can be neighbours on a wedge: from touching to one side length apart, with a step in light.
fn neighbours(a: &Patch, b: &Patch) -> bool {
    let (dx, dy) = (b.centre.x - a.centre.x, b.centre.y - a.centre.y);
    let distance = dx.hypot(dy);
    let Some((along, _)) = a.sides((dx / distance, dy / distance)) else {
        return false;
    };
    let step = (a.log - b.log).abs();
    (0.85 * along..=2.0 * along).contains(&distance) && (STEP.0..=STEP.1).contains(&step)
}

/// Spatial index of patches for finding those near a point.
pub(super) struct Index {
    cell: f64,
    width: usize,
    height: usize,
    cells: Vec<Vec<usize>>,
    centres: Vec<Point>,
}

impl Index {
    pub fn of(patches: &[Patch]) -> Self {
        let centres: Vec<Point> = patches.iter().map(|p| p.centre).collect();
        let extent = |f: fn(&Point) -> f64| centres.iter().map(f).fold(1.0, f64::max);
        let cell = 24.0;
        let (width, height) = (
            (extent(|p| p.x) / cell) as usize + 1,
            (extent(|p| p.y) / cell) as usize + 1,
        );
        let mut cells = vec![Vec::new(); width * height];
        for (i, p) in centres.iter().enumerate() {
            cells[(p.y / cell) as usize * width + (p.x / cell) as usize].push(i);
        }
        Index {
            cell,
            width,
            height,
            cells,
            centres,
        }
    }

    /// Indices of the patches with centres within `radius`, pixels.
    pub fn near(&self, p: Point, radius: f64) -> impl Iterator<Item = usize> + '_ {
        let bound = |v: f64, end: usize| ((v / self.cell).max(0.0) as usize).min(end - 1);
        let columns = bound(p.x - radius, self.width)..=bound(p.x + radius, self.width);
        let rows = bound(p.y - radius, self.height)..=bound(p.y + radius, self.height);
        rows.flat_map(move |r| columns.clone().map(move |c| r * self.width + c))
            .flat_map(|i| self.cells[i].iter().copied())
            .filter(move |&i| {
                let c = self.centres[i];
                (c.x - p.x).hypot(c.y - p.y) <= radius
            })
    }
}
