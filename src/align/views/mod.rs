//! Registration of pictures of one subject by different cameras: another size, field of view, exposure and rendering.
//!
//! In reading order: points that can be found again (`keypoints`), their surroundings and which match (`descriptors`), and here the
//! homography that most matches agree on (Fischler and Bolles 1981), with the criterion by which it is accepted, and single places carried
//! from one picture to the other. A homography describes a plane, or cameras at one place: near a place the matches around it correct it.
mod descriptors;
mod keypoints;

use super::signal::Small;
use descriptors::{describe, matches};
use keypoints::{ScaleSpace, small};
use rand::SeedableRng;
use rand::seq::index::sample;
use stopspan_core::model::{Homography, distance, is_convex_page};
use stopspan_core::raster::{Pixels, Point, Quad};

/// Largest longer side of the planes searched, pixels.
const SIDE: usize = 640;
/// Samples of four matches tried.
const TRIES: usize = 3000;
/// Largest residual of a match that agrees with a homography, share of the other picture's diagonal.
const AGREES: f64 = 0.006;
/// The same of a match that may correct the homography near a place: things in front of the plane lie elsewhere.
const NEARLY: f64 = 0.03;
/// A homography is accepted if more matches agree with it than 8 and 0.3 of those in the common area (Brown and Lowe 2007).
const ACCEPTED: (f64, f64) = (8.0, 0.3);
/// Range of scales, pixels of the other picture per pixel of the first and per ratio of their widths.
const SCALES: (f64, f64) = (0.15, 7.0);
/// Farthest match that supports a place, and how many are wanted, share of the picture's diagonal.
const SUPPORT: (f64, usize) = (0.15, 3);

/// Two pictures of one subject, registered.
#[derive(Debug, Clone)]
pub struct RegisteredViews {
    map: Homography,
    /// Matches that nearly agree, in pixels of both pictures.
    matches: Vec<(Point, Point)>,
    /// Diagonal of the first picture, pixels.
    diagonal: f64,
    /// Matches that agree with the homography.
    pub agreeing: usize,
}

/// Why two pictures were not registered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TooFewMatches {
    /// Matches that agree with the best homography.
    pub agreeing: usize,
    /// Matches that would have been needed.
    pub needed: usize,
}

/// A place in the other picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Carried {
    /// Where it is, pixels of the other picture.
    pub at: Point,
    /// Pixels of the other picture per pixel of the first, there.
    pub scale: f64,
}

/// Registers `second` to `first` by features that survive other exposure, rendering, size and field of view.
///
/// # Errors
/// [`TooFewMatches`] where the registration would be doubtful.
pub fn register_views(first: &Pixels, second: &Pixels) -> Result<RegisteredViews, TooFewMatches> {
    let (a, b) = (Features::of(first), Features::of(second));
    let pairs: Vec<(Point, Point)> = matches(&a.descriptors, &b.descriptors)
        .into_iter()
        .map(|(i, j)| (a.places[i], b.places[j]))
        .collect();
    let diagonal = |p: &Pixels| (p.columns() as f64).hypot(p.rows() as f64);
    let widths = second.columns() as f64 / first.columns() as f64;
    let tolerance = AGREES * diagonal(second);
    let refused = |agreeing: usize, common: usize| TooFewMatches {
        agreeing,
        needed: (ACCEPTED.0 + ACCEPTED.1 * common as f64).floor() as usize + 1,
    };
    let Some(map) = agreed(&pairs, tolerance, corners(first), widths) else {
        return Err(refused(0, pairs.len()));
    };
    let agreeing = inliers(&map, &pairs, tolerance).len();
    let common = in_common(&map, &pairs, second);
    let verdict = refused(agreeing, common);
    if agreeing < verdict.needed {
        return Err(verdict);
    }
    Ok(RegisteredViews {
        map,
        matches: inliers(&map, &pairs, NEARLY * diagonal(second)),
        diagonal: diagonal(first),
        agreeing,
    })
}

impl RegisteredViews {
    /// Carries a place of the first picture to the second. `None` where too few matches lie around it.
    pub fn carry(&self, place: Point) -> Option<Carried> {
        let reach = SUPPORT.0 * self.diagonal;
        let mut near: Vec<(f64, Point, Point)> = self
            .matches
            .iter()
            .map(|(p, q)| (distance(*p, place), *p, *q))
            .filter(|(far, ..)| *far < reach)
            .collect();
        if near.len() < SUPPORT.1 {
            return None;
        }
        near.sort_by(|a, b| a.0.total_cmp(&b.0));
        near.truncate(9);
        let middle = |of: &dyn Fn(&(f64, Point, Point)) -> f64| {
            let mut list: Vec<f64> = near.iter().map(of).collect();
            list.sort_by(f64::total_cmp);
            list[list.len() / 2]
        };
        let x = middle(&|(_, p, q)| q.x - self.map.map(*p).x);
        let y = middle(&|(_, p, q)| q.y - self.map.map(*p).y);
        let at = self.map.map(place);
        let step = |dx: f64, dy: f64| {
            let moved = self.map.map(Point {
                x: place.x + dx,
                y: place.y + dy,
            });
            (moved.x - at.x, moved.y - at.y)
        };
        let ((a, b), (c, d)) = (step(1.0, 0.0), step(0.0, 1.0));
        let scale = (a * d - b * c).abs().sqrt();
        let found = Point {
            x: at.x + x,
            y: at.y + y,
        };
        (found.x.is_finite() && found.y.is_finite() && scale > 0.0)
            .then_some(Carried { at: found, scale })
    }
}

/// Points of a picture with their surroundings, in the picture's pixels.
struct Features {
    places: Vec<Point>,
    descriptors: Vec<descriptors::Descriptor>,
}

impl Features {
    fn of(pixels: &Pixels) -> Self {
        let reduced = Small::new(pixels);
        let (plane, factor) = small(reduced.luma, SIDE);
        let pitch = (reduced.block * factor) as f64;
        let space = ScaleSpace::of(&plane);
        let points = space.keypoints();
        let places = points.iter().map(|p| {
            let octave = 2f64.powi(p.octave as i32);
            Point {
                x: (f64::from(p.column) * octave + 0.5) * pitch,
                y: (f64::from(p.row) * octave + 0.5) * pitch,
            }
        });
        Features {
            places: places.collect(),
            descriptors: describe(&space, &points),
        }
    }
}

fn corners(pixels: &Pixels) -> Quad {
    let (x, y) = (pixels.columns() as f64, pixels.rows() as f64);
    [(0.0, 0.0), (x, 0.0), (x, y), (0.0, y)].map(|(x, y)| Point { x, y })
}

/// The homography that most matches agree with, fitted to all of them.
fn agreed(
    pairs: &[(Point, Point)],
    tolerance: f64,
    corners: Quad,
    widths: f64,
) -> Option<Homography> {
    if pairs.len() < 4 {
        return None;
    }
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(11);
    let mut best: Option<(usize, Homography)> = None;
    for _ in 0..TRIES {
        let four = sample(&mut random, pairs.len(), 4);
        let chosen: Vec<(Point, Point)> = four.iter().map(|i| pairs[i]).collect();
        let Some(map) = fitted(&chosen).filter(|m| is_plausible(m, &corners, widths)) else {
            continue;
        };
        let count = inliers(&map, pairs, tolerance).len();
        if best.as_ref().is_none_or(|b| count > b.0) {
            best = Some((count, map));
        }
    }
    let (_, mut map) = best?;
    for _ in 0..5 {
        let better = fitted(&inliers(&map, pairs, tolerance));
        let Some(better) = better.filter(|m| is_plausible(m, &corners, widths)) else {
            break;
        };
        map = better;
    }
    Some(map)
}

fn fitted(pairs: &[(Point, Point)]) -> Option<Homography> {
    let (from, to): (Vec<Point>, Vec<Point>) = pairs.iter().copied().unzip();
    Homography::fitted(&from, &to)
}

/// Matches within `tolerance` pixels of where the homography puts them.
fn inliers(map: &Homography, pairs: &[(Point, Point)], tolerance: f64) -> Vec<(Point, Point)> {
    let agrees = |(p, q): &&(Point, Point)| distance(map.map(*p), *q) < tolerance;
    pairs.iter().filter(agrees).copied().collect()
}

/// Matches whose first point lies within the second picture by the homography.
fn in_common(map: &Homography, pairs: &[(Point, Point)], second: &Pixels) -> usize {
    let (x, y) = (second.columns() as f64, second.rows() as f64);
    let inside = |(p, _): &&(Point, Point)| {
        let q = map.map(*p);
        (0.0..x).contains(&q.x) && (0.0..y).contains(&q.y)
    };
    pairs.iter().filter(inside).count()
}

/// True if the first picture stays a convex quadrilateral of upright order and credible size.
fn is_plausible(map: &Homography, corners: &Quad, widths: f64) -> bool {
    let seen = map.map_quad(corners);
    let sides = |q: &Quad| [0, 1, 2, 3].map(|i| distance(q[i], q[(i + 1) % 4]));
    let credible = sides(corners).iter().zip(sides(&seen)).all(|(a, b)| {
        let scale = b / a / widths;
        (SCALES.0..SCALES.1).contains(&scale)
    });
    credible && is_convex_page(&seen) && seen.iter().all(|p| p.x.is_finite() && p.y.is_finite())
}

#[cfg(test)]
mod tests;
