//! Sheets on the comparison of cameras: range of the pictures that each camera has, with the steps each resolves, its standing, and
//! reasons to compare with care.
use super::ROWS;
use super::canvas::{Canvas, MARGIN, Rectangle, SMALL, SMALL_LINE, Type};
use super::horizontal_axis::{HorizontalAxis, lower_bound_arrow};
use super::lettering::{lines, some_lines};
use crate::figure::axis::Axis;
use crate::words::cameras::{compare_with_care, picture_name, short_standings};
use crate::words::{distinguishing_part, stops, stops_interval, typeset};
use stopspan_core::results::Limit;
use stopspan_core::results::Report;
use stopspan_core::results::{CameraRow, LevelsAndRange, RankedFigure, RankedPicture};

const NAMES: f64 = 500.0;
/// Height of a bar with its line of text, units.
const BAR: f64 = 72.0;
/// Least space below the bars of a camera, and the most that is added where there is room, units.
const GAP: f64 = 22.0;
const MOST_SPARE: f64 = 60.0;

/// Draws the sheets; none without a comparison or without any range.
pub(super) fn draw(blank: impl Fn() -> Canvas, report: &Report) -> Vec<Canvas> {
    let Some(comparison) = &report.cameras else {
        return Vec::new();
    };
    let by = Scale::of(&comparison.rows);
    let canvas = blank();
    let lines: Vec<CameraLine> = comparison
        .rows
        .iter()
        .map(|row| {
            let all = comparison.rows.iter().map(|r| r.camera.as_str());
            CameraLine::new(row, distinguishing_part(all, &row.camera), &canvas)
        })
        .collect();
    let bars = lines.iter().flat_map(|line| &line.bars);
    let ends: Vec<f64> = bars.filter_map(|b| by.end(b.figure)).collect();
    let axis = Axis::linear(by.label(), ends.iter().copied().chain([0.0]));
    let (Some(axis), false) = (axis, ends.is_empty()) else {
        return Vec::new();
    };
    let common = Common {
        title: claim(&comparison.rows),
        by,
        axis,
        care: compare_with_care(comparison),
    };
    let (top, bottom) = common.frame(&mut blank(), &lines);
    parts(&lines, bottom - top)
        .into_iter()
        .map(|part| common.draw(blank(), part))
        .collect()
}

/// The rows of each sheet: at most [`ROWS`], and no more than the height `free` has room for, units.
fn parts<'l, 'r>(lines: &'l [CameraLine<'r>], free: f64) -> Vec<&'l [CameraLine<'r>]> {
    let mut out = Vec::new();
    let mut rest = lines;
    while !rest.is_empty() {
        let ends = rest.iter().scan(0.0, |sum, line| {
            *sum += line.height;
            Some(*sum)
        });
        let fit = ends.take_while(|end| *end <= free).count();
        let (part, other) = rest.split_at(fit.clamp(1, ROWS));
        out.push(part);
        rest = other;
    }
    out
}

/// "Widest range: B, merge 11.3 stops" where one camera is ranked first by itself; otherwise that none is.
fn claim(rows: &[CameraRow]) -> String {
    let pictures = [
        RankedPicture::Merge,
        RankedPicture::CameraHdr,
        RankedPicture::Single,
        RankedPicture::DefaultShot,
    ];
    for picture in pictures {
        for figure in [RankedFigure::Stops, RankedFigure::Levels] {
            let ranked = |row: &&CameraRow| {
                let standing = row.standing(picture, figure);
                standing.is_some_and(|s| s.rank == Some(1) && s.tied.is_empty())
            };
            let Some(first) = rows.iter().find(ranked) else {
                continue;
            };
            let (what, found) = (picture_name(picture), first.figures(picture));
            let number = match figure {
                RankedFigure::Levels => found.levels.map(|n| format!("{n} steps")),
                _ => found
                    .snr1
                    .and_then(|u| stops(&u))
                    .map(|s| format!("{s} stops")),
            };
            let head = match figure {
                RankedFigure::Levels => "Most steps",
                _ => "Widest range",
            };
            if let Some(number) = number {
                return format!("{head}: {}, {what} {number}", first.camera);
            }
        }
    }
    "Cameras compared: none is clearly first".to_owned()
}

/// What all sheets have in common.
struct Common {
    title: String,
    by: Scale,
    axis: Axis,
    care: Vec<String>,
}

impl Common {
    /// Draws title, notes and reasons to compare with care; returns top and bottom of the space for cameras, units.
    fn frame(&self, canvas: &mut Canvas, lines: &[CameraLine]) -> (f64, f64) {
        let said: Vec<String> = lines.iter().map(CameraLine::sentence).collect();
        let cameras: Vec<&str> = lines.iter().map(|l| l.row.camera.as_str()).collect();
        let intervals = lines.iter().any(|line| line.row.has_interval());
        let (top, bottom) = canvas.frame(
            &self.title,
            &cameras.join(", "),
            self.by.notes(intervals),
            format!(
                "Range and steps of each camera. {}. {}",
                said.join("; "),
                self.care.join(" ")
            ),
        );
        (top, warnings(canvas, bottom, &self.care) - 84.0)
    }

    fn draw(&self, mut canvas: Canvas, lines: &[CameraLine]) -> Canvas {
        let (mut top, bottom) = self.frame(&mut canvas, lines);
        let (width, _) = canvas.extent();
        let names = if canvas.narrow() { 0.0 } else { NAMES };
        let axis = HorizontalAxis {
            axis: &self.axis,
            left: MARGIN + names,
            right: width - MARGIN,
        };
        axis.grid(&mut canvas, top, bottom);
        let taken: f64 = lines.iter().map(|line| line.height).sum();
        let spare = ((bottom - top - taken) / lines.len() as f64).clamp(0.0, MOST_SPARE);
        for line in lines {
            line.draw(&mut canvas, (&axis, self.by), top);
            top += line.height + spare;
        }
        canvas
    }
}

/// What the bars are long by.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Scale {
    Stops,
    /// Where no picture has a range.
    Steps,
}

impl Scale {
    fn of(rows: &[CameraRow]) -> Self {
        let ranged = |b: &Bar| b.figure.snr1.is_some_and(|u| u.stops.is_some());
        match rows.iter().any(|r| bars(r).iter().any(ranged)) {
            true => Scale::Stops,
            false => Scale::Steps,
        }
    }

    fn label(self) -> &'static str {
        match self {
            Scale::Stops => "stops from clipping down to SNR 1",
            Scale::Steps => "steps of the wedge resolved by noise",
        }
    }

    /// Length of a bar.
    fn length(self, figure: &LevelsAndRange) -> Option<f64> {
        match self {
            Scale::Stops => figure.snr1?.stops,
            Scale::Steps => figure.levels.map(|n| n as f64),
        }
    }

    /// Farthest mark of a bar.
    fn end(self, figure: &LevelsAndRange) -> Option<f64> {
        let upper = figure.snr1.and_then(|u| u.high95);
        match self {
            Scale::Stops => upper.or(self.length(figure)),
            Scale::Steps => self.length(figure),
        }
    }

    fn notes(self, intervals: bool) -> &'static str {
        match (self, intervals) {
            (Scale::Stops, true) => {
                "Stops from clipping to SNR 1 of one pixel (ISO 15739). In brackets: 95 % interval. Arrow: at least this much. Ranked only where intervals are separate."
            }
            (Scale::Stops, false) => {
                "Stops from clipping to SNR 1 of one pixel (ISO 15739). Arrow: at least this much."
            }
            (Scale::Steps, _) => {
                "Wedge steps resolved by noise. No range in stops: the light of the pictures is not known. Ranked only where intervals are separate."
            }
        }
    }
}

/// One bar of a camera.
struct Bar<'a> {
    picture: RankedPicture,
    words: String,
    figure: &'a LevelsAndRange,
}

/// The pictures that a camera has. A default shot that is the best single frame too has one bar.
fn bars(row: &CameraRow) -> Vec<Bar<'_>> {
    let same = row.single.is_there() && row.single.file == row.default_shot.file;
    let shown = RankedPicture::ALL.into_iter().filter(|picture| {
        row.figures(*picture).is_there() && !(same && *picture == RankedPicture::DefaultShot)
    });
    let bar = |picture| Bar {
        picture,
        words: match picture {
            RankedPicture::Single if same => "default shot, best single frame".to_owned(),
            other => picture_name(other).to_owned(),
        },
        figure: row.figures(picture),
    };
    shown.map(bar).collect()
}

/// Writes the reasons to compare with care above `bottom`; returns the new bottom of the free space, units.
fn warnings(canvas: &mut Canvas, bottom: f64, care: &[String]) -> f64 {
    if care.is_empty() {
        return bottom;
    }
    let look = canvas.plain(SMALL);
    let room = canvas.extent().0 - 2.0 * MARGIN;
    let text = format!("Compare with care. {}", care.join(" "));
    let broken = lines(&text, room, look);
    let top = bottom - SMALL_LINE * broken.len() as f64;
    for (index, line) in broken.iter().enumerate() {
        canvas.text((MARGIN, top + SMALL_LINE * index as f64), look, line);
    }
    top - 56.0
}

/// The standings of a row by its merge, or else another picture of it.
fn standings(row: &CameraRow) -> Vec<String> {
    let pictures = [
        (RankedPicture::Merge, "merges"),
        (RankedPicture::CameraHdr, "cameras\u{2019} HDR"),
        (RankedPicture::Single, "single frames"),
        (RankedPicture::DefaultShot, "default shots"),
    ];
    let said = pictures.into_iter().find_map(|(picture, name)| {
        let mut found = short_standings(row, picture);
        let first = found.first_mut()?;
        *first = format!("{name} by {first}");
        Some(found)
    });
    said.unwrap_or_else(|| vec!["not ranked: no other row has the same figure".to_owned()])
}

/// One camera on a sheet.
struct CameraLine<'r> {
    row: &'r CameraRow,
    /// Its name and its standing, a line each.
    name: Vec<String>,
    standing: Vec<String>,
    bars: Vec<Bar<'r>>,
    /// Height above the bars, units.
    head: f64,
    /// Height that all of it takes, units.
    height: f64,
}

impl<'r> CameraLine<'r> {
    fn new(row: &'r CameraRow, camera: String, canvas: &Canvas) -> Self {
        let narrow = canvas.narrow();
        let (room, most) = match narrow {
            true => (canvas.extent().0 - 2.0 * MARGIN, 1),
            false => (NAMES - 24.0, 2),
        };
        let name = some_lines(&camera, room, (bold(canvas), most));
        let soft = canvas.soft(SMALL);
        let broken = standings(row).into_iter();
        let mut standing: Vec<String> = broken.flat_map(|text| lines(&text, room, soft)).collect();
        standing.truncate(if narrow { 2 } else { 5 });
        let bars = bars(row);
        let texts = (name.len() + standing.len()) as f64 * SMALL_LINE + 8.0;
        let drawn = bars.len() as f64 * BAR;
        // On a narrow sheet the texts are above the bars.
        let (head, height) = match narrow {
            true => (texts, texts + drawn),
            false => (0.0, texts.max(drawn)),
        };
        CameraLine {
            row,
            name,
            standing,
            bars,
            head,
            height: height + GAP,
        }
    }

    fn draw(&self, canvas: &mut Canvas, (axis, by): (&HorizontalAxis, Scale), top: f64) {
        let looks = (bold(canvas), canvas.soft(SMALL));
        let names = self.name.iter().map(|text| (text, looks.0));
        let texts = names.chain(self.standing.iter().map(|text| (text, looks.1)));
        for (index, (text, look)) in texts.enumerate() {
            let base = top + 34.0 + SMALL_LINE * index as f64;
            canvas.text((MARGIN, base), look, text);
        }
        for (index, bar) in self.bars.iter().enumerate() {
            let top = top + self.head + BAR * index as f64;
            let text = format!("{}: {}", bar.words, figures(bar.figure, self.row.steps));
            let label = canvas.plain(SMALL);
            canvas.text((axis.left + 6.0, top + 32.0), label, &text);
            bar.draw(canvas, (axis, by), top + 42.0);
        }
    }

    fn sentence(&self) -> String {
        let part = |bar: &Bar| format!("{} {}", bar.words, figures(bar.figure, self.row.steps));
        let parts: Vec<String> = self.bars.iter().map(part).collect();
        format!("{}: {}", self.row.camera, parts.join(", "))
    }
}

fn bold(canvas: &Canvas) -> Type {
    Type {
        bold: true,
        ..canvas.plain(34.0)
    }
}

impl Bar<'_> {
    /// Draws the bar with its upper edge at `top`, units.
    fn draw(&self, canvas: &mut Canvas, (axis, by): (&HorizontalAxis, Scale), top: f64) {
        const THICK: f64 = 24.0;
        let colour = match self.picture {
            RankedPicture::DefaultShot => canvas.colours.frames[2],
            RankedPicture::Single => canvas.colours.frames[0],
            RankedPicture::CameraHdr => canvas.colours.hdr,
            RankedPicture::Merge => canvas.colours.merge,
            RankedPicture::Raw => canvas.colours.frames[1],
        };
        let Some(length) = by.length(self.figure) else {
            return;
        };
        let (end, middle) = (axis.position(length), top + THICK / 2.0);
        let shape = Rectangle {
            left: axis.left,
            top,
            width: end - axis.left,
            height: THICK,
        };
        canvas.bar(shape, colour, 0.95);
        if let (Scale::Stops, Some(usable)) = (by, self.figure.snr1) {
            axis.whisker(canvas, &usable, middle);
            if usable.limited_by == Limit::Wedge {
                lower_bound_arrow(canvas, end, middle);
            }
        }
    }
}

/// Range and steps of a picture as text.
fn figures(figure: &LevelsAndRange, steps: Option<usize>) -> String {
    let range = figure.snr1.filter(|u| u.stops.is_some());
    let range = range.map(|u| format!("{} stops", typeset(&stops_interval(&u))));
    let count = figure.levels.zip(steps).map(|(levels, steps)| {
        let block = figure.levels_block;
        let block = block.map_or_else(String::new, |b| format!(" ({b} by 8 x 8 means)"));
        format!("{levels} of {steps} steps{block}")
    });
    let parts: Vec<String> = range.into_iter().chain(count).collect();
    parts.join(", ")
}
