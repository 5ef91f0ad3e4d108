//! Crops of the same places cut from the pictures of a bracket.
use super::{Crop, CropCell, CropPlace, CropRow, SheetSettings, crop_room, settings_or_kind};
use crate::cameras::single_frame;
use crate::figure::{FigureInput, original};
use crate::words::kind_words;
use ndarray::Array3;
use stopspan_core::model::{DisplayConversion, Homography};
use stopspan_core::raster::{Pixels, Point, Region};
use stopspan_core::results::{Patch, PictureKind, PictureMeasurement, RENDERED_FILE};
use stopspan_core::units::Primaries;

/// Maximum number of pictures side by side on a sheet of crops.
const ACROSS: usize = 4;

/// Cuts the crops asked for; by default the lightest and the darkest step, or without a wedge the centre of the picture.
pub fn crop_rows(input: FigureInput, settings: &SheetSettings) -> Vec<CropRow> {
    if settings.looks.is_empty() {
        return Vec::new();
    }
    let views = views(input, settings);
    let places = places(input, settings);
    let bracket = &input.merged.frames.bracket;
    let reference = &bracket.reference_frame().picture.pixels;
    let room = crop_room(settings.size, views.len(), places.len());
    let size = (
        room.0.min(reference.columns()),
        room.1.min(reference.rows()),
    );
    let inside = |place: &Point| Point {
        x: within(place.x, size.0, reference.columns()),
        y: within(place.y, size.1, reference.rows()),
    };
    let row = |(what, place): &(String, Point)| CropRow {
        what: what.clone(),
        cells: views.iter().map(|v| v.crop(inside(place), size)).collect(),
    };
    places.iter().map(row).collect()
}

/// Centre of a crop of `length`, moved as little as needed to be within a side of `end` pixels.
fn within(middle: f64, length: usize, end: usize) -> f64 {
    let half = length as f64 / 2.0;
    middle.clamp(half, (end as f64 - half).max(half))
}

/// A picture that crops are cut from.
struct View<'a> {
    file: String,
    kind: PictureKind,
    /// Settings of a frame, kind of any other picture, in words.
    about: String,
    pixels: &'a Pixels,
    placement: Homography,
    shown: DisplayConversion,
}

impl View<'_> {
    /// Cuts a crop of whole pixels, without resampling, around `place`, a point of the reference frame.
    fn crop(&self, place: Point, (columns, rows): (usize, usize)) -> CropCell {
        let middle = self.placement.map(place);
        let first = |centre: f64, length: usize| (centre - length as f64 / 2.0).round() as i64;
        let (left, top) = (first(middle.x, columns), first(middle.y, rows));
        let (high, wide, _) = self.pixels.dim();
        let mut rgb = Array3::<u8>::zeros((rows, columns, 3));
        for ((r, c), mut pixel) in ndarray::indices((rows, columns))
            .into_iter()
            .zip(rgb.exact_chunks_mut((1, 1, 3)))
        {
            let (row, column) = (top + r as i64, left + c as i64);
            if (0..high as i64).contains(&row) && (0..wide as i64).contains(&column) {
                let code = self.shown.pixel(self.pixels, row as usize, column as usize);
                pixel.iter_mut().zip(code).for_each(|(to, v)| *to = v);
            }
        }
        CropCell {
            file: self.file.clone(),
            about: self.about.clone(),
            rgb,
        }
    }
}

/// The pictures asked for, except the map; by default the single frame that keeps most of the scene, the camera's own HDR picture and the rendering.
fn views<'a>(input: FigureInput<'a>, settings: &SheetSettings) -> Vec<View<'a>> {
    let FigureInput {
        measured, rendered, ..
    } = input;
    let best = single_frame(&measured.pictures.frames, measured.scene.as_ref());
    let wanted = measured.pictures.iter().filter(|p| {
        let usual = p.kind != PictureKind::Frame || best.is_some_and(|b| std::ptr::eq(b, *p));
        settings.wants(p) && (usual || !settings.pictures.is_empty())
    });
    let mut views: Vec<View> = wanted
        .filter_map(|entry| view(input, entry))
        .take(ACROSS)
        .collect();
    if settings.pictures.is_empty() && views.iter().all(|v| v.kind != PictureKind::Rendered) {
        views.truncate(ACROSS - 1);
        views.push(rendering(rendered, RENDERED_FILE));
    }
    views
}

/// A measured picture as a view; `None` for the map, which has no levels to display.
fn view<'a>(input: FigureInput<'a>, entry: &PictureMeasurement) -> Option<View<'a>> {
    let bracket = &input.merged.frames.bracket;
    let frame = bracket.frames.iter().find(|f| f.name() == entry.file);
    let transform = match entry.kind {
        PictureKind::Frame => frame?.transform,
        PictureKind::CameraHdr => Some(input.measured.camera_at?),
        PictureKind::Rendered => return Some(rendering(input.rendered, &entry.file)),
        PictureKind::Merge => return None,
    };
    let (pixels, shown) = original(bracket, entry.kind, &entry.file)?;
    Some(View {
        file: entry.file.clone(),
        kind: entry.kind,
        about: settings_or_kind(frame.map(|f| &f.settings), entry.kind),
        pixels,
        placement: Homography::of_transform(transform),
        shown,
    })
}

/// The rendering, which already has the primaries of sRGB.
fn rendering<'a>(picture: &'a Pixels, file: &str) -> View<'a> {
    View {
        file: file.into(),
        kind: PictureKind::Rendered,
        about: kind_words(PictureKind::Rendered).into(),
        pixels: picture,
        placement: Homography::identity(),
        shown: DisplayConversion::of(&Primaries::SRGB),
    }
}

fn places(input: FigureInput, settings: &SheetSettings) -> Vec<(String, Point)> {
    let bracket = &input.merged.frames.bracket;
    let merge = input.measured.pictures.merge.as_ref();
    let patches = merge.map_or(&[][..], |p| &p.patches);
    let wanted = match (settings.crops.as_slice(), patches.len()) {
        ([], 0) => {
            let (rows, columns, _) = bracket.reference_frame().picture.pixels.dim();
            let (x, y) = (columns as f64 / 2.0, rows as f64 / 2.0);
            vec![Crop::of(CropPlace::Point(x, y))]
        }
        ([], _) => [CropPlace::Lightest, CropPlace::Darkest]
            .map(Crop::of)
            .to_vec(),
        (given, _) => given.to_vec(),
    };
    wanted
        .iter()
        .filter_map(|crop| place(input, patches, crop))
        .collect()
}

/// Name of a place and its position in the reference frame; `None` where it is not in this bracket.
fn place(input: FigureInput, patches: &[Patch], crop: &Crop) -> Option<(String, Point)> {
    let middle = |region: &Region| Point {
        x: region.left as f64 + region.width as f64 / 2.0,
        y: region.top as f64 + region.height as f64 / 2.0,
    };
    let comparison = input.compared.map(|c| &c.comparison);
    let (what, at) = match crop.place {
        CropPlace::Point(..) | CropPlace::Rectangle(_) => {
            let given = crop.place.middle()?;
            let words = format!("column {:.0}, row {:.0}", given.x, given.y);
            let words = match &crop.picture {
                Some(file) => format!("{words} of {file}"),
                None => words,
            };
            (words, in_reference(input, crop.picture.as_deref(), given)?)
        }
        CropPlace::Lightest => step(patches, 1)?,
        CropPlace::Darkest => step(patches, patches.len())?,
        CropPlace::Step(number) => step(patches, number)?,
        CropPlace::Edge(number) => {
            let edge = comparison?.edges.get(number - 1)?;
            (format!("slanted edge {number}"), middle(&edge.region))
        }
        CropPlace::Ghost(number) => {
            let ghost = comparison?.ghosts.places.get(number - 1)?;
            (format!("ghost {number}"), middle(&ghost.region))
        }
    };
    Some((crop.name.clone().unwrap_or(what), at))
}

/// A point of a picture in the reference frame; `None` if the picture is not of this bracket.
fn in_reference(input: FigureInput, file: Option<&str>, given: Point) -> Option<Point> {
    let Some(file) = file else {
        return Some(given);
    };
    let bracket = &input.merged.frames.bracket;
    if let Some(frame) = bracket
        .frames
        .iter()
        .find(|f| f.picture.file.ends_with(file))
    {
        return match frame.transform {
            Some(transform) => transform.inverse()?.apply(given),
            None => Some(given),
        };
    }
    let finished = bracket.camera_hdr.as_ref();
    finished.filter(|h| h.picture.file.ends_with(file))?;
    input.measured.camera_at?.inverse()?.apply(given)
}

/// Name and centre of a step of the wedge.
fn step(patches: &[Patch], number: usize) -> Option<(String, Point)> {
    let patch = patches.iter().find(|p| p.step == number)?;
    let mean = |f: fn(&Point) -> f64| patch.corners.iter().map(f).sum::<f64>() / 4.0;
    let middle = Point {
        x: mean(|p| p.x),
        y: mean(|p| p.y),
    };
    Some((format!("step {number} of the wedge"), middle))
}
