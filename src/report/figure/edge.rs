//! Spatial frequency response at a slanted edge: camera's HDR picture, merge, best single frame.
use super::axis::Axis;
use super::chart::{Caption, Chart};
use super::marks::Mark;
use stopspan_core::results::{Comparison, EdgeResponse, FREQUENCY_STEP};

/// Chart of the frequency responses at the first edge; `None` without an edge.
pub(crate) fn edge(comparison: &Comparison, id: &str) -> Option<String> {
    let edge = comparison.edges.first()?;
    let mark = |class, dash| Mark {
        class,
        dash,
        shape: "",
    };
    let mut list: Vec<(Mark, &EdgeResponse)> = vec![
        (mark("hdr", "12 4"), &edge.camera_hdr),
        (mark("merge", ""), &edge.merge),
    ];
    list.extend(edge.single.as_ref().map(|s| (mark("s1", "6 3"), s)));
    let points = |one: &EdgeResponse| -> Vec<(f64, f64)> {
        let values = one.response.iter().enumerate();
        values
            .map(|(i, v)| (i as f64 * FREQUENCY_STEP, *v))
            .collect()
    };
    let top = list
        .iter()
        .flat_map(|l| &l.1.response)
        .fold(1.0f64, |a, v| a.max(*v));
    let x = Axis::linear("spatial frequency, cycles/pixel", [0.0, 1.0].into_iter())?;
    let y = Axis::linear("response", [0.0, top].into_iter())?;
    let caption = Caption {
        id: format!("{id}-edge"),
        title: "Edge response".to_owned(),
        description: list
            .iter()
            .map(|(_, e)| format!("{}: one half at {:.3} cycles/pixel.", e.file, e.mtf50.value))
            .collect::<Vec<_>>()
            .join(" "),
    };
    let legend = list.iter().map(|(m, e)| (*m, e.file.clone())).collect();
    let mut chart = Chart::new(caption, x, y, legend);
    chart.rule(0.5, "MTF50");
    chart.rule(0.1, "MTF10");
    for (mark, one) in &list {
        chart.line(*mark, &points(one));
    }
    Some(chart.finish())
}
