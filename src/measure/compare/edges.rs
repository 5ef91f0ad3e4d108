//! Response to each slanted edge in camera's picture, merge and best single frame, from their own pixels.
use super::edge_response::response;
use super::find_edges::{Found, find, given, window};
use super::flat_noise::Single;
use super::overlay::Overlay;
use super::tone_curve::Curve;
use super::whole::ComparisonInput;
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::model::{RadianceMap, flag, main_channel};
use stopspan_core::raster::Point;
use stopspan_core::results::{Compared, Difference, Edge, EdgeResponse, Interval, Quantity};

/// Edges found in the merge, or the one the user specified, with the response in each picture. Edges with a clipped side
/// are left out.
pub fn measure(
    input: &ComparisonInput,
    finished: &Overlay,
    curve: Option<&Curve>,
    singles: &[Single],
) -> Vec<Edge> {
    let map = input.map;
    let found = match input.edge {
        Some(region) => given(map, region).into_iter().collect(),
        None => find(map, curve),
    };
    found
        .par_iter()
        .filter_map(|edge| {
            let merge = merged(map, edge)?;
            let camera_hdr = camera(input.file, finished, curve, edge)?;
            Some(Edge {
                region: edge.region,
                degrees: edge.degrees,
                contrast: edge.contrast,
                given: input.edge.is_some(),
                camera_hdr,
                merge,
                single: single(singles, edge),
            })
        })
        .collect()
}

fn merged(map: &RadianceMap, edge: &Found) -> Option<EdgeResponse> {
    const UNKNOWN: u16 = flag::CLIPPED_IN_ALL | flag::MOVED;
    let cut = ndarray::s![edge.region.rows(), edge.region.columns()];
    let known = map.flags.slice(cut).iter().all(|f| f & UNKNOWN == 0);
    let window = window(map, edge.region, edge.lying)?;
    known
        .then(|| response("merge", window.view(), 1.0))
        .flatten()
}

/// Response in the camera's picture, linearised by its tone curve, or by IEC 61966-2-1 outside the range of the curve.
fn camera(
    file: &str,
    finished: &Overlay,
    curve: Option<&Curve>,
    edge: &Found,
) -> Option<EdgeResponse> {
    let (levels, scale) = own_window(finished, edge)?;
    let (low, high) = levels
        .iter()
        .fold((f64::INFINITY, 0f64), |(l, h), v| (l.min(*v), h.max(*v)));
    if high >= 254.0 / 255.0 {
        return None;
    }
    let reached = curve.filter(|c| {
        let (first, last) = (c.knots[0].level, c.knots[c.knots.len() - 1].level);
        low > first - 0.05 && high < last + 0.05
    });
    let linear = levels.mapv(|v| match reached {
        Some(curve) => {
            let (darkest, lightest) = curve.ends();
            curve
                .stops_at(v)
                .clamp(darkest - 2.0, lightest + 2.0)
                .exp2()
        }
        None => crate::oecf::srgb_to_linear(v),
    });
    response(file, linear.view(), scale)
}

/// Response in the frame with the most exposure that does not clip at the edge.
fn single(singles: &[Single], edge: &Found) -> Option<EdgeResponse> {
    let of = |s: &Single| {
        let (levels, scale) = own_window(&s.overlay, edge)?;
        let linear: Option<Vec<f64>> = levels.iter().map(|v| s.radiance(*v as f32)).collect();
        let linear = Array2::from_shape_vec(levels.dim(), linear?).ok()?;
        Some((s.relative_exposure, response(s.file, linear.view(), scale)?))
    };
    singles
        .iter()
        .filter_map(of)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|f| f.1)
}

/// The picture's own green levels around the edge, in the orientation of the edge's window, and its pixels per pixel of the
/// reference frame.
fn own_window(overlay: &Overlay, edge: &Found) -> Option<(Array2<f64>, f64)> {
    let region = edge.region;
    let centre = Point {
        x: region.left as f64 + region.width as f64 / 2.0,
        y: region.top as f64 + region.height as f64 / 2.0,
    };
    let scale = overlay.scale(centre)?;
    let at = overlay.transform.apply(centre)?;
    let (h, w) = (
        (region.height as f64 * scale).round(),
        (region.width as f64 * scale).round(),
    );
    let (top, left) = ((at.y - h / 2.0).round(), (at.x - w / 2.0).round());
    let (rows, columns, channels) = overlay.pixels.dim();
    if top < 0.0 || left < 0.0 || top + h > rows as f64 || left + w > columns as f64 {
        return None;
    }
    let (top, left) = (top as usize, left as usize);
    let main = main_channel(channels);
    let levels = Array2::from_shape_fn((h as usize, w as usize), |(r, c)| {
        f64::from(overlay.pixels.level(top + r, left + c, main))
    });
    let turned = if edge.lying {
        levels.t().as_standard_layout().to_owned()
    } else {
        levels
    };
    Some((turned, scale))
}

/// MTF50, MTF10 and overshoot, averaged over the edges.
pub fn compare(edges: &[Edge]) -> Vec<Compared> {
    type Figure = fn(&EdgeResponse) -> Option<Interval>;
    let rows: [(Quantity, &str, Figure); 3] = [
        (Quantity::Mtf50, "cycles/pixel", |e| Some(e.mtf50)),
        (Quantity::Mtf10, "cycles/pixel", |e| e.mtf10),
        (Quantity::Overshoot, "share", |e| Some(e.overshoot)),
    ];
    rows.into_iter()
        .filter_map(|(quantity, unit, figure)| {
            let camera_hdr = together(edges.iter().map(|e| figure(&e.camera_hdr)))?;
            let merge = together(edges.iter().map(|e| figure(&e.merge)));
            let single = together(edges.iter().map(|e| figure(e.single.as_ref()?)));
            let files: Vec<&String> = edges
                .iter()
                .filter_map(|e| Some(&e.single.as_ref()?.file))
                .collect();
            let one = files.first().filter(|f| files.iter().all(|g| g == *f));
            Some(Compared {
                quantity,
                unit: unit.to_owned(),
                camera_hdr: Some(camera_hdr),
                merge,
                single,
                single_file: one.filter(|_| single.is_some()).map(|f| (*f).clone()),
                against_merge: merge.map(|m| Difference::of(&camera_hdr, &m)),
                against_single: single.map(|s| Difference::of(&camera_hdr, &s)),
            })
        })
        .collect()
}

/// Mean over all edges; `None` unless every edge has the figure. Its interval follows from the intervals of the edges or
/// from the spread between them, whichever is larger.
fn together(figures: impl Iterator<Item = Option<Interval>>) -> Option<Interval> {
    let all: Vec<Interval> = figures.collect::<Option<_>>()?;
    let n = all.len() as f64;
    if let [one] = all[..] {
        return Some(one);
    }
    if all.is_empty() {
        return None;
    }
    let mean = all.iter().map(|i| i.value).sum::<f64>() / n;
    let own: Option<Vec<f64>> = all.iter().map(Interval::standard_uncertainty).collect();
    let own: f64 = own?.iter().map(|u| u * u).sum::<f64>() / (n * n);
    let between = all.iter().map(|i| (i.value - mean).powi(2)).sum::<f64>() / (n - 1.0) / n;
    Some(Interval::normal(mean, own.max(between).sqrt()))
}
