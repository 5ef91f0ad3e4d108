//! Colour class, dash pattern and point shape of the series of a chart; they differ without colour as well.
use stopspan_core::results::PictureKind;

/// Point shapes as SVG paths around (0, 0).
const SHAPES: [&str; 6] = [
    "M-3.2,0a3.2,3.2 0 1,0 6.4,0a3.2,3.2 0 1,0 -6.4,0",
    "M-3,-3h6v6h-6z",
    "M0,-4L3.8,3H-3.8z",
    "M0,-4.2L4.2,0L0,4.2L-4.2,0z",
    "M0,4L3.8,-3H-3.8z",
    "M-3.2,-1.1h2.1v-2.1h2.2v2.1h2.1v2.2h-2.1v2.1h-2.2v-2.1h-2.1z",
];

/// Colour class, dash pattern and point shape of one series.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Mark {
    /// Class of the style sheet, which sets the colour ("s0".."s5", "hdr", "merge", "rendered", "red", "green", "blue").
    pub class: &'static str,
    /// SVG dash array; empty for a solid line.
    pub dash: &'static str,
    /// SVG path of the point; empty for no points.
    pub shape: &'static str,
}

/// One series of a chart: its mark, its name in the legend, and its points (x, y).
pub(crate) struct Series<'a> {
    pub mark: Mark,
    pub name: &'a str,
    pub points: Vec<(f64, f64)>,
}

/// Mark of a picture: of a frame by its index `place` among the frames, of any other by its kind.
pub(crate) fn of_picture(kind: PictureKind, place: usize) -> Mark {
    const CLASSES: [&str; 6] = ["s0", "s1", "s2", "s3", "s4", "s5"];
    const DASHES: [&str; 3] = ["2 3", "6 3", "9 3 2 3"];
    match kind {
        PictureKind::CameraHdr => Mark {
            class: "hdr",
            dash: "12 4",
            shape: SHAPES[3],
        },
        PictureKind::Merge => Mark {
            class: "merge",
            dash: "",
            shape: SHAPES[0],
        },
        PictureKind::Rendered => Mark {
            class: "rendered",
            dash: "1 2",
            shape: SHAPES[5],
        },
        PictureKind::Frame => Mark {
            class: CLASSES[place % CLASSES.len()],
            dash: DASHES[place % DASHES.len()],
            shape: [SHAPES[1], SHAPES[2], SHAPES[4]][place % 3],
        },
    }
}

/// Mark and name of a colour channel; `channels` is the number of channels.
pub(crate) fn of_channel(channel: usize, channels: usize) -> (Mark, &'static str) {
    let (class, dash, name) = match (channel, channels) {
        (_, 1) => ("merge", "", "level"),
        (0, _) => ("red", "7 3", "R"),
        (1, _) => ("green", "", "G"),
        _ => ("blue", "2 3", "B"),
    };
    let mark = Mark {
        class,
        dash,
        shape: "",
    };
    (mark, name)
}
