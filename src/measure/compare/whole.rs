//! The comparison as a whole: what it leans on, and the order in which the quantities are measured.
use super::cells::Cells;
use super::flat_noise::Single;
use super::ghosts::{self, Scene};
use super::overlay::Overlay;
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

/// What is compared.
#[derive(Debug, Clone, Copy)]
pub struct ComparisonInput<'a> {
    /// The camera's own HDR picture: file name and pixels.
    pub finished: (&'a str, &'a Pixels),
    /// Its primaries.
    pub colour: Primaries,
    /// Reference pixel -> its pixel.
    pub placement: Transform,
    /// The merge.
    pub map: &'a RadianceMap,
    /// The frames it was made of, each with its place.
    pub bracket: &'a Bracket,
    /// Their response.
    pub response: &'a Response,
    /// What was measured on the wedge and of the range, if anything.
    pub measured: &'a Measurement,
    /// An edge to measure instead of those found.
    pub edge: Option<Region>,
}

/// Compares the camera's own HDR picture with the merge and the single frames. A quantity that cannot be measured is left
/// out; a finding says why where it is not plain.
pub fn compare(pictures: &ComparisonInput) -> ComparisonWithMarks {
    let names: Vec<String> = pictures.bracket.frames.iter().map(|f| f.name()).collect();
    let singles = singles(pictures, &names);
    let overlay = Overlay::new(pictures.finished.1, pictures.placement);
    let map = pictures.map;
    let mut cells = Cells::of(map, &overlay);
    let curve = Curve::measure(&cells);
    let edges = edges::measure(
        map,
        (pictures.finished.0, &overlay),
        curve.as_ref(),
        &singles,
        pictures.edge,
    );
    let mut quantities = side_by_side::compare(pictures.measured);
    quantities.extend(edges::compare(&edges));
    let by_curve = curve
        .as_ref()
        .map(|curve| by_curve(pictures, &overlay, curve, &mut cells, &singles));
    let findings = refusals(
        by_curve.is_some(),
        edges.is_empty(),
        pictures.edge.is_some(),
    );
    let by_curve = by_curve.unwrap_or_default();
    quantities.extend(by_curve.quantities);
    let colours = colour_shift::Colours {
        finished: pictures.colour,
        map: map.primaries,
    };
    let mono = pictures.finished.1.channels() < 3 || map.radiance.dim().2 < 3;
    quantities.extend(colour_shift::compare(&cells, &colours, mono));
    quantities.extend(shares::compare(&cells, &overlay, &singles));
    let (centre, scale) = centre(map, &overlay);
    ComparisonWithMarks {
        comparison: Comparison {
            file: pictures.finished.0.to_owned(),
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

/// What rests on the tone curve.
#[derive(Default)]
struct ByCurve {
    tone: Option<ToneCurve>,
    quantities: Vec<Compared>,
    ghosts: Ghosts,
    marks: Array2<u8>,
    doubled: Option<DoubleEdges>,
}

fn by_curve(
    pictures: &ComparisonInput,
    finished: &Overlay,
    curve: &Curve,
    cells: &mut Cells,
    singles: &[Single],
) -> ByCurve {
    let map = pictures.map;
    cells.predict(map, curve);
    let cells = &*cells;
    let assessed = local_tone::assess(cells, curve);
    let (ghosts, marks) = ghosts::find(&Scene {
        map,
        finished,
        curve,
        cells,
        singles,
    });
    let doubled = double_edges::find(map, finished, curve);
    let mut quantities: Vec<Compared> = visible::compare(curve, singles).into_iter().collect();
    quantities.extend(flat_noise::compare(cells, curve, map, finished, singles));
    quantities.extend(local_acutance::compare(
        cells, curve, map, finished, singles,
    ));
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

/// Why figures are missing that were looked for.
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

fn singles<'a>(pictures: &ComparisonInput<'a>, names: &'a [String]) -> Vec<Single<'a>> {
    let curves = &pictures.response.curves;
    let bracket = pictures.bracket;
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
