//! What is asked of a run, as the page states it; [`Wishes::apply`] makes the settings of the run of it.
use super::reply::Refusal;
use super::shared::Shared;
use super::sheet_wishes::{CropWish, SheetWish};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::path::Path;
use stopspan_core::raster::{Point, Region};
use stopspan_measure::WedgeRequest;
use stopspan_measure::wedge::MOST_STEPS;
use stopspan_merge::MotionSettings;
use stopspan_response::ResponseRequest;
use stopspan_tone::ToneSettings;

use crate::pipeline::Settings;

/// Everything that can be asked for but the pictures themselves.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Wishes {
    pub wedge: WedgeWish,
    /// Id of a picture.
    flat_field: Option<String>,
    neutral: Option<[f64; 2]>,
    edge: Option<[usize; 4]>,
    pub crops: Vec<CropWish>,
    linear: bool,
    register: bool,
    motion: bool,
    look: ToneSettings,
    fuse: bool,
    bright: bool,
    peak: f64,
    jpeg_quality: u8,
    keep_place: bool,
    pub sheets: SheetWish,
}

/// The wedge: how it is found, and what is known of it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WedgeWish {
    pub how: How,
    #[serde(default)]
    corners: Option<[[f64; 2]; 4]>,
    #[serde(default)]
    rows: Option<usize>,
    #[serde(default)]
    columns: Option<usize>,
    #[serde(default)]
    dark_first: bool,
    #[serde(default)]
    boustrophedon: bool,
    /// Id of a kept wedge.
    #[serde(default)]
    wedge: Option<String>,
    #[serde(default)]
    densities: Option<String>,
    /// Id of a file of densities, in place of `densities`.
    #[serde(default)]
    densities_file: Option<String>,
    #[serde(default)]
    density_uncertainty: Option<f64>,
}

/// Where the place of the wedge comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum How {
    /// It is looked for.
    #[default]
    Find,
    /// There is none.
    None,
    /// Its corners are stated.
    Corners,
    /// Another run kept it.
    Kept,
}

impl Default for Wishes {
    /// What a run does where nothing is asked for.
    fn default() -> Self {
        let usual = Settings::new(Vec::new(), Default::default());
        Wishes {
            wedge: WedgeWish::default(),
            flat_field: None,
            neutral: None,
            edge: None,
            crops: Vec::new(),
            linear: usual.response == ResponseRequest::Linear,
            register: usual.register,
            motion: usual.motion.is_some(),
            look: usual.tone,
            fuse: usual.fuse,
            bright: usual.delivery.bright,
            peak: usual.delivery.peak,
            jpeg_quality: usual.delivery.jpeg_quality,
            keep_place: usual.delivery.place,
            sheets: SheetWish::of(&usual.sheets),
        }
    }
}

impl Wishes {
    /// These wishes with the fields of a JSON object in place of their own.
    pub fn with(&self, changes: &Value) -> Result<Wishes, Refusal> {
        let own = serde_json::to_value(self).unwrap_or_default();
        let (Value::Object(mut all), Value::Object(changes)) = (own, changes) else {
            return Err(Refusal::senseless("Settings are a JSON object."));
        };
        all.extend(changes.clone());
        read(Value::Object(all))
    }

    /// Enters the wishes into the settings of a run.
    pub fn apply(&self, settings: &mut Settings, desk: &Shared) -> Result<(), Refusal> {
        let flat = self.flat_field.as_ref().map(|id| desk.picture(id));
        settings.wedge = self.wedge.request(desk)?;
        settings.wedge.flat_field = flat.transpose()?;
        settings.wedge.check()?;
        settings.overrides.neutral = self.neutral.map(place).transpose()?;
        settings.edge = self.edge.map(rectangle).transpose()?;
        if self.linear {
            settings.response = ResponseRequest::Linear;
        }
        settings.register = self.register;
        settings.motion = self.motion.then(MotionSettings::default);
        settings.tone = look(self.look)?;
        settings.fuse = self.fuse;
        if self.fuse && self.bright {
            let problem = "Exposure fusion knows no light above white; choose another look.";
            return Err(Refusal::senseless(problem));
        }
        settings.delivery.bright = self.bright;
        settings.delivery.peak = within("peak", self.peak, (203.0, 10_000.0))?;
        settings.delivery.jpeg_quality = self.jpeg_quality.clamp(1, 100);
        settings.delivery.place = self.keep_place;
        settings.sheets = self.sheets.settings(&self.crops, desk)?;
        Ok(())
    }
}

/// Reads a part of the settings, with what is wrong in words.
pub(super) fn read<T: serde::de::DeserializeOwned>(value: Value) -> Result<T, Refusal> {
    serde_json::from_value(value)
        .map_err(|e| Refusal::senseless(format!("It cannot be read: {e}.")))
}

impl WedgeWish {
    /// As what a run is asked for.
    pub fn request(&self, desk: &Shared) -> Result<WedgeRequest, Refusal> {
        let grid = match (self.rows, self.columns) {
            (Some(rows), Some(columns)) => Some(grid(rows, columns)?),
            (None, None) => None,
            _ => return Err(Refusal::senseless("Rows and columns go together.")),
        };
        let mut request = WedgeRequest {
            densities: self.densities.clone().filter(|d| !d.trim().is_empty()),
            density_uncertainty: self.density_uncertainty,
            dark_first: self.dark_first,
            boustrophedon: self.boustrophedon,
            ..WedgeRequest::default()
        };
        // A name ending in .csv would be opened as a file.
        if request
            .densities
            .as_ref()
            .is_some_and(|d| d.contains(|c: char| c.is_alphabetic() && c != 'e' && c != 'E'))
        {
            let problem = "Densities are numbers with commas between, or START:STEP.";
            return Err(Refusal::senseless(problem));
        }
        if let Some(id) = &self.densities_file {
            request.densities = Some(density_file(&desk.picture(id)?)?);
        }
        match self.how {
            How::Find => request.grid = grid,
            How::None => request.none = true,
            How::Corners => {
                let corners = self
                    .corners
                    .ok_or_else(|| Refusal::senseless("The corners are missing."))?;
                if corners.iter().flatten().any(|v| !v.is_finite()) {
                    return Err(Refusal::senseless("Corners are numbers of pixels."));
                }
                request.corners = Some(corners.map(|[x, y]| Point { x, y }));
                request.grid =
                    Some(grid.ok_or_else(|| Refusal::senseless("Rows and columns are missing."))?);
            }
            How::Kept => {
                let id = self.wedge.as_deref().unwrap_or_default();
                request.file = Some(desk.wedges.path(id).ok_or_else(Refusal::unknown)?);
            }
        }
        request.check()?;
        Ok(request)
    }
}

/// The name of a file of densities, as a run takes it.
fn density_file(path: &Path) -> Result<String, Refusal> {
    let csv = path
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("csv"));
    let name = path.to_str().filter(|_| csv);
    let problem = "A file of densities has the ending .csv.";
    name.map(str::to_owned)
        .ok_or_else(|| Refusal::senseless(problem))
}

fn grid(rows: usize, columns: usize) -> Result<(usize, usize), Refusal> {
    if !(2..=MOST_STEPS).contains(&rows.saturating_mul(columns)) {
        let problem =
            format!("{rows} x {columns} patches; from 2 to {MOST_STEPS} can be measured.");
        return Err(Refusal::senseless(problem));
    }
    Ok((rows, columns))
}

fn place([x, y]: [f64; 2]) -> Result<(f64, f64), Refusal> {
    let fine = x.is_finite() && y.is_finite() && x >= 0.0 && y >= 0.0;
    fine.then_some((x, y))
        .ok_or_else(|| Refusal::senseless("That is no place in a picture."))
}

fn rectangle([left, top, right, bottom]: [usize; 4]) -> Result<Region, Refusal> {
    if left >= right || top >= bottom {
        return Err(Refusal::senseless("The rectangle has no area."));
    }
    Ok(Region {
        top,
        left,
        height: bottom - top,
        width: right - left,
    })
}

fn within(what: &str, value: f64, (low, high): (f64, f64)) -> Result<f64, Refusal> {
    let fine = value.is_finite() && (low..=high).contains(&value);
    let problem = || Refusal::senseless(format!("{what}: {value} is not within {low} and {high}."));
    fine.then_some(value).ok_or_else(problem)
}

/// A look within the ranges that the command line takes.
pub(super) fn look(look: ToneSettings) -> Result<ToneSettings, Refusal> {
    within("exposure", look.exposure_stops, (-10.0, 10.0))?;
    within("highlights", look.highlights_stops, (-3.0, 3.0))?;
    within("shadows", look.shadows_stops, (-3.0, 3.0))?;
    within("local contrast", look.local_contrast_stops, (-1.0, 1.0))?;
    within("saturation", look.saturation, (0.0, 2.0))?;
    Ok(look)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn without_wishes_a_run_is_the_usual_one() {
        let desk = Shared::for_tests();
        let mut settings = Settings::new(Vec::new(), "out".into());
        Wishes::default().apply(&mut settings, &desk).unwrap();
        let usual = Settings::new(Vec::new(), "out".into());
        assert_eq!(format!("{settings:?}"), format!("{usual:?}"));
    }

    /// Changes, and whether they are taken.
    fn changes() -> Vec<(Value, bool)> {
        let square = json!([[0, 0], [90, 0], [90, 90], [0, 90]]);
        vec![
            (json!({ "bright": true }), true),
            (json!({ "wedge": { "how": "none" } }), true),
            (
                json!({ "wedge": { "how": "corners", "corners": square, "rows": 1, "columns": 3 } }),
                true,
            ),
            (
                json!({ "wedge": { "how": "find", "densities": "0.05:0.15" } }),
                true,
            ),
            (
                json!({ "crops": [{ "name": null, "picture": null, "place": { "step": 3 } }] }),
                true,
            ),
            (
                json!({ "crops": [{ "name": "a", "picture": null, "place": "lightest" }] }),
                true,
            ),
            (json!([]), false),
            (json!({ "unknown": 1 }), false),
            (
                json!({ "wedge": { "how": "corners", "corners": square } }),
                false,
            ),
            (
                json!({ "wedge": { "how": "find", "rows": 1, "columns": 1 } }),
                false,
            ),
            (
                json!({ "wedge": { "how": "find", "densities": "/etc/x.csv" } }),
                false,
            ),
            (json!({ "wedge": { "how": "kept", "wedge": "w1" } }), false),
            (
                json!({ "wedge": { "how": "find", "densities_file": "p1" } }),
                false,
            ),
            (json!({ "flat_field": "p1" }), false),
            (json!({ "edge": [5, 5, 5, 9] }), false),
            (json!({ "neutral": [-1, 5] }), false),
            (json!({ "peak": 100 }), false),
            (json!({ "fuse": true, "bright": true }), false),
            (
                json!({ "sheets": { "width": 10, "height": 10, "looks": [], "pictures": [] } }),
                false,
            ),
            (
                json!({ "crops": [{ "name": null, "picture": null, "place": { "step": 0 } }] }),
                false,
            ),
            (
                json!({ "crops": [{ "name": null, "picture": null, "place": { "rectangle": [5, 5, 4, 9] } }] }),
                false,
            ),
        ]
    }

    #[test]
    fn wishes_that_are_invalid_are_refused() {
        let desk = Shared::for_tests();
        let usual = Wishes::default();
        for (change, fine) in changes() {
            let mut settings = Settings::new(Vec::new(), "out".into());
            let applied = usual
                .with(&change)
                .and_then(|w| w.apply(&mut settings, &desk));
            assert_eq!(applied.is_ok(), fine, "{change}: {applied:?}");
        }
    }
}
