//! A chart as SVG: axes with ticks, lines, bands, points, rules, and a legend above the plot.
use super::super::html::escape;
use super::super::words::distinguishing_part;
use super::axis::Axis;
use super::marks::{Mark, Series};
use std::fmt::Write;

/// Width of a chart in its own units; one unit is about one CSS pixel on a wide screen.
pub(crate) const WIDTH: f64 = 460.0;
const LEFT: f64 = 50.0;
const RIGHT: f64 = 12.0;
const PLOT_HEIGHT: f64 = 240.0;
const BELOW: f64 = 46.0;
const LEGEND_LINE: f64 = 19.0;
/// Assumed mean width of a letter in the legend, units; generous, so that entries never touch.
const LETTER: f64 = 7.1;

/// Title, text alternative and identifier of a chart.
#[derive(Debug, Clone)]
pub(crate) struct Caption {
    /// Identifier, unique on the page; the SVG elements of title and description append to it.
    pub id: String,
    /// Short title, read by screen readers.
    pub title: String,
    /// Text alternative: the content of the chart in a sentence or two.
    pub description: String,
}

/// A chart under construction: series are added in the order of drawing.
pub(crate) struct Chart {
    caption: Caption,
    x: Axis,
    y: Axis,
    top: f64,
    body: String,
    legend: Vec<(Mark, String)>,
}

impl Chart {
    /// Starts a chart. `legend` names the series in the order of drawing.
    pub fn new(caption: Caption, x: Axis, y: Axis, legend: Vec<(Mark, String)>) -> Self {
        let all = || legend.iter().map(|(_, name)| name.as_str());
        let legend: Vec<(Mark, String)> = legend
            .iter()
            .map(|(mark, name)| (*mark, distinguishing_part(all(), name)))
            .collect();
        let lines = legend_places(&legend).last().map_or(0.0, |p| p.1 + 1.0);
        Chart {
            caption,
            x,
            y,
            top: 10.0 + lines * LEGEND_LINE,
            body: String::new(),
            legend,
        }
    }

    /// Starts a chart of series of points, each with its name in the legend.
    pub fn of_series(caption: Caption, x: Axis, y: Axis, series: &[Series]) -> Self {
        let legend = series.iter().map(|s| (s.mark, s.name.to_owned()));
        Chart::new(caption, x, y, legend.collect())
    }

    /// Adds the series: lines with a shape at each point.
    pub fn draw_series(&mut self, series: &[Series]) {
        for one in series {
            self.line(one.mark, &one.points);
            self.points(one.mark, &one.points);
        }
    }

    fn place(&self, point: (f64, f64)) -> Option<(f64, f64)> {
        let (x, y) = (self.x.share(point.0), self.y.share(point.1));
        let inside = |v: f64| (-1e-6..=1.0 + 1e-6).contains(&v);
        (inside(x) && inside(y)).then_some((
            LEFT + x * (WIDTH - LEFT - RIGHT),
            self.top + (1.0 - y) * PLOT_HEIGHT,
        ))
    }

    /// Adds a line through points (x, y). It is interrupted at points outside the axes or without a position on them.
    pub fn line(&mut self, mark: Mark, points: &[(f64, f64)]) {
        self.line_of(mark, points, "line");
    }

    /// Adds a line like [`Chart::line`] in a pale colour, for parts without data.
    pub fn pale_line(&mut self, mark: Mark, points: &[(f64, f64)]) {
        self.line_of(mark, points, "line pale");
    }

    fn line_of(&mut self, mark: Mark, points: &[(f64, f64)], class: &str) {
        let mut path = String::new();
        let mut pen_down = false;
        for point in points {
            match self.place(*point) {
                Some((x, y)) => {
                    let _ = write!(path, "{}{x:.1},{y:.1}", if pen_down { 'L' } else { 'M' });
                    pen_down = true;
                }
                None => pen_down = false,
            }
        }
        if !path.is_empty() {
            let _ = writeln!(
                self.body,
                r#"<path class="{class} {}" d="{path}"{}/>"#,
                mark.class,
                dash(mark)
            );
        }
    }

    /// Adds a band between two edges, given as (x, low, high); it is clipped at the ends of the vertical axis.
    pub fn band(&mut self, mark: Mark, edges: &[(f64, f64, f64)]) {
        let cut = |y: f64| y.clamp(self.y.low, self.y.high);
        let seen = edges.iter().filter(|e| {
            e.1.is_finite() && e.2.is_finite() && e.2 >= self.y.low && e.1 <= self.y.high
        });
        let (mut there, mut back) = (String::new(), Vec::new());
        for (x, low, high) in seen {
            let (Some(upper), Some(lower)) =
                (self.place((*x, cut(*high))), self.place((*x, cut(*low))))
            else {
                continue;
            };
            let letter = if there.is_empty() { 'M' } else { 'L' };
            let _ = write!(there, "{letter}{:.1},{:.1}", upper.0, upper.1);
            back.push(lower);
        }
        for (x, y) in back.iter().rev() {
            let _ = write!(there, "L{x:.1},{y:.1}");
        }
        if back.len() > 1 {
            let _ = writeln!(
                self.body,
                r#"<path class="band {}" d="{there}z"/>"#,
                mark.class
            );
        }
    }

    /// Adds the mark's shape at each point.
    pub fn points(&mut self, mark: Mark, points: &[(f64, f64)]) {
        let places: Vec<_> = points.iter().filter_map(|p| self.place(*p)).collect();
        for (x, y) in places {
            let _ = writeln!(
                self.body,
                r#"<path class="point {}" transform="translate({x:.1},{y:.1})" d="{}"/>"#,
                mark.class, mark.shape
            );
        }
    }

    /// Adds a small dot at each point, all in one path.
    pub fn dots(&mut self, points: &[(f64, f64)]) {
        let mut path = String::new();
        for (x, y) in points.iter().filter_map(|p| self.place(*p)) {
            let _ = write!(path, "M{x:.1},{y:.1}h0");
        }
        if !path.is_empty() {
            let _ = writeln!(self.body, r#"<path class="dots" d="{path}"/>"#);
        }
    }

    /// Adds a horizontal line at a value, with its name at the right end.
    pub fn rule(&mut self, value: f64, name: &str) {
        if let Some((right, y)) = self.place((self.x.high, value)) {
            let _ = writeln!(
                self.body,
                r#"<path class="rule" d="M{LEFT},{y:.1}H{right:.1}"/><text class="small" x="{:.1}" y="{:.1}" text-anchor="end">{}</text>"#,
                right - 3.0,
                y - 4.0,
                escape(name)
            );
        }
    }

    /// Returns the whole chart as an SVG element.
    pub fn finish(self) -> String {
        let height = self.top + PLOT_HEIGHT + BELOW;
        let Caption {
            id,
            title,
            description,
        } = &self.caption;
        format!(
            "<svg class=\"chart\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\">\n\
             <title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>\n{}{}{}</svg>\n",
            escape(title),
            escape(description),
            self.axes(),
            self.body,
            self.legend_text()
        )
    }

    fn axes(&self) -> String {
        let mut out = String::new();
        let (bottom, right) = (self.top + PLOT_HEIGHT, WIDTH - RIGHT);
        for (value, text) in self.x.ticks() {
            let x = LEFT + self.x.share(value) * (right - LEFT);
            let _ = writeln!(
                out,
                r#"<path class="grid" d="M{x:.1},{:.1}V{bottom:.1}"/><text x="{x:.1}" y="{:.1}" text-anchor="middle">{text}</text>"#,
                self.top,
                bottom + 16.0
            );
        }
        for (value, text) in self.y.ticks() {
            let y = self.top + (1.0 - self.y.share(value)) * PLOT_HEIGHT;
            let _ = writeln!(
                out,
                r#"<path class="grid" d="M{LEFT},{y:.1}H{right:.1}"/><text x="{:.1}" y="{:.1}" text-anchor="end">{text}</text>"#,
                LEFT - 6.0,
                y + 4.5
            );
        }
        let middle = self.top + PLOT_HEIGHT / 2.0;
        let _ = writeln!(
            out,
            r#"<path class="axis" d="M{LEFT},{:.1}V{bottom:.1}H{right:.1}"/><text class="name" x="{:.1}" y="{:.1}" text-anchor="middle">{}</text><text class="name" transform="translate(13,{middle:.1}) rotate(-90)" text-anchor="middle">{}</text>"#,
            self.top,
            (LEFT + right) / 2.0,
            bottom + 36.0,
            escape(self.x.label),
            escape(self.y.label)
        );
        out
    }

    fn legend_text(&self) -> String {
        let mut out = String::new();
        for ((mark, name), (x, line)) in self.legend.iter().zip(legend_places(&self.legend)) {
            let (x, y) = (LEFT + x, 12.0 + line * LEGEND_LINE);
            let _ = write!(
                out,
                r#"<path class="line {0}" d="M{x:.1},{y:.1}h26"{1}/>"#,
                mark.class,
                dash(*mark)
            );
            if !mark.shape.is_empty() {
                let _ = write!(
                    out,
                    r#"<path class="point {}" transform="translate({:.1},{y:.1})" d="{}"/>"#,
                    mark.class,
                    x + 13.0,
                    mark.shape
                );
            }
            let _ = writeln!(
                out,
                r#"<text x="{:.1}" y="{:.1}">{}</text>"#,
                x + 31.0,
                y + 4.5,
                escape(&short(name))
            );
        }
        out
    }
}

/// Position of each legend entry: distance from the left, units, and line from 0.
fn legend_places(legend: &[(Mark, String)]) -> Vec<(f64, f64)> {
    let (mut x, mut line) = (0.0, 0.0);
    let mut places = Vec::new();
    for (_, name) in legend {
        let width = 31.0 + short(name).chars().count() as f64 * LETTER + 12.0;
        if x > 0.0 && x + width > WIDTH - LEFT - RIGHT + 12.0 {
            (x, line) = (0.0, line + 1.0);
        }
        places.push((x, line));
        x += width;
    }
    places
}

/// Shortens a name in its middle to the 24 characters that a legend has room for.
pub(crate) fn short(name: &str) -> String {
    const LETTERS: usize = 24;
    let letters: Vec<char> = name.chars().collect();
    if letters.len() <= LETTERS {
        return name.to_owned();
    }
    let (head, tail) = (LETTERS / 2 - 1, LETTERS / 2);
    let head: String = letters[..head].iter().collect();
    let tail: String = letters[letters.len() - tail..].iter().collect();
    format!("{head}\u{2026}{tail}")
}

fn dash(mark: Mark) -> String {
    if mark.dash.is_empty() {
        String::new()
    } else {
        format!(r#" stroke-dasharray="{}""#, mark.dash)
    }
}
