//! The wedge of every picture under each other, the steps that run together marked, the count beside.
use super::canvas::{Anchor, Canvas, MARGIN, Type, cut};
use super::settings::SheetSettings;
use super::{kind, subject};
use crate::measure::PictureMeasurement;
use crate::report::html::strips::{Run, runs};
use crate::report::words::{count, reason_name};
use crate::report::{BracketReport, Strip};
use ndarray::Array3;

/// Width of the column of names and of the column of counts, units.
const NAMES: f64 = 400.0;
const COUNTS: f64 = 260.0;
/// Rows that a sheet of usual shape holds legibly; more are made smaller, not left out.
const TALLEST: f64 = 190.0;

/// `None` where no wanted picture has both levels and a strip.
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
        &format!("{}: wedge steps told apart, of {steps}", subject(bracket)),
        "Neighbours count as told apart when they differ by at least the deviation of one pixel, in linear light.",
        "A bracket below a strip marks steps that run together, and why. Counted by the noise of one pixel.",
        describe(&rows),
    );
    let height = ((bottom - top) / rows.len() as f64).min(TALLEST);
    for (index, (picture, strip)) in rows.iter().enumerate() {
        row(
            &mut canvas,
            (top + height * index as f64, height),
            picture,
            strip,
        );
    }
    Some(canvas)
}

fn row(
    canvas: &mut Canvas,
    (top, height): (f64, f64),
    picture: &PictureMeasurement,
    strip: &Strip,
) {
    let Some(levels) = picture.levels else {
        return;
    };
    let shrink = (height / TALLEST).clamp(0.35, 1.0);
    let name = Type {
        bold: true,
        ..canvas.plain(36.0 * shrink)
    };
    let note = canvas.soft(28.0 * shrink);
    let room = NAMES - 20.0;
    canvas.text(
        (MARGIN, top + 0.30 * height),
        name,
        &cut(&picture.file, room, name),
    );
    canvas.text(
        (MARGIN, top + 0.50 * height),
        note,
        &cut(kind(picture), room, note),
    );
    if !strip.note.is_empty() {
        let words = strip.note.replace("logarithm of radiance", "log radiance");
        canvas.text(
            (MARGIN, top + 0.68 * height),
            note,
            &cut(&words, room, note),
        );
    }
    let (width, _) = canvas.extent();
    let right = width - MARGIN;
    let big = Type {
        bold: true,
        anchor: Anchor::End,
        ..canvas.plain(80.0 * shrink)
    };
    let base = top + 0.48 * height;
    canvas.text((right - 120.0, base), big, &levels.noise.to_string());
    canvas.text((right - 105.0, base), note, &format!("of {}", levels.steps));
    let left = MARGIN + NAMES;
    let columns = canvas.pixels(right - COUNTS - left);
    let rows = canvas.pixels(0.56 * height);
    canvas.picture(
        (left, top + 0.06 * height),
        enlarged(&strip.rgb, (rows, columns)),
    );
    for run in runs(&picture.joined) {
        mark(
            canvas,
            (left, right - COUNTS),
            (top + 0.66 * height, shrink),
            &run,
            levels.steps,
        );
    }
}

/// A bracket under the steps of a run, with its reason.
fn mark(
    canvas: &mut Canvas,
    (left, right): (f64, f64),
    (y, shrink): (f64, f64),
    run: &Run,
    steps: usize,
) {
    let place = |step: usize| left + (step as f64 - 0.5) / steps as f64 * (right - left);
    let (from, to) = (place(run.first), place(run.last));
    let data = format!("M{from:.1},{y:.1}v{0:.1}H{to:.1}v-{0:.1}", 12.0 * shrink);
    canvas.path(&data, canvas.colours.ink, 3.0);
    let label = Type {
        anchor: Anchor::Middle,
        ..canvas.plain(27.0 * shrink)
    };
    let half = super::canvas::width(reason_name(run.reason), label) / 2.0;
    let middle = ((from + to) / 2.0).clamp(left + half, (right - half).max(left + half));
    canvas.text((middle, y + 40.0 * shrink), label, reason_name(run.reason));
}

/// Every pixel repeated: the nearest one at each place, so that noise stays to be seen.
fn enlarged(rgb: &Array3<u8>, (rows, columns): (usize, usize)) -> Array3<u8> {
    let (high, wide, channels) = rgb.dim();
    Array3::from_shape_fn((rows, columns, channels), |(r, c, k)| {
        rgb[[r * high / rows, c * wide / columns, k]]
    })
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
            Some(format!(
                "{} {} of {}{tail}",
                p.file, levels.noise, levels.steps
            ))
        })
        .collect();
    format!(
        "Wedge strips of {}, lightest step on the left. Steps told apart by noise: {}.",
        count(rows.len(), "picture", "pictures"),
        said.join("; ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn enlarging_repeats_pixels_and_makes_none_up() {
        let rgb = Array3::from_shape_fn((2, 3, 3), |(r, c, k)| (r * 30 + c * 3 + k) as u8);
        let large = enlarged(&rgb, (4, 9));
        for ((r, c, k), value) in large.indexed_iter() {
            assert_eq!(*value, rgb[[r / 2, c / 3, k]]);
        }
    }
}
