//! The filters of gradient-corrected linear interpolation (Malvar, He and Cutler 2004), and their squares.

/// Ratio of neighbours, after allowance for noise, above which they count as an edge.
const EDGE: f32 = 4.0;

/// Kind of the centre pixel, which selects the filters.
#[derive(Clone, Copy)]
pub(super) enum Kind {
    /// Red or blue.
    Coloured,
    /// Green with red to the left and right.
    GreenInRedRow,
    /// Green with blue to the left and right.
    GreenInBlueRow,
}

/// Samples of the 5 x 5 neighbourhood that the filters use.
pub(super) struct Neighbourhood {
    pub centre: f32,
    pub above_below: [f32; 2],
    pub beside: [f32; 2],
    /// Two rows up, two rows down, two columns left, two columns right: samples of the centre's colour.
    pub far: [f32; 4],
    pub diagonal: [f32; 4],
}

/// Red, green and blue of a pixel from its neighbourhood; of a blue pixel blue, green and red.
pub(super) trait Filter: Copy + Send + Sync {
    fn apply(self, parts: &Neighbourhood, kind: Kind) -> [f32; 3];
}

#[inline(always)]
fn sum<const N: usize>(values: [f32; N]) -> f32 {
    values.into_iter().fold(0.0, |sum, v| sum + v)
}

/// Estimates of the colours, clamped at edges.
#[derive(Clone, Copy)]
pub(super) struct Estimate {
    /// Allowance for noise at an edge, in the unit of the samples.
    pub floor: f32,
}

impl Filter for Estimate {
    /// The five filters of the paper's figure 2, each written as the mean of the neighbours of that colour plus a
    /// correction.
    #[inline(always)]
    fn apply(self, p: &Neighbourhood, kind: Kind) -> [f32; 3] {
        let floor = self.floor;
        let centre = extremes([p.centre, p.far[0], p.far[1], p.far[2], p.far[3]]);
        match kind {
            Kind::Coloured => {
                let far = sum(p.far);
                let cross = [p.above_below[0], p.above_below[1], p.beside[0], p.beside[1]];
                let green = 0.25 * sum(cross) + 0.5 * p.centre - 0.125 * far;
                let other = 0.25 * sum(p.diagonal) + 0.75 * p.centre - 0.1875 * far;
                [
                    p.centre,
                    clamp_at_edge(green, extremes(cross), centre, floor),
                    clamp_at_edge(other, extremes(p.diagonal), centre, floor),
                ]
            }
            Kind::GreenInRedRow | Kind::GreenInBlueRow => {
                let common = 0.625 * p.centre - 0.125 * sum(p.diagonal);
                let (vertical, horizontal) = (p.far[0] + p.far[1], p.far[2] + p.far[3]);
                let across = 0.5 * sum(p.beside) + common - 0.125 * horizontal + 0.0625 * vertical;
                let down =
                    0.5 * sum(p.above_below) + common - 0.125 * vertical + 0.0625 * horizontal;
                let corners = extremes(p.diagonal);
                let green = Extremes {
                    low: lesser(centre.low, corners.low),
                    high: greater(centre.high, corners.high),
                };
                let across = clamp_at_edge(across, extremes(p.beside), green, floor);
                let down = clamp_at_edge(down, extremes(p.above_below), green, floor);
                match kind {
                    Kind::GreenInRedRow => [across, p.centre, down],
                    _ => [down, p.centre, across],
                }
            }
        }
    }
}

#[inline(always)]
fn lesser(a: f32, b: f32) -> f32 {
    if b < a { b } else { a }
}

#[inline(always)]
fn greater(a: f32, b: f32) -> f32 {
    if b > a { b } else { a }
}

/// Smallest and largest of some samples.
#[derive(Clone, Copy)]
struct Extremes {
    low: f32,
    high: f32,
}

#[inline(always)]
fn extremes<const N: usize>(values: [f32; N]) -> Extremes {
    let start = Extremes {
        low: f32::INFINITY,
        high: f32::NEG_INFINITY,
    };
    values.into_iter().fold(start, |e, v| Extremes {
        low: lesser(e.low, v),
        high: greater(e.high, v),
    })
}

/// The estimate of one colour, clamped to the `neighbours` of that colour where they, or the samples of the `centre`'s
/// colour, show an edge. An infinite or NaN estimate is returned as it is, because it marks a clipped sample.
#[inline(always)]
fn clamp_at_edge(estimate: f32, neighbours: Extremes, centre: Extremes, floor: f32) -> f32 {
    let edge = |e: Extremes| e.high > EDGE * greater(0.0, e.low) + floor;
    let clamp = (edge(neighbours) | edge(centre)) & (estimate.abs() < f32::INFINITY);
    let clamped = lesser(greater(estimate, neighbours.low), neighbours.high);
    if clamp { clamped } else { estimate }
}

/// Variances of the colours from those of the samples.
#[derive(Clone, Copy)]
pub(super) struct Variance;

impl Filter for Variance {
    /// The squared weights of the same filters.
    #[inline(always)]
    fn apply(self, p: &Neighbourhood, kind: Kind) -> [f32; 3] {
        match kind {
            Kind::Coloured => {
                let far = sum(p.far);
                let cross = sum(p.above_below) + sum(p.beside);
                [
                    p.centre,
                    (4.0 * cross + 16.0 * p.centre + far) / 64.0,
                    (4.0 * sum(p.diagonal) + 36.0 * p.centre + 2.25 * far) / 64.0,
                ]
            }
            Kind::GreenInRedRow | Kind::GreenInBlueRow => {
                let common = 25.0 * p.centre + sum(p.diagonal);
                let (vertical, horizontal) = (p.far[0] + p.far[1], p.far[2] + p.far[3]);
                let across = (16.0 * sum(p.beside) + common + horizontal + 0.25 * vertical) / 64.0;
                let down =
                    (16.0 * sum(p.above_below) + common + vertical + 0.25 * horizontal) / 64.0;
                match kind {
                    Kind::GreenInRedRow => [across, p.centre, down],
                    _ => [down, p.centre, across],
                }
            }
        }
    }
}
