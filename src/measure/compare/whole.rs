//! The comparison as a whole: its input, and the order in which the quantities are measured.
use super::cells::Cells;
use super::flat_noise::Single;
use super::ghosts;
use super::overlay::Overlay;
use super::pictures::Pictures;
use super::tone_curve::Curve;
use super::{
    colour_shift, double_edges, edges, flat_noise, local_acutance, local_tone, shares,
    side_by_side, visible,
};
use ndarray::Array2;
use stopspan_core::finding::Finding;
use stopspan_core::model::RadianceMap;
use stopspan_core::model::Response;
use stopspan_core::model::{Bracket, main_channel};
use stopspan_core::raster::{Pixels, Point, Region, Transform};
use stopspan_core::results::ComparisonWithMarks;
use stopspan_core::results::Measurement;
use stopspan_core::results::{Compared, Comparison, DoubleEdges, Ghosts, Quantity, ToneCurve};
use stopspan_core::units::Primaries;

/// Pictures and data to compare.
#[derive(Debug, Clone, Copy)]
pub struct ComparisonInput<'a> {
    /// File name of the camera's own HDR picture.
    pub file: &'a str,
    /// Its pixels.
    pub finished: &'a Pixels,
    /// Its primaries.
    pub colour: Primaries,
    /// Maps reference-frame pixels to its pixels.
    pub placement: Transform,
    /// The merge.
    pub map: &'a RadianceMap,
    /// The frames behind the merge, registered.
    pub bracket: &'a Bracket,
    /// Their response.
    pub response: &'a Response,
    /// Measurements of the pictures on the wedge and of their ranges; may be empty.
    pub measured: &'a Measurement,
    /// File name of the single frame to compare with, the one that keeps most of the scene; `None` for the best by each quantity.
    pub single: Option<&'a str>,
    /// An edge to measure instead of searching for edges.
    pub edge: Option<Region>,
}

/// Compares the camera's own HDR picture with the merge and the single frames. A quantity that cannot be measured is left
/// out; a finding gives the reason unless it is obvious.
pub fn compare(input: &ComparisonInput) -> ComparisonWithMarks {
    let names: Vec<String> = input.bracket.frames.iter().map(|f| f.name()).collect();
    let singles = singles(input, &names);
    let overlay = Overlay::new(input.finished, input.placement);
    let map = input.map;
    let mut cells = Cells::of(map, &overlay);
    let curve = Curve::measure(&cells);
    let chosen = chosen(&singles, input.single);
    let edges = edges::measure(input, &overlay, curve.as_ref(), chosen);
    let mut quantities = side_by_side::compare(input.measured, input.single);
    quantities.extend(edges::compare(&edges));
    let by_curve = curve
        .as_ref()
        .map(|curve| by_curve(input, &overlay, curve, &mut cells, &singles));
    let findings = refusals(by_curve.is_some(), edges.is_empty(), input.edge.is_some());
    let by_curve = by_curve.unwrap_or_default();
    quantities.extend(by_curve.quantities);
    let colours = colour_shift::Colours {
        finished: input.colour,
        map: map.primaries,
    };
    let mono = input.finished.channels() < 3 || map.radiance.dim().2 < 3;
    quantities.extend(colour_shift::compare(&cells, &colours, mono));
    quantities.extend(shares::compare(&cells, &overlay, chosen));
    let (centre, scale) = centre(map, &overlay);
    ComparisonWithMarks {
        comparison: Comparison {
            file: input.file.to_owned(),
            centre,
            scale,
            resampled: overlay.resampled(),
            tone: by_curve.tone,
            quantities,
            edges,
            ghosts: by_curve.ghosts,
            double_edges: by_curve.doubled,
            findings,
        },
        marks: by_curve.marks,
        step: cells.step,
    }
}

/// Results that depend on the tone curve.
#[derive(Default)]
struct ByCurve {
    tone: Option<ToneCurve>,
    quantities: Vec<Compared>,
    ghosts: Ghosts,
    marks: Array2<u8>,
    doubled: Option<DoubleEdges>,
}

fn by_curve(
    input: &ComparisonInput,
    finished: &Overlay,
    curve: &Curve,
    cells: &mut Cells,
    singles: &[Single],
) -> ByCurve {
    let map = input.map;
    cells.predict(map, curve);
    let cells = &*cells;
    let assessed = local_tone::assess(cells, curve);
    let registered = Pictures {
        map,
        finished,
        curve,
        cells,
        singles,
    };
    let (ghosts, marks) = ghosts::find(&registered);
    let registered = Pictures {
        singles: chosen(singles, input.single),
        ..registered
    };
    let doubled = double_edges::find(map, finished, curve);
    let mut quantities: Vec<Compared> = visible::compare(curve, registered.singles)
        .into_iter()
        .collect();
    quantities.extend(flat_noise::compare(&registered));
    quantities.extend(local_acutance::compare(&registered));
    quantities.push(off_curve(&assessed));
    quantities.extend(ghost_share(cells, &marks));
    quantities.extend(double_edges::share(&doubled));
    ByCurve {
        tone: Some(assessed),
        quantities,
        ghosts,
        marks,
        doubled: Some(doubled),
    }
}

/// Findings that give the reason why figures are missing.
fn refusals(curve: bool, no_edge: bool, edge_given: bool) -> Vec<Finding> {
    let mut findings = Vec::new();
    if !curve {
        findings.push(refused(
            "tone curve, noise and ghosts",
            "too few flat places are seen in both",
        ));
    }
    if no_edge {
        let why = match edge_given {
            true => "no edge lies in the place given, or it is clipped",
            false => {
                "no straight edge 2 to 10 degrees off the grid with even sides, unclipped in both, was found"
            }
        };
        findings.push(refused("edge response", why));
    }
    findings
}

/// The frame to compare with, or all where none was chosen.
fn chosen<'s, 'a>(singles: &'s [Single<'a>], file: Option<&str>) -> &'s [Single<'a>] {
    let place = file.and_then(|file| singles.iter().position(|s| s.file == file));
    place.map_or(singles, |i| &singles[i..=i])
}

fn singles<'a>(input: &ComparisonInput<'a>, names: &'a [String]) -> Vec<Single<'a>> {
    let curves = &input.response.curves;
    let bracket = input.bracket;
    bracket
        .frames
        .iter()
        .zip(names)
        .enumerate()
        .map(|(index, (frame, file))| Single {
            file,
            overlay: Overlay::new(
                &frame.picture.pixels,
                frame.transform.unwrap_or(Transform::IDENTITY),
            ),
            curve: &curves[main_channel(curves.len())],
            relative_exposure: bracket.relative_exposure(index),
        })
        .collect()
}

fn refused(figure: &str, reason: &str) -> Finding {
    Finding::FigureRefused {
        figure: figure.to_owned(),
        reason: reason.to_owned(),
    }
}

fn off_curve(tone: &ToneCurve) -> Compared {
    Compared::of_camera_alone(Quantity::OffCurve, tone.off_curve)
}

fn ghost_share(cells: &Cells, marks: &Array2<u8>) -> Option<Compared> {
    shares::of_marks(cells, marks).map(|share| Compared::of_camera_alone(Quantity::Ghosts, share))
}

fn centre(map: &RadianceMap, overlay: &Overlay) -> (Point, f64) {
    let (rows, columns, _) = map.radiance.dim();
    let middle = Point {
        x: columns as f64 / 2.0,
        y: rows as f64 / 2.0,
    };
    let at = overlay.transform.apply(middle).unwrap_or(middle);
    (at, overlay.scale(middle).unwrap_or(1.0))
}
