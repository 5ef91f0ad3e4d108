//! The same places in every shot: by the wedge, by coordinates that the user gives, else by registration of the views.
use super::super::settings::Settings;
use super::crops::{scaled, unscaled};
use super::settings_of;
use super::shots::{Taken, developed};
use ndarray::Array3;
use rayon::prelude::*;
use std::ops::Range;
use std::path::Path;
use stopspan_align::{RegisteredViews, TooFewMatches, register_views};
use stopspan_core::raster::{Pixels, Point};
use stopspan_core::results::Patch;
use stopspan_measure::EvenPlace;
use stopspan_report::sheet::{Crop, CropPlace, PlaceColumn, PlaceRow, Places, place_room};

/// A place in one shot: its middle in pixels, and pixels of the shot per pixel of the picture that the place was given in.
#[derive(Debug, Clone, Copy)]
pub(super) struct At {
    pub middle: Point,
    pub scale: f64,
}

/// One place in all shots, or why it is not in one.
struct Row {
    what: String,
    /// Width and height of a rectangle that the user gives, pixels of its picture.
    extent: Option<(f64, f64)>,
    at: Vec<Result<At, String>>,
}

/// Places in all shots.
pub(super) struct Found {
    rows: Vec<Row>,
    /// Registration of every shot to the first.
    carried_from_first: Vec<Option<RegisteredViews>>,
}

impl Found {
    /// The places that were asked for; by default the lightest, a middle and the darkest step of the wedge, or without wedges the middle
    /// of the first shot.
    pub fn new(taken: &[Taken], settings: &Settings) -> Self {
        let measured = taken.iter().filter(|t| t.measured.is_some()).count();
        let wedges = measured >= 2;
        let asked = wanted(settings, wedges, taken);
        let by_eye = !wedges || asked.iter().any(|g| g.place.middle().is_some());
        let views = match by_eye {
            true => to_all(&taken[0].frame().picture.pixels, taken),
            false => taken.iter().map(|_| Err(NONE)).collect(),
        };
        let groups = grouped(&asked);
        let rows = groups
            .iter()
            .map(|group| row(group, taken, &views, settings))
            .collect();
        Found {
            rows,
            carried_from_first: views.into_iter().map(Result::ok).collect(),
        }
    }

    /// A place of the first shot in another.
    pub fn carried_from_first(&self, index: usize, place: EvenPlace) -> Option<EvenPlace> {
        if index == 0 {
            return Some(place);
        }
        let carried = self
            .carried_from_first
            .get(index)?
            .as_ref()?
            .carry(place.middle)?;
        Some(EvenPlace {
            middle: carried.at,
            side: place.side * carried.scale,
        })
    }

    /// Two sheets of some of the shots: at 100 % of each file, and at equal size in the scene.
    pub fn sheets(
        &self,
        taken: &[Taken],
        columns: Range<usize>,
        (settings, number): (&Settings, usize),
    ) -> Vec<Places> {
        let rows: Vec<&Row> = self
            .rows
            .iter()
            .filter(|r| r.at.iter().any(Result::is_ok))
            .collect();
        if rows.is_empty() {
            return Vec::new();
        }
        let room = place_room(settings.sheets.size, columns.len(), rows.len());
        let smallest = taken.iter().map(|t| t.frame().picture.pixels.dim());
        let smallest = smallest.fold((usize::MAX, usize::MAX), |(h, w), d| {
            (h.min(d.0), w.min(d.1))
        });
        let size = (room.1.min(smallest.0), room.0.min(smallest.1));
        let suffix = if number == 1 {
            String::new()
        } else {
            format!("-{number}")
        };
        let column = |t: &Taken| PlaceColumn {
            camera: t.camera.clone(),
            file: t.file(),
            settings: settings_of(t),
        };
        let cells = |row: &Row, cut: &dyn Fn(&Row, At, &Taken) -> Array3<u8>| PlaceRow {
            what: row.what.clone(),
            cells: columns
                .clone()
                .map(|i| row.at[i].clone().map(|at| cut(row, at, &taken[i])))
                .collect(),
        };
        let sheet = |name: &str, title: &str, notes: String, rows: Vec<PlaceRow>| Places {
            name: format!("{name}{suffix}"),
            title: title.to_owned(),
            notes,
            columns: taken[columns.clone()].iter().map(column).collect(),
            rows,
            size,
        };
        let whole = |_: &Row, at: At, t: &Taken| unscaled(t, at.middle, size);
        let equal = |row: &Row, at: At, t: &Taken| scaled(t, at, size, zoom(row, size));
        vec![
            sheet(
                "places",
                "The same places, pixel by pixel",
                format!("Unscaled 100 % crops, {} x {} pixels each: a camera with more pixels shows less of the scene.", size.1, size.0),
                rows.iter().map(|r| cells(r, &whole)).collect(),
            ),
            sheet(
                "places-scene",
                "The same places at equal size in the scene",
                "Each row shows the same part of the scene in every column. The camera with the fewest pixels there is at 100 %, the others are reduced by averaging in linear light (IEC 61966-2-1); a rectangle given by the user fills its crop. Grey: beyond the picture.".to_owned(),
                rows.iter().map(|r| cells(r, &equal)).collect(),
            ),
        ]
    }
}

const NONE: TooFewMatches = TooFewMatches {
    agreeing: 0,
    needed: 0,
};

type Views = Vec<Result<RegisteredViews, TooFewMatches>>;

/// Registers every shot to a picture.
fn to_all(base: &Pixels, taken: &[Taken]) -> Views {
    taken
        .par_iter()
        .map(|t| register_views(base, &t.frame().picture.pixels))
        .collect()
}

fn wanted(settings: &Settings, wedges: bool, taken: &[Taken]) -> Vec<Crop> {
    if !settings.sheets.crops.is_empty() {
        return settings.sheets.crops.clone();
    }
    if wedges {
        let darkest = taken
            .iter()
            .filter_map(|t| t.patches().map(|p| p.step).max())
            .min();
        let middle = darkest.unwrap_or(2).div_ceil(2);
        let places = [
            CropPlace::Lightest,
            CropPlace::Step(middle),
            CropPlace::Step(darkest.unwrap_or(2)),
        ];
        return places.map(Crop::of).to_vec();
    }
    let pixels = &taken[0].frame().picture.pixels;
    let (x, y) = (pixels.columns() as f64 / 2.0, pixels.rows() as f64 / 2.0);
    vec![Crop {
        name: Some("middle of the first picture".to_owned()),
        picture: Some(taken[0].file()),
        place: CropPlace::Point(x, y),
    }]
}

/// Crops of one name are one place.
fn grouped(crops: &[Crop]) -> Vec<Vec<Crop>> {
    let mut out: Vec<Vec<Crop>> = Vec::new();
    for crop in crops {
        let same = |g: &&mut Vec<Crop>| crop.name.is_some() && g[0].name == crop.name;
        match out.iter_mut().find(same) {
            Some(group) => group.push(crop.clone()),
            None => out.push(vec![crop.clone()]),
        }
    }
    out
}

fn row(group: &[Crop], taken: &[Taken], views: &Views, settings: &Settings) -> Row {
    let first = &group[0];
    let Some(middle) = first.place.middle() else {
        return by_wedge(first, taken);
    };
    let shot_of = |crop: &Crop| {
        let name = crop.picture.as_deref().unwrap_or_default();
        taken
            .iter()
            .position(|t| t.frame().picture.file.ends_with(name))
    };
    let extent = |place: &CropPlace| match place {
        CropPlace::Rectangle([left, top, right, bottom]) => Some((right - left, bottom - top)),
        _ => None,
    };
    let base = shot_of(first);
    let own;
    let views = match base {
        Some(0) => views,
        Some(i) => {
            own = to_all(&taken[i].frame().picture.pixels, taken);
            &own
        }
        None => {
            let file = first.picture.as_deref().map(Path::new);
            let decoded = file.and_then(|f| developed(&named(f, settings)?, settings).ok());
            own = match decoded {
                Some(alone) => to_all(&alone.frames[0].picture.pixels, taken),
                None => taken.iter().map(|_| Err(NONE)).collect(),
            };
            &own
        }
    };
    let wide = extent(&first.place);
    let at = (0..taken.len()).map(|index| {
        if let Some(crop) = group.iter().find(|c| shot_of(c) == Some(index)) {
            let ratio = wide
                .zip(extent(&crop.place))
                .map(|(a, b)| (b.0 / a.0 * (b.1 / a.1)).sqrt());
            let at = crop.place.middle().unwrap_or(middle);
            return Ok(At {
                middle: at,
                scale: ratio.unwrap_or_else(|| scale_of(&views[index], middle)),
            });
        }
        carried(&views[index], middle, &taken[index])
    });
    let words = format!("column {:.0}, row {:.0}", middle.x, middle.y);
    let words = match &first.picture {
        Some(file) => format!("{words} of {file}"),
        None => words,
    };
    Row {
        what: first.name.clone().unwrap_or(words),
        extent: wide,
        at: at.collect(),
    }
}

/// The path of an input by its name.
fn named(name: &Path, settings: &Settings) -> Option<std::path::PathBuf> {
    let policy = settings.output_policy();
    policy.inputs.into_iter().find(|f| f.ends_with(name))
}

/// Scale at a place, 1 where the views are not registered.
fn scale_of(views: &Result<RegisteredViews, TooFewMatches>, place: Point) -> f64 {
    let carried = views.as_ref().ok().and_then(|v| v.carry(place));
    carried.map_or(1.0, |c| c.scale)
}

fn carried(
    views: &Result<RegisteredViews, TooFewMatches>,
    place: Point,
    taken: &Taken,
) -> Result<At, String> {
    let views = views.as_ref().map_err(|few| {
        format!(
            "Not found: {} matching features, {} needed. Give the place in this picture too: NAME=FILE@X,Y.",
            few.agreeing, few.needed
        )
    })?;
    let Some(found) = views.carry(place) else {
        return Err(
            "Not found: too few matching features around it. Give the place in this picture too: NAME=FILE@X,Y."
                .to_owned(),
        );
    };
    let pixels = &taken.frame().picture.pixels;
    let (x, y) = (pixels.columns() as f64, pixels.rows() as f64);
    if !(0.0..x).contains(&found.at.x) || !(0.0..y).contains(&found.at.y) {
        return Err("Outside this picture.".to_owned());
    }
    Ok(At {
        middle: found.at,
        scale: found.scale,
    })
}

/// A step of the wedge in every shot. Other places that are found on one bracket alone are in none.
fn by_wedge(crop: &Crop, taken: &[Taken]) -> Row {
    let number = |t: &Taken| match crop.place {
        CropPlace::Lightest => Some(1),
        CropPlace::Darkest => t.patches().map(|p| p.step).max(),
        CropPlace::Step(number) => Some(number),
        _ => None,
    };
    let patch = |t: &Taken| {
        let wanted = number(t)?;
        t.patches().find(|p| p.step == wanted).cloned()
    };
    let side = |p: &Patch| (p.size_px[0] * p.size_px[1]).sqrt();
    let base = taken.iter().find_map(patch).map_or(1.0, |p| side(&p));
    let at = taken.iter().map(|t| {
        let found = patch(t).ok_or("No such step was measured in this picture.".to_owned())?;
        let mean = |f: fn(&Point) -> f64| found.corners.iter().map(f).sum::<f64>() / 4.0;
        Ok(At {
            middle: Point {
                x: mean(|p| p.x),
                y: mean(|p| p.y),
            },
            scale: side(&found) / base,
        })
    });
    let what = match crop.place {
        CropPlace::Step(number) => format!("step {number} of the wedge"),
        CropPlace::Lightest => "lightest step of the wedge".to_owned(),
        CropPlace::Darkest => "darkest step of the wedge".to_owned(),
        _ => "a place of one bracket".to_owned(),
    };
    Row {
        what: crop.name.clone().unwrap_or(what),
        extent: None,
        at: at.collect(),
    }
}

/// Pixels of the picture that the place was given in, per pixel of the sheet: the shot with the fewest pixels there is at 100 %; a
/// rectangle fills its crop.
fn zoom(row: &Row, size: (usize, usize)) -> f64 {
    if let Some((wide, high)) = row.extent {
        return (wide / size.1 as f64).max(high / size.0 as f64);
    }
    let scales = row.at.iter().flatten().map(|at| at.scale);
    1.0 / scales.fold(f64::INFINITY, f64::min)
}
