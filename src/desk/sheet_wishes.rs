//! What is asked of the sheets, as the page states it.
use super::reply::Refusal;
use super::shared::Shared;
use serde::{Deserialize, Serialize};
use std::path::Path;
use stopspan_core::model::file_name;
use stopspan_report::sheet::{Crop, CropPlace, Look, SheetSettings};

/// A place for a row of crops.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CropWish {
    name: Option<String>,
    /// Id of a picture.
    picture: Option<String>,
    place: CropPlace,
}

/// The sheets.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SheetWish {
    width: usize,
    height: usize,
    looks: Vec<Look>,
    pictures: Vec<String>,
}

impl SheetWish {
    /// These settings as a page states them.
    pub fn of(settings: &SheetSettings) -> Self {
        SheetWish {
            width: settings.size.0,
            height: settings.size.1,
            looks: settings.looks.clone(),
            pictures: settings.pictures.clone(),
        }
    }

    /// As what a run is asked for.
    pub fn settings(&self, crops: &[CropWish], desk: &Shared) -> Result<SheetSettings, Refusal> {
        let (least, most) = SheetSettings::SIDES;
        if [self.width, self.height]
            .iter()
            .any(|n| !(least..=most).contains(n))
        {
            let problem = format!("The sides of a sheet are {least} to {most} pixels long.");
            return Err(Refusal::senseless(problem));
        }
        Ok(SheetSettings {
            size: (self.width, self.height),
            looks: self.looks.clone(),
            pictures: self.pictures.clone(),
            crops: crops
                .iter()
                .map(|c| c.crop(desk))
                .collect::<Result<_, _>>()?,
        })
    }
}

impl CropWish {
    fn crop(&self, desk: &Shared) -> Result<Crop, Refusal> {
        let fine = match self.place {
            CropPlace::Point(x, y) => [x, y].iter().all(|v| v.is_finite() && *v >= 0.0),
            CropPlace::Rectangle(sides) => {
                let [left, top, right, bottom] = sides;
                sides.iter().all(|v| v.is_finite() && *v >= 0.0) && left < right && top < bottom
            }
            CropPlace::Step(n) | CropPlace::Edge(n) | CropPlace::Ghost(n) => n >= 1,
            CropPlace::Lightest | CropPlace::Darkest => true,
        };
        let named = |text: &&String| !text.trim().is_empty();
        let path = self
            .picture
            .as_ref()
            .map(|id| desk.picture(id))
            .transpose()?;
        if !fine || (path.is_some() && self.place.middle().is_none()) {
            return Err(Refusal::senseless("That is no place for a crop."));
        }
        Ok(Crop {
            name: self.name.as_ref().filter(named).cloned(),
            picture: path.map(|p| named_picture(&p, desk)),
            place: self.place,
        })
    }
}

/// A picture's file name, with its folder before it where several opened pictures have it.
fn named_picture(path: &Path, desk: &Shared) -> String {
    let name = file_name(path);
    match desk.opened_with_name(&name) > 1 {
        true => path.display().to_string(),
        false => name,
    }
}
