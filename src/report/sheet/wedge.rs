//! Sheets of wedge strips: the wedge in every picture one below the other, steps that run together marked, with the number of steps
//! resolved.
use super::canvas::{Anchor, Canvas, MARGIN, Row, SMALL, SMALL_LINE, Type};
use super::lettering::{lines, some_lines, width as text_width};
use super::settings::SheetSettings;
use super::{about, claims, first_things_first, pages, shown, subject};
use crate::Strip;
use crate::html::strips::{Run, runs};
use crate::words::{count, distinguishing_part, reason_name};
use stopspan_core::results::BracketReport;
use stopspan_core::results::PictureMeasurement;

/// Width of the column of names, units.
const NAMES: f64 = 450.0;
/// Width of the column of counts, units.
const COUNTS: f64 = 320.0;
/// Height of the lines of name and count above a strip on a narrow sheet, units.
const HEAD: f64 = 96.0;
/// Height of the bracket and the reason below a strip, units.
const MARKS: f64 = 58.0;
/// Maximum height of a row without the lines of names, units.
const TALLEST: f64 = 190.0;

/// Draws the sheets; none if no wanted picture has both levels and a strip.
pub(super) fn draw(
    blank: impl Fn() -> Canvas,
    bracket: &BracketReport,
    strips: &[Option<Strip>],
    settings: &SheetSettings,
) -> Vec<Canvas> {
    let wanted = bracket.pictures.iter().zip(strips);
    let measured: Vec<(&PictureMeasurement, &Strip)> = wanted
        .filter(|(p, _)| p.levels.is_some() && shown(bracket, settings, p))
        .filter_map(|(p, s)| Some((p, s.as_ref()?)))
        .collect();
    let files = measured.iter().map(|r| r.0.file.as_str());
    let rows: Vec<NamedStrip> = measured
        .iter()
        .map(|(picture, strip)| NamedStrip {
            picture,
            name: distinguishing_part(files.clone(), &picture.file),
            about: [
                about(bracket, picture),
                strip
                    .note
                    .replace("logarithm of radiance over", "log scale,"),
            ],
            strip,
        })
        .collect();
    let rows = first_things_first(rows, bracket, |row: &NamedStrip| row.picture);
    let sheet = |rows: &[NamedStrip]| {
        let heading = (claims::steps(bracket), subject(bracket));
        draw_rows(blank(), heading, notes(rows), rows)
    };
    match rows.is_empty() {
        true => Vec::new(),
        false => pages(&rows).map(sheet).collect(),
    }
}

/// Draws one sheet; `heading` is its title and the line below it.
fn draw_rows(
    mut canvas: Canvas,
    (title, about): (String, String),
    notes: String,
    rows: &[NamedStrip],
) -> Canvas {
    let (top, bottom) = canvas.frame(&title, &about, &notes, describe(rows));
    let head = if canvas.narrow() { HEAD } else { 0.0 };
    let height = ((bottom - top) / rows.len() as f64).min(TALLEST + head);
    for (index, row) in rows.iter().enumerate() {
        let place = Row {
            top: top + height * index as f64,
            height,
        };
        row.draw(&mut canvas, place);
    }
    canvas
}

/// The wedge in the default shot of one camera.
#[derive(Debug, Clone)]
pub struct CameraStrip {
    /// Camera.
    pub camera: String,
    /// Settings, and file: two lines.
    pub about: [String; 2],
    /// True if the light of the shot rests on an assumed transfer function.
    pub assumed: bool,
    /// The measured shot.
    pub picture: PictureMeasurement,
    /// Its wedge.
    pub strip: Strip,
}

/// Draws the sheets of wedges across cameras.
pub(super) fn draw_cameras(blank: impl Fn() -> Canvas, strips: &[CameraStrip]) -> Vec<Canvas> {
    let sheet = |part: &[CameraStrip]| {
        let names = strips.iter().map(|s| s.camera.as_str());
        let rows: Vec<NamedStrip> = part
            .iter()
            .map(|strip| NamedStrip {
                picture: &strip.picture,
                name: distinguishing_part(names.clone(), &strip.camera),
                about: strip.about.clone(),
                strip: &strip.strip,
            })
            .collect();
        let assumed = part.iter().filter(|s| s.assumed);
        let assumed: Vec<&str> = assumed.map(|s| s.camera.as_str()).collect();
        let mut said = notes(&rows);
        if !assumed.is_empty() {
            said += &format!(
                " Light is assumed (IEC 61966-2-1) for {}.",
                assumed.join(", ")
            );
        }
        let cameras: Vec<&str> = part.iter().map(|s| s.camera.as_str()).collect();
        draw_rows(blank(), (claim(&rows), cameras.join(", ")), said, &rows)
    };
    match strips.is_empty() {
        true => Vec::new(),
        false => pages(strips).map(sheet).collect(),
    }
}

/// "Default shots resolve 14 to 18 of 21 steps".
fn claim(rows: &[NamedStrip]) -> String {
    let levels = || rows.iter().filter_map(|row| row.picture.levels);
    let total = levels().map(|l| l.steps).max().unwrap_or_default();
    let same = levels().all(|l| l.steps == total);
    let (least, most) = (
        levels().map(|l| l.noise).min().unwrap_or_default(),
        levels().map(|l| l.noise).max().unwrap_or_default(),
    );
    match (same, least == most) {
        (false, _) => "Default shots: wedge steps resolved".to_owned(),
        (true, true) => format!("Default shots resolve {most} of {total} steps"),
        (true, false) => format!("Default shots resolve {least} to {most} of {total} steps"),
    }
}

/// Explains the count; the count by 8 x 8 means only where some picture shows one.
fn notes(rows: &[NamedStrip]) -> String {
    let mut said = String::from(
        "Resolved: neighbours differ by the noise of one pixel or more, in linear light. Brackets mark steps that run together.",
    );
    let mut levels = rows.iter().filter_map(|row| row.picture.levels);
    if levels.any(|l| l.fewer_by_block().is_some()) {
        said += " 8 x 8 means: a count that noise filtering cannot raise.";
    }
    said
}

/// The wedge in one picture.
struct NamedStrip<'a> {
    picture: &'a PictureMeasurement,
    /// File name or camera as shown.
    name: String,
    /// Two lines below it.
    about: [String; 2],
    strip: &'a Strip,
}

impl NamedStrip<'_> {
    fn draw(&self, canvas: &mut Canvas, row: Row) {
        let Some(levels) = self.picture.levels else {
            return;
        };
        let right = canvas.extent().0 - MARGIN;
        let (head, span) = if canvas.narrow() {
            (HEAD, (MARGIN, right))
        } else {
            (0.0, (MARGIN + NAMES, right - COUNTS))
        };
        self.names(canvas, row);
        self.counts(canvas, row.top);
        let columns = canvas.pixels(span.1 - span.0);
        let high = row.height - head - MARKS - 14.0;
        let top = row.top + head + 6.0;
        let size = (canvas.pixels(high), columns);
        canvas.enlarged((span.0, top), size, self.strip.rgb.clone());
        let marks = RunMarks {
            left: span.0,
            right: span.1,
            steps: levels.steps,
            top: top + high + 7.0,
        };
        for run in runs(&self.picture.joined) {
            marks.draw(canvas, &run);
        }
    }

    /// Number of steps resolved, and the one by means of 8 x 8 pixels where that is lower.
    fn counts(&self, canvas: &mut Canvas, top: f64) {
        let Some(levels) = self.picture.levels else {
            return;
        };
        let right = canvas.extent().0 - MARGIN;
        let (size, base) = match canvas.narrow() {
            true => (56.0, top + 46.0),
            false => (76.0, top + 66.0),
        };
        let note = Type {
            anchor: Anchor::End,
            ..canvas.soft(SMALL)
        };
        let big = Type {
            bold: true,
            anchor: Anchor::End,
            ..canvas.plain(size)
        };
        let total = format!("of {}", levels.steps);
        let past = right - text_width(&total, note) - 14.0;
        canvas.text((past, base), big, &levels.noise.to_string());
        canvas.text((right, base), note, &total);
        if let Some(block) = levels.fewer_by_block() {
            let text = format!("{block} by 8 x 8 means");
            canvas.text((right, base + SMALL_LINE), note, &text);
        }
    }

    /// Name and what is about it: beside the strip, or in lines above it on a narrow sheet.
    fn names(&self, canvas: &mut Canvas, row: Row) {
        let name = Type {
            bold: true,
            ..canvas.plain(34.0)
        };
        let note = canvas.soft(SMALL);
        let narrow = canvas.narrow();
        let room = match narrow {
            true => canvas.extent().0 - 2.0 * MARGIN - COUNTS,
            false => NAMES - 24.0,
        };
        let (about, most) = match narrow {
            true => (self.about.join(", "), 1),
            false => (self.about.join("\n"), 2),
        };
        let mut base = row.top + 34.0;
        for text in some_lines(&self.name, room, (name, most)) {
            canvas.text((MARGIN, base), name, &text);
            base += SMALL_LINE + 2.0;
        }
        let end = match narrow {
            true => row.top + HEAD,
            false => row.top + row.height,
        };
        let each = about.trim_end_matches(", ").split('\n');
        for text in each.flat_map(|text| lines(text, room, note)) {
            if base < end {
                canvas.text((MARGIN, base), note, text.trim_end_matches(','));
                base += SMALL_LINE;
            }
        }
    }
}

/// Where the brackets under a strip go: its ends and the brackets' upper edge in units, and its steps.
struct RunMarks {
    left: f64,
    right: f64,
    steps: usize,
    top: f64,
}

impl RunMarks {
    /// A bracket under the steps of a run, with its reason.
    fn draw(&self, canvas: &mut Canvas, run: &Run) {
        let (left, right, y) = (self.left, self.right, self.top);
        let middle_of =
            |step: usize| left + (step as f64 - 0.5) / self.steps as f64 * (right - left);
        let (from, to) = (middle_of(run.first), middle_of(run.last));
        let data = format!("M{from:.1},{y:.1}v12H{to:.1}v-12");
        canvas.path(&data, canvas.colours.ink, 3.0);
        let label = Type {
            anchor: Anchor::Middle,
            ..canvas.plain(SMALL)
        };
        let reason = reason_name(run.reason);
        let half = text_width(reason, label) / 2.0;
        let middle = ((from + to) / 2.0).clamp(left + half, (right - half).max(left + half));
        canvas.text((middle, y + 42.0), label, reason);
    }
}

fn describe(rows: &[NamedStrip]) -> String {
    let said: Vec<String> = rows
        .iter()
        .filter_map(|row| {
            let p = row.picture;
            let levels = p.levels?;
            let joined = runs(&p.joined);
            let list = joined
                .iter()
                .map(|r| format!("{} to {} by {}", r.first, r.last, reason_name(r.reason)));
            let list: Vec<String> = list.collect();
            let tail = if list.is_empty() {
                String::new()
            } else {
                format!(" (running together: {})", list.join(", "))
            };
            let block = levels.fewer_by_block();
            let block = block.map_or_else(String::new, |b| format!(" ({b} by 8 x 8 means)"));
            Some(format!(
                "{} {} of {}{block}{tail}",
                p.file, levels.noise, levels.steps
            ))
        })
        .collect();
    format!(
        "Wedge strips of {}, lightest step on the left. Steps resolved by noise: {}.",
        count(rows.len(), "picture", "pictures"),
        said.join("; ")
    )
}
