//! Constant borders, which an earlier registration or an export left along the edges of frames.
//!
//! A line along an edge that has one and the same colour is no light of the scene if that colour does not follow the exposure: it
//! is the same in frames of different exposure, or it is black, or white, where a frame with less, or more, exposure is not.
//! Borders of turned frames are wedges: once the colour is known, lines are taken off at the edge that has most of it, until none has.
use stopspan_core::finding::Finding;
use stopspan_core::model::{Compression, Frame};
use stopspan_core::raster::{Pixels, Region};

/// Least share, 0..=1, of a line along an edge that has the border's colour.
const WHOLE_LINE: f64 = 0.98;
/// Share, 0..=1, of a line that makes it part of a border of a known colour.
const PART_OF_LINE: f64 = 0.005;
/// Largest share, 0..=1, of a frame's height or width that is a border at one edge.
const DEEPEST: f64 = 0.15;
/// Largest difference of levels of one colour in lossless frames, and in JPEG, 0..=1.
const ALIKE: (f32, f32) = (0.5 / 255.0, 4.0 / 255.0);
/// Pixels beyond the border that were mixed with it, in lossless frames, and in JPEG (one block).
const MIXED: (usize, usize) = (2, 8);
/// Levels up to which a colour is black, and from which it is white, 0..=1.
const EXTREMES: (f32, f32) = (4.0 / 255.0, 251.0 / 255.0);
/// Levels beyond which a line is not black, and not white, 0..=1.
const SEEN: (f32, f32) = (12.0 / 255.0, 243.0 / 255.0);
/// Pixels examined on a line.
const EXAMINED: usize = 512;

/// Colour, levels by channel; of one channel in all three where there is one.
type Colour = [f32; 3];

/// An edge of a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Edge {
    Top,
    Bottom,
    Left,
    Right,
}

const EDGES: [Edge; 4] = [Edge::Top, Edge::Bottom, Edge::Left, Edge::Right];

/// Finds the borders of frames sorted by exposure, and sets what they cover.
pub(super) fn exclude(frames: &mut [Frame], findings: &mut Vec<Finding>) {
    let views: Vec<View> = frames.iter().map(View::new).collect();
    let lines: Vec<[Option<Colour>; 4]> = views.iter().map(View::constant_edges).collect();
    let Some(colour) = border_colour(&views, &lines) else {
        return;
    };
    let found: Vec<Option<Region>> = views.iter().map(|v| v.without(colour)).collect();
    let mut widest = 0;
    for (frame, covered) in frames.iter_mut().zip(found) {
        if let Some(inner) = covered {
            let (rows, columns) = (frame.picture.pixels.rows(), frame.picture.pixels.columns());
            let below = rows - inner.rows().end;
            let beside = columns - inner.columns().end;
            widest = widest.max(inner.top.max(inner.left).max(below).max(beside));
        }
        frame.covered = covered;
    }
    let bordered = frames.iter().filter(|f| f.covered.is_some()).count();
    if bordered > 0 {
        findings.push(Finding::BordersLeftOut {
            frames: bordered,
            widest_px: widest,
        });
    }
}

/// The colour of the borders; `None` without.
fn border_colour(views: &[View], lines: &[[Option<Colour>; 4]]) -> Option<Colour> {
    let all = lines.iter().enumerate().flat_map(|(j, edges)| {
        let edges = EDGES.iter().zip(edges);
        edges.filter_map(move |(edge, colour)| Some((j, *edge, (*colour)?)))
    });
    let all: Vec<(usize, Edge, Colour)> = all.collect();
    let no_light = |&&(j, edge, colour): &&(usize, Edge, Colour)| {
        let least = colour.iter().copied().fold(f32::INFINITY, f32::min);
        let most = colour.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        let differ = |k: &usize| (views[*k].stops - views[j].stops).abs() > 0.5;
        let mut others = (0..views.len()).filter(differ);
        if most <= EXTREMES.0 {
            return others.any(|k| views[k].stops < views[j].stops && views[k].sees(edge, 0));
        }
        if least >= EXTREMES.1 {
            return others.any(|k| views[k].stops > views[j].stops && views[k].sees(edge, 1));
        }
        others.any(|k| {
            let again = all.iter().filter(|line| line.0 == k);
            again.clone().any(|line| alike(line.2, colour, ALIKE.1))
        })
    };
    all.iter().find(no_light).map(|line| line.2)
}

fn alike(a: Colour, b: Colour, tolerance: f32) -> bool {
    a.iter().zip(b).all(|(a, b)| (a - b).abs() <= tolerance)
}

/// A frame as it is examined here.
struct View<'a> {
    pixels: &'a Pixels,
    /// Exposure, stops.
    stops: f64,
    /// Largest difference of one colour, and pixels mixed with the border.
    tolerance: f32,
    mixed: usize,
}

impl<'a> View<'a> {
    fn new(frame: &'a Frame) -> Self {
        let jpeg = matches!(frame.picture.compression, Compression::Jpeg { .. });
        View {
            pixels: &frame.picture.pixels,
            stops: frame.exposure.used.value,
            tolerance: if jpeg { ALIKE.1 } else { ALIKE.0 },
            mixed: if jpeg { MIXED.1 } else { MIXED.0 },
        }
    }

    /// Number of lines from an edge inwards, and number of pixels along each.
    fn extent(&self, edge: Edge) -> (usize, usize) {
        let (rows, columns) = (self.pixels.rows(), self.pixels.columns());
        match edge {
            Edge::Top | Edge::Bottom => (rows, columns),
            Edge::Left | Edge::Right => (columns, rows),
        }
    }

    /// Colour of the pixel `along` an edge, `depth` lines inwards.
    fn colour(&self, edge: Edge, depth: usize, along: usize) -> Colour {
        let (rows, columns, channels) = self.pixels.dim();
        let (row, column) = match edge {
            Edge::Top => (depth, along),
            Edge::Bottom => (rows - 1 - depth, along),
            Edge::Left => (along, depth),
            Edge::Right => (along, columns - 1 - depth),
        };
        std::array::from_fn(|k| self.pixels.level(row, column, k.min(channels - 1)))
    }

    /// Colours spread over the line along an edge.
    fn line(&self, edge: Edge) -> impl Iterator<Item = Colour> {
        let (_, long) = self.extent(edge);
        let along = (0..long).step_by((long / EXAMINED).max(1));
        along.map(move |i| self.colour(edge, 0, i))
    }

    /// The colour of each edge that has one.
    fn constant_edges(&self) -> [Option<Colour>; 4] {
        EDGES.map(|edge| {
            let mut levels: Vec<Colour> = self.line(edge).collect();
            let middle = levels.len() / 2;
            let sum = |c: &Colour| c.iter().sum::<f32>();
            let by_sum = |a: &Colour, b: &Colour| sum(a).total_cmp(&sum(b));
            let colour = *levels.select_nth_unstable_by(middle, by_sum).1;
            let same = levels.iter().filter(|c| alike(**c, colour, self.tolerance));
            (same.count() as f64 >= WHOLE_LINE * levels.len() as f64).then_some(colour)
        })
    }

    /// True if half the line is lighter than black (`than` 0), or darker than white (1).
    fn sees(&self, edge: Edge, than: usize) -> bool {
        let beyond = |c: &Colour| match than {
            0 => c.iter().any(|v| *v > SEEN.0),
            _ => c.iter().any(|v| *v < SEEN.1),
        };
        let line: Vec<Colour> = self.line(edge).collect();
        2 * line.iter().filter(|c| beyond(c)).count() >= line.len()
    }

    /// The frame without the colour along its edges; `None` if it has none, or little else.
    fn without(&self, colour: Colour) -> Option<Region> {
        let dark = colour.iter().all(|v| *v <= EXTREMES.0);
        let light = colour.iter().all(|v| *v >= EXTREMES.1);
        // Black and white are parts of a scene too: only whole lines are borders.
        let least = if dark || light {
            WHOLE_LINE
        } else {
            PART_OF_LINE
        };
        let mut taken = [0usize; 4];
        loop {
            let shares = EDGES.map(|edge| self.share(edge, taken, colour));
            let (most, share) = (0..4)
                .map(|k| (k, shares[k]))
                .max_by(|a, b| a.1.total_cmp(&b.1))?;
            if share < least {
                break;
            }
            taken[most] += 1;
            if taken[most] as f64 > DEEPEST * self.extent(EDGES[most]).0 as f64 {
                return None;
            }
        }
        let inner = taken.map(|lines| if lines > 0 { lines + self.mixed } else { 0 });
        let [top, bottom, left, right] = inner;
        let height = self.pixels.rows().checked_sub(top + bottom)?;
        let width = self.pixels.columns().checked_sub(left + right)?;
        (inner != [0; 4] && height > 0 && width > 0).then_some(Region {
            top,
            left,
            height,
            width,
        })
    }

    /// Share, 0..=1, of the colour in the outermost line of an edge after so many lines were taken off at each edge.
    fn share(&self, edge: Edge, taken: [usize; 4], colour: Colour) -> f64 {
        let [top, bottom, left, right] = taken;
        let (depth, before, after) = match edge {
            Edge::Top => (top, left, right),
            Edge::Bottom => (bottom, left, right),
            Edge::Left => (left, top, bottom),
            Edge::Right => (right, top, bottom),
        };
        let (lines, long) = self.extent(edge);
        let along = before..long.saturating_sub(after);
        if depth >= lines || along.is_empty() {
            return 0.0;
        }
        let count = along.len() as f64;
        let is = |i: &usize| alike(self.colour(edge, depth, *i), colour, self.tolerance);
        along.filter(is).count() as f64 / count
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array3;
    use stopspan_core::units::Estimate;

    /// Three frames of a scene with codes by exposure; `paint` colours borders.
    fn frames(paint: impl Fn(usize, &mut Array3<u8>)) -> Vec<Frame> {
        let made = (0..3).map(|j| {
            let mut codes = Array3::from_shape_fn((60, 80, 3), |(r, c, k)| {
                (20 + ((r * 7 + c * 13 + k * 5) % 40) * (j + 1)) as u8
            });
            paint(j, &mut codes);
            let exposure = Estimate::new(j as f64, 0.02);
            Frame::of_pixels(format!("{j}.png"), Pixels::U8(codes), exposure)
        });
        made.collect()
    }

    fn fill(codes: &mut Array3<u8>, rows: std::ops::Range<usize>, colour: [u8; 3]) {
        for row in rows {
            for column in 0..80 {
                for (k, v) in colour.iter().enumerate() {
                    codes[[row, column, k]] = *v;
                }
            }
        }
    }

    fn covered(mut frames: Vec<Frame>) -> Vec<Option<(usize, usize)>> {
        exclude(&mut frames, &mut Vec::new());
        let rows = |f: Frame| f.covered.map(|c| (c.rows().start, c.rows().end));
        frames.into_iter().map(rows).collect()
    }

    #[test]
    fn a_colour_that_does_not_follow_the_exposure_is_a_border() {
        let blue = frames(|j, codes| {
            if j != 1 {
                fill(codes, 0..4 + j, [0, 0, 255]);
            }
        });
        assert_eq!(covered(blue), [Some((6, 60)), None, Some((8, 60))]);
        let black = frames(|j, codes| {
            if j == 2 {
                fill(codes, 57..60, [0, 0, 0]);
            }
        });
        assert_eq!(covered(black), [None, None, Some((0, 55))]);
    }

    /// Turned frames: a wedge along the top, two columns part of the way down the left, no more than these.
    #[test]
    fn wedges_take_no_more_than_their_lines() {
        let mut turned = frames(|j, codes| {
            if j != 1 {
                fill(codes, 0..2, [0, 0, 255]);
                for (row, column) in (2..5).flat_map(|r| (0..60 / (r - 1)).map(move |c| (r, c))) {
                    (0..3).for_each(|k| codes[[row, column, k]] = [0, 0, 255][k]);
                }
                for (row, column) in (0..30).flat_map(|r| (0..2).map(move |c| (r, c))) {
                    (0..3).for_each(|k| codes[[row, column, k]] = [0, 0, 255][k]);
                }
            }
        });
        exclude(&mut turned, &mut Vec::new());
        let inner = turned[0].covered.unwrap();
        assert_eq!((inner.top, inner.left), (7, 4));
        assert_eq!((inner.height, inner.width), (53, 76));
        assert!(turned[1].covered.is_none());
    }

    #[test]
    fn dark_and_clipped_parts_of_a_scene_are_none() {
        // black in the darkest frame, white in the lightest, and a card that follows the exposure
        for (at, colour) in [(0, [0, 0, 0]), (2, [255, 255, 255])] {
            let scene = frames(|j, codes| {
                if j == at {
                    fill(codes, 0..5, colour);
                }
            });
            assert_eq!(covered(scene), [None, None, None], "{colour:?}");
        }
        let card = frames(|j, codes| fill(codes, 0..5, [50 * (j as u8 + 1); 3]));
        assert_eq!(covered(card), [None, None, None]);
    }
}
