//! A sheet being drawn: text, shapes and pictures as SVG with the colours written out.
use super::super::figure::png_uri;
use super::super::html::escape;
use super::lettering::{cut, lines};
use super::settings::Look;
use ndarray::Array3;
use std::fmt::Write;
use stopspan_core::results::Program;

/// The typeface of the PNG; the SVG asks for it first and for ones of like widths after it.
pub(super) const TYPEFACE: &str = "DejaVu Sans";
/// Size of a sheet that is drawn at scale 1, pixels; one that is higher than wide is drawn for a phone, 1080 units wide.
const DESIGN: (f64, f64) = (1920.0, 1080.0);
const NARROW: f64 = 1080.0;
/// Space at the edges, units.
pub(super) const MARGIN: f64 = 64.0;

/// Colours of one look, as SVG writes them. The series are told apart by people with any colour vision; each series also
/// differs in lightness or is named beside its mark.
pub(super) struct Colours {
    pub paper: &'static str,
    pub ink: &'static str,
    pub soft: &'static str,
    pub line: &'static str,
    pub accent: &'static str,
    pub frames: [&'static str; 6],
    pub hdr: &'static str,
    pub merge: &'static str,
    pub rendered: &'static str,
    pub channels: [&'static str; 3],
}

const LIGHT: Colours = Colours {
    paper: "#ffffff",
    ink: "#1c2226",
    soft: "#55606a",
    line: "#d8d9d4",
    accent: "#0a5f73",
    frames: [
        "#0072b2", "#b25400", "#00805c", "#9a4a80", "#7a6a00", "#3a7fae",
    ],
    hdr: "#b0306a",
    merge: "#111619",
    rendered: "#7d858c",
    channels: ["#c0392b", "#1d7a46", "#2456b8"],
};
const DARK: Colours = Colours {
    paper: "#14181b",
    ink: "#e7e9e6",
    soft: "#a3adb3",
    line: "#353d42",
    accent: "#6cc3d5",
    frames: [
        "#56b4e9", "#e69f00", "#2fc39a", "#d79ac0", "#e6dc58", "#9fcdf0",
    ],
    hdr: "#ff8fbe",
    merge: "#f4f5f2",
    rendered: "#9aa3a9",
    channels: ["#ff8073", "#5fd08d", "#84a9ff"],
};

/// Where a text hangs on its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// How a text looks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Type {
    /// Height of the letters' body, units.
    pub size: f64,
    pub bold: bool,
    pub anchor: Anchor,
    pub colour: &'static str,
}

/// A picture on the sheet: column and row of its first pixel, its size there, and its pixels; each is repeated where the
/// size is larger.
pub(super) struct Placed {
    pub at: (usize, usize),
    size: (usize, usize),
    rgb: Array3<u8>,
}

impl Placed {
    /// Rows and columns on the sheet.
    pub fn size(&self) -> (usize, usize) {
        self.size
    }

    /// The pixel at a row and a column of its size: the nearest one, so that noise stays to be seen.
    pub fn pixel(&self, row: usize, column: usize) -> [u8; 3] {
        let (high, wide, _) = self.rgb.dim();
        let (r, c) = (row * high / self.size.0, column * wide / self.size.1);
        [0, 1, 2].map(|k| self.rgb[[r, c, k]])
    }
}

/// A sheet. Lengths are units: 1/1920 of a sheet 1920 wide and 1080 high, larger or smaller with the sheet.
pub(super) struct Canvas {
    size: (usize, usize),
    scale: f64,
    pub colours: &'static Colours,
    title: String,
    description: String,
    made_of: Option<String>,
    body: String,
    pub(super) pictures: Vec<Placed>,
}

impl Canvas {
    /// An empty sheet of `size` (columns, rows) pixels.
    pub fn new(size: (usize, usize), look: Look) -> Self {
        let (wide, high) = (size.0 as f64, size.1 as f64);
        let scale = if high > wide {
            wide / NARROW
        } else {
            (wide / DESIGN.0).min(high / DESIGN.1)
        };
        Canvas {
            size,
            scale,
            colours: match look {
                Look::Light => &LIGHT,
                Look::Dark => &DARK,
            },
            title: String::new(),
            description: String::new(),
            made_of: None,
            body: String::new(),
            pictures: Vec::new(),
        }
    }

    /// A sheet of given inputs: the start of their common SHA-256 is printed at its foot.
    pub fn made_of(self, sum: Option<&str>) -> Self {
        let made_of = sum.map(|s| s.chars().take(12).collect());
        Canvas { made_of, ..self }
    }

    /// True on a sheet higher than wide: names stand above what they name instead of beside it.
    pub fn narrow(&self) -> bool {
        self.size.1 > self.size.0
    }

    /// Width and height, units.
    pub fn extent(&self) -> (f64, f64) {
        (
            self.size.0 as f64 / self.scale,
            self.size.1 as f64 / self.scale,
        )
    }

    /// Pixels that a length in units comes to.
    pub fn pixels(&self, units: f64) -> usize {
        (units * self.scale).round().max(0.0) as usize
    }

    /// Columns and rows, pixels.
    pub fn size(&self) -> (usize, usize) {
        self.size
    }

    /// The text alternative.
    pub fn description(&self) -> &str {
        &self.description
    }

    /// A type in the ink of the sheet.
    pub fn plain(&self, size: f64) -> Type {
        Type {
            size,
            bold: false,
            anchor: Anchor::Start,
            colour: self.colours.ink,
        }
    }

    /// A type in the softer ink.
    pub fn soft(&self, size: f64) -> Type {
        Type {
            colour: self.colours.soft,
            ..self.plain(size)
        }
    }

    /// Title, what it is about below it, notes at the foot with what made the sheet, and the text alternative. Returns the
    /// top and bottom, in units, of the space between.
    pub fn frame(
        &mut self,
        title: &str,
        about: &str,
        notes: &str,
        description: String,
    ) -> (f64, f64) {
        let (width, height) = self.extent();
        self.title = format!("{title}: {about}");
        self.description = description;
        let room = width - 2.0 * MARGIN;
        let heading = Type {
            bold: true,
            ..self.plain(54.0)
        };
        let mut base = 92.0;
        for line in lines(title, room, heading).iter().take(2) {
            self.text((MARGIN, base), heading, line);
            base += 62.0;
        }
        let soft = self.soft(32.0);
        self.text((MARGIN, base - 10.0), soft, &cut(about, room, soft));
        let rule = format!("M{MARGIN},{:.1}H{:.1}", base + 14.0, width - MARGIN);
        self.path(&rule, self.colours.accent, 3.0);
        let small = self.soft(27.0);
        let mut foot = height - 32.0;
        for line in lines(&format!("{notes} {}", self.maker()), room, small)
            .iter()
            .rev()
        {
            self.text((MARGIN, foot), small, line);
            foot -= 36.0;
        }
        (base + 38.0, foot - 6.0)
    }

    /// The program, and the start of the sum of what it read.
    fn maker(&self) -> String {
        let Program { name, version } = Program::this();
        match &self.made_of {
            Some(sum) => format!("Made by {name} {version} of inputs {sum}."),
            None => format!("Made by {name} {version}."),
        }
    }

    /// One line of text; the point is its baseline.
    pub fn text(&mut self, (x, y): (f64, f64), look: Type, text: &str) {
        let anchor = match look.anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let weight = if look.bold { 700 } else { 400 };
        let _ = writeln!(
            self.body,
            r#"<text x="{x:.1}" y="{y:.1}" font-size="{:.1}" font-weight="{weight}" text-anchor="{anchor}" fill="{}">{}</text>"#,
            look.size,
            look.colour,
            escape(text)
        );
    }

    /// A text turned to run upwards, in its middle at the point.
    pub fn upright_text(&mut self, (x, y): (f64, f64), look: Type, text: &str) {
        let _ = writeln!(
            self.body,
            r#"<text transform="translate({x:.1},{y:.1}) rotate(-90)" font-size="{:.1}" text-anchor="middle" fill="{}">{}</text>"#,
            look.size,
            look.colour,
            escape(text)
        );
    }

    /// A line along SVG path data.
    pub fn path(&mut self, data: &str, colour: &str, width: f64) {
        self.dashed(data, colour, width, "");
    }

    /// A line that stands out from whatever lies below it.
    pub fn haloed(&mut self, data: &str) {
        self.path(data, self.colours.paper, 6.0);
        self.path(data, self.colours.ink, 3.0);
    }

    /// A line with a dash pattern ("6 4"; empty: solid).
    pub fn dashed(&mut self, data: &str, colour: &str, width: f64, dash: &str) {
        let dash = if dash.is_empty() {
            String::new()
        } else {
            format!(r#" stroke-dasharray="{dash}""#)
        };
        let _ = writeln!(
            self.body,
            r#"<path d="{data}" fill="none" stroke="{colour}" stroke-width="{width}"{dash}/>"#
        );
    }

    /// A filled shape; opacity 0..=1.
    pub fn area(&mut self, data: &str, colour: &str, opacity: f64) {
        let _ = writeln!(
            self.body,
            r#"<path d="{data}" fill="{colour}" fill-opacity="{opacity}"/>"#
        );
    }

    /// A filled rectangle: left, top, width, height.
    pub fn bar(&mut self, (x, y, w, h): (f64, f64, f64, f64), colour: &str, opacity: f64) {
        let _ = writeln!(
            self.body,
            r#"<rect x="{x:.1}" y="{y:.1}" width="{w:.1}" height="{h:.1}" fill="{colour}" fill-opacity="{opacity}"/>"#
        );
    }

    /// A picture at 100 %, its first pixel at the pixel nearest to the point, with a thin edge round it. No text or shape
    /// may cross it.
    pub fn picture(&mut self, place: (f64, f64), rgb: Array3<u8>) {
        let (rows, columns, _) = rgb.dim();
        self.enlarged(place, (rows, columns), rgb);
    }

    /// The same at a size of rows and columns, pixels repeated.
    pub fn enlarged(&mut self, (x, y): (f64, f64), size: (usize, usize), rgb: Array3<u8>) {
        let at = (self.pixels(x), self.pixels(y));
        let unit = |pixels: usize| pixels as f64 / self.scale;
        let (left, top) = (unit(at.0) - 1.0, unit(at.1) - 1.0);
        let (wide, high) = (unit(size.1) + 2.0, unit(size.0) + 2.0);
        let data = format!("M{left:.1},{top:.1}h{wide:.1}v{high:.1}h-{wide:.1}z");
        self.path(&data, self.colours.soft, 2.0);
        if !rgb.is_empty() {
            self.pictures.push(Placed { at, size, rgb });
        }
    }

    /// The document; with `pictures` they are part of it.
    pub fn svg(&self, pictures: bool) -> String {
        let (columns, rows) = self.size;
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{columns}\" height=\"{rows}\" viewBox=\"0 0 {columns} {rows}\" \
             role=\"img\" aria-labelledby=\"t d\" font-family=\"{TYPEFACE}, Verdana, sans-serif\">\n\
             <title id=\"t\">{}</title>\n<desc id=\"d\">{}</desc>\n\
             <rect width=\"{columns}\" height=\"{rows}\" fill=\"{}\"/>\n<g transform=\"scale({})\">\n{}</g>\n",
            escape(&self.title),
            escape(&self.description),
            self.colours.paper,
            self.scale,
            self.body
        );
        for placed in self.pictures.iter().filter(|_| pictures) {
            let (rows, columns) = placed.size;
            if let Some(uri) = png_uri(&placed.rgb) {
                let _ = writeln!(
                    out,
                    "<image x=\"{}\" y=\"{}\" width=\"{columns}\" height=\"{rows}\" preserveAspectRatio=\"none\" style=\"image-rendering:pixelated\" href=\"{uri}\"/>",
                    placed.at.0, placed.at.1
                );
            }
        }
        out.push_str("</svg>\n");
        out
    }
}
