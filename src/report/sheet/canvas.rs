//! Drawing surface of a sheet: text, shapes and pictures as SVG with explicit colours.
use super::super::figure::EmbeddedPicture;
use super::super::html::escape;
use super::lettering::{cut, lines, some_lines};
use super::settings::Look;
use ndarray::Array3;
use std::fmt::Write;
use stopspan_core::results::Program;

/// Typeface of the PNG, and first choice of the SVG, which names typefaces of similar widths after it.
pub(super) const TYPEFACE: &str = "DejaVu Sans";
/// Width and height of a sheet at scale 1, pixels. A sheet higher than wide is laid out for a phone instead, [`NARROW`] units wide.
const DESIGN: (f64, f64) = (1920.0, 1080.0);
/// Width of a sheet higher than wide, units.
const NARROW: f64 = 1080.0;
/// Size of the smallest letters, units: 30 pixels on a sheet of usual size, 6 to 11 on a phone that shows it 390 pixels wide.
pub(super) const SMALL: f64 = 30.0;
/// Distance of lines of the smallest letters, units.
pub(super) const SMALL_LINE: f64 = 37.0;
/// Margin on the left and right, units.
pub(super) const MARGIN: f64 = 64.0;

/// Colours of one look in SVG notation. Series also differ in lightness or have their name beside them, so that they can be
/// distinguished with any colour vision.
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

/// The part of a text that is at its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// Size, weight, alignment and colour of a text.
#[derive(Debug, Clone, Copy)]
pub(super) struct Type {
    /// Font size, units.
    pub size: f64,
    pub bold: bool,
    pub anchor: Anchor,
    pub colour: &'static str,
}

/// A rectangle on a sheet, units.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rectangle {
    pub left: f64,
    pub top: f64,
    pub width: f64,
    pub height: f64,
}

/// Vertical extent of one row of a sheet, units.
#[derive(Debug, Clone, Copy)]
pub(super) struct Row {
    pub top: f64,
    pub height: f64,
}

/// A picture on the sheet: `at` is column and row of its first pixel, `size` its rows and columns on the sheet. Pixels are repeated if
/// the size is larger than that of `rgb`.
pub(super) struct Placed {
    pub at: (usize, usize),
    pub size: (usize, usize),
    pub rgb: Array3<u8>,
}

/// A sheet under construction. Lengths are in units: a sheet of usual shape is at least 1920 units wide and 1080 high, one higher than
/// wide is 1080 units wide.
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
    /// Returns an empty sheet of `size` (columns, rows), pixels.
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

    /// Sets the common SHA-256 of the inputs, of which the first twelve digits are printed at the foot.
    pub fn made_of(self, sum: Option<&str>) -> Self {
        let made_of = sum.map(|s| s.chars().take(12).collect());
        Canvas { made_of, ..self }
    }

    /// Whether the sheet is higher than wide; names are then above their bars and strips instead of beside them.
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

    /// Converts a length in units to whole pixels.
    pub fn pixels(&self, units: f64) -> usize {
        (units * self.scale).round().max(0.0) as usize
    }

    /// Columns and rows, pixels.
    pub fn size(&self) -> (usize, usize) {
        self.size
    }

    /// Text alternative.
    pub fn description(&self) -> &str {
        &self.description
    }

    /// Regular type, aligned left, in the main ink.
    pub fn plain(&self, size: f64) -> Type {
        Type {
            size,
            bold: false,
            anchor: Anchor::Start,
            colour: self.colours.ink,
        }
    }

    /// Regular type, aligned left, in the softer ink.
    pub fn soft(&self, size: f64) -> Type {
        Type {
            colour: self.colours.soft,
            ..self.plain(size)
        }
    }

    /// Draws title and subtitle `about` at the top, notes and the program's name at the foot, and sets the text alternative. Returns top and
    /// bottom of the free space, units.
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
        for line in some_lines(title, room, (heading, 3)) {
            self.text((MARGIN, base), heading, &line);
            base += 62.0;
        }
        let soft = self.soft(34.0);
        self.text((MARGIN, base - 10.0), soft, &cut(about, room, soft));
        let rule = format!("M{MARGIN},{:.1}H{:.1}", base + 14.0, width - MARGIN);
        self.path(&rule, self.colours.accent, 3.0);
        let small = self.soft(SMALL);
        let mut foot = height - 28.0;
        for line in lines(&format!("{notes} {}", self.maker()), room, small)
            .iter()
            .rev()
        {
            self.text((MARGIN, foot), small, line);
            foot -= SMALL_LINE;
        }
        (base + 38.0, foot - 6.0)
    }

    /// Height to reserve for title, subtitle and notes of usual length, units.
    pub fn framing(&self) -> f64 {
        match self.narrow() {
            true => 480.0,
            false => 310.0,
        }
    }

    /// Sentence with the program, its version and the start of the inputs' SHA-256.
    fn maker(&self) -> String {
        let Program { name, version } = Program::this();
        match &self.made_of {
            Some(sum) => format!("Made by {name} {version} of inputs {sum}."),
            None => format!("Made by {name} {version}."),
        }
    }

    /// Draws a line of text; the point (units) is on its baseline.
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

    /// Draws a text that runs upwards, centred at the point (units).
    pub fn upright_text(&mut self, (x, y): (f64, f64), look: Type, text: &str) {
        let _ = writeln!(
            self.body,
            r#"<text transform="translate({x:.1},{y:.1}) rotate(-90)" font-size="{:.1}" text-anchor="middle" fill="{}">{}</text>"#,
            look.size,
            look.colour,
            escape(text)
        );
    }

    /// Draws a line along SVG path data; `width` in units.
    pub fn path(&mut self, data: &str, colour: &str, width: f64) {
        self.dashed(data, colour, width, "");
    }

    /// Draws a line with a border in the colour of the paper, which is visible on bars of any colour.
    pub fn haloed(&mut self, data: &str) {
        self.path(data, self.colours.paper, 6.0);
        self.path(data, self.colours.ink, 3.0);
    }

    /// Draws a line with an SVG dash array ("6 4"; empty: solid).
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

    /// Draws a filled shape; opacity 0..=1.
    pub fn area(&mut self, data: &str, colour: &str, opacity: f64) {
        let _ = writeln!(
            self.body,
            r#"<path d="{data}" fill="{colour}" fill-opacity="{opacity}"/>"#
        );
    }

    /// Draws a filled rectangle; opacity 0..=1.
    pub fn bar(&mut self, place: Rectangle, colour: &str, opacity: f64) {
        let Rectangle {
            left: x,
            top: y,
            width: w,
            height: h,
        } = place;
        let _ = writeln!(
            self.body,
            r#"<rect x="{x:.1}" y="{y:.1}" width="{w:.1}" height="{h:.1}" fill="{colour}" fill-opacity="{opacity}"/>"#
        );
    }

    /// Places a picture at 100 % with a thin border, its first pixel at the pixel nearest to the point (units). It covers text and shapes.
    pub fn picture(&mut self, place: (f64, f64), rgb: Array3<u8>) {
        let (rows, columns, _) = rgb.dim();
        self.enlarged(place, (rows, columns), rgb);
    }

    /// Places a picture like [`Canvas::picture`] at a size (rows, columns), in pixels of the sheet; samples are repeated.
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

    /// Returns the SVG document, with or without the placed pictures.
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
            if let Some(uri) = EmbeddedPicture::png(&placed.rgb).map(|p| p.uri()) {
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
