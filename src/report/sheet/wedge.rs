//! Sheet of wedge strips: the wedge in every picture one below the other, steps that run together marked, with the number of steps
//! resolved.
use super::canvas::{Anchor, Canvas, MARGIN, Row, Type};
use super::lettering::{cut, lines, width as text_width};
use super::settings::SheetSettings;
use super::{kind, subject};
use crate::Strip;
use crate::html::strips::{Run, runs};
use crate::words::{count, distinguishing_part, reason_name};
use stopspan_core::results::BracketReport;
use stopspan_core::results::PictureMeasurement;

/// Width of the column of names, units.
const NAMES: f64 = 400.0;
/// Width of the column of counts, units.
const COUNTS: f64 = 260.0;
/// Height of the line of name and count above a strip on a narrow sheet, units.
const LINE: f64 = 74.0;
/// Maximum height of a row without the line of names, units; many rows are made smaller.
const TALLEST: f64 = 190.0;

/// Draws the sheet; `None` if no wanted picture has both levels and a strip.
pub(super) fn draw(
    mut canvas: Canvas,
    bracket: &BracketReport,
    strips: &[Option<Strip>],
    settings: &SheetSettings,
) -> Option<Canvas> {
    let wanted = bracket.pictures.iter().zip(strips);
    let rows: Vec<(&PictureMeasurement, &Strip)> = wanted
        .filter(|(p, _)| p.levels.is_some() && settings.wants(p))
        .filter_map(|(p, s)| Some((p, s.as_ref()?)))
        .collect();
    let steps = rows.first()?.0.levels?.steps;
    let (top, bottom) = canvas.frame(
        &format!("Wedge steps resolved, of {steps}"),
        &subject(bracket),
        &notes(&rows),
        describe(&rows),
    );
    let tallest = if canvas.narrow() {
        TALLEST + LINE
    } else {
        TALLEST
    };
    let height = ((bottom - top) / rows.len() as f64).min(tallest);
    for (index, (picture, strip)) in rows.iter().enumerate() {
        let place = Row {
            top: top + height * index as f64,
            height,
        };
        let note = strip.note.replace("logarithm of radiance", "log radiance");
        let named = NamedStrip {
            picture,
            name: distinguishing_part(rows.iter().map(|r| r.0.file.as_str()), &picture.file),
            about: [kind(picture).to_owned(), note],
            strip,
        };
        named.draw(&mut canvas, place);
    }
    Some(canvas)
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

/// Largest number of strips on a sheet across cameras.
pub const STRIPS: usize = 8;

/// Draws the sheet of wedges across cameras; `None` without a strip.
pub(super) fn draw_cameras(mut canvas: Canvas, strips: &[CameraStrip]) -> Option<Canvas> {
    let rows: Vec<(&PictureMeasurement, &Strip)> =
        strips.iter().map(|s| (&s.picture, &s.strip)).collect();
    let steps: Vec<usize> = rows
        .iter()
        .filter_map(|r| r.0.levels)
        .map(|l| l.steps)
        .collect();
    let first = *steps.first()?;
    let title = match steps.iter().all(|s| *s == first) {
        true => format!("Default shots: wedge steps resolved, of {first}"),
        false => "Default shots: wedge steps resolved".to_owned(),
    };
    let cameras: Vec<&str> = strips.iter().map(|s| s.camera.as_str()).collect();
    let mut said = notes(&rows);
    let assumed: Vec<&str> = strips
        .iter()
        .filter(|s| s.assumed)
        .map(|s| s.camera.as_str())
        .collect();
    if !assumed.is_empty() {
        said += &format!(
            " Light is assumed (IEC 61966-2-1) for {}.",
            assumed.join(", ")
        );
    }
    let (top, bottom) = canvas.frame(&title, &cameras.join(", "), &said, describe(&rows));
    let tallest = if canvas.narrow() {
        TALLEST + LINE
    } else {
        TALLEST
    };
    let height = ((bottom - top) / rows.len() as f64).min(tallest);
    for (index, strip) in strips.iter().enumerate() {
        let place = Row {
            top: top + height * index as f64,
            height,
        };
        let named = NamedStrip {
            picture: &strip.picture,
            name: strip.camera.clone(),
            about: strip.about.clone(),
            strip: &strip.strip,
        };
        named.draw(&mut canvas, place);
    }
    Some(canvas)
}

/// Explains the count; the count by 8 x 8 means only where some picture shows one.
fn notes(rows: &[(&PictureMeasurement, &Strip)]) -> String {
    let mut said = String::from(
        "Neighbours are resolved when they differ by at least the deviation of one pixel, in linear light. A bracket below a strip marks steps that run together, and why.",
    );
    let levels = rows.iter().filter_map(|(p, _)| p.levels);
    if levels.filter_map(|l| l.fewer_by_block()).next().is_some() {
        said += " By 8 x 8 means: the count with the noise of means of 8 x 8 pixels, where compression or filtering took out the noise of single pixels.";
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
        let (width, _) = canvas.extent();
        let right = width - MARGIN;
        let (head, span) = if canvas.narrow() {
            (LINE.min(0.4 * row.height), (MARGIN, right))
        } else {
            (0.0, (MARGIN + NAMES, right - COUNTS))
        };
        let shrink = ((row.height - head) / TALLEST).clamp(0.35, 1.0);
        self.names(canvas, row);
        let big = Type {
            bold: true,
            anchor: Anchor::End,
            ..canvas.plain(if canvas.narrow() { 60.0 } else { 80.0 * shrink })
        };
        let base = row.top
            + if canvas.narrow() {
                head - 16.0
            } else {
                0.48 * row.height
            };
        let note = canvas.soft(28.0 * shrink.max(0.6));
        canvas.text((right - 120.0, base), big, &levels.noise.to_string());
        canvas.text((right - 105.0, base), note, &format!("of {}", levels.steps));
        if let Some(block) = levels.fewer_by_block() {
            let small = Type {
                anchor: Anchor::End,
                size: 24.0 * shrink.max(0.6),
                ..note
            };
            let text = format!("{block} by 8 x 8 means");
            // On a narrow sheet the line of names ends where the count begins.
            let below = if canvas.narrow() { 14.0 } else { 40.0 * shrink };
            canvas.text((right, base + below), small, &text);
        }
        let below = row.height - head;
        let columns = canvas.pixels(span.1 - span.0);
        let rows = canvas.pixels(0.56 * below);
        let place = (span.0, row.top + head + 0.06 * below);
        canvas.enlarged(place, (rows, columns), self.strip.rgb.clone());
        let marks = RunMarks {
            left: span.0,
            right: span.1,
            steps: levels.steps,
            top: row.top + head + 0.66 * below,
            shrink,
        };
        for run in runs(&self.picture.joined) {
            marks.draw(canvas, &run);
        }
    }

    /// Name and what is about it: beside the strip, or in one line above it on a narrow sheet.
    fn names(&self, canvas: &mut Canvas, row: Row) {
        let Row { top, height } = row;
        let size = if canvas.narrow() {
            1.0
        } else {
            (height / TALLEST).clamp(0.35, 1.0)
        };
        let name = Type {
            bold: true,
            ..canvas.plain(36.0 * size)
        };
        let note = canvas.soft(28.0 * size);
        if canvas.narrow() {
            let base = top + LINE.min(0.4 * height) - 16.0;
            let file = cut(&self.name, 470.0, name);
            canvas.text((MARGIN, base), name, &file);
            let past = text_width(&file, name) + 20.0;
            let room = canvas.extent().0 - 2.0 * MARGIN - past - 230.0;
            let [first, second] = &self.about;
            let said = if second.is_empty() { first } else { second };
            canvas.text((MARGIN + past, base), note, &cut(said, room, note));
            return;
        }
        let room = NAMES - 20.0;
        // The first line of a name of two moves up, so that the rest stays beside the strip.
        let words = lines(&self.name, room, name);
        let last = match words.as_slice() {
            [first, rest @ ..] if !rest.is_empty() => {
                canvas.text((MARGIN, top + 0.10 * height), name, first);
                rest.join(" ")
            }
            _ => self.name.clone(),
        };
        let below = [
            (0.30, name, last.as_str()),
            (0.50, note, self.about[0].as_str()),
            (0.68, note, self.about[1].as_str()),
        ];
        for (share, look, text) in below.into_iter().filter(|l| !l.2.is_empty()) {
            canvas.text((MARGIN, top + share * height), look, &cut(text, room, look));
        }
    }
}

/// Where the brackets under a strip go: its ends and the brackets' upper edge in units, its steps, and the factor by which
/// brackets and letters are made smaller.
struct RunMarks {
    left: f64,
    right: f64,
    steps: usize,
    top: f64,
    shrink: f64,
}

impl RunMarks {
    /// A bracket under the steps of a run, with its reason.
    fn draw(&self, canvas: &mut Canvas, run: &Run) {
        let (left, right, y) = (self.left, self.right, self.top);
        let middle_of =
            |step: usize| left + (step as f64 - 0.5) / self.steps as f64 * (right - left);
        let (from, to) = (middle_of(run.first), middle_of(run.last));
        let data = format!(
            "M{from:.1},{y:.1}v{0:.1}H{to:.1}v-{0:.1}",
            12.0 * self.shrink
        );
        canvas.path(&data, canvas.colours.ink, 3.0);
        let label = Type {
            anchor: Anchor::Middle,
            ..canvas.plain(27.0 * self.shrink)
        };
        let reason = reason_name(run.reason);
        let half = text_width(reason, label) / 2.0;
        let middle = ((from + to) / 2.0).clamp(left + half, (right - half).max(left + half));
        canvas.text((middle, y + 40.0 * self.shrink), label, reason);
    }
}

fn describe(rows: &[(&PictureMeasurement, &Strip)]) -> String {
    let said: Vec<String> = rows
        .iter()
        .filter_map(|(p, _)| {
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
