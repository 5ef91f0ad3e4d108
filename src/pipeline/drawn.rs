//! A bracket kept in memory to draw its sheets again and again, with other settings of the sheets.
use super::settings::{Event, Settings};
use super::{Picture, Settled, look, settle, sheets};
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::model::Merged;
use stopspan_core::results::{BracketMeasurement, BracketReport, ComparisonWithMarks};
use stopspan_frames::BracketPlan;
use stopspan_report::figure::FigureInput;
use stopspan_report::sheet::{self, Sheet, SheetSettings};
use stopspan_report::{self as report, Strip};

/// A bracket of which everything is made that its sheets are drawn from.
pub struct DrawnBracket {
    merged: Merged,
    picture: Picture,
    measured: BracketMeasurement,
    compared: Option<ComparisonWithMarks>,
    entry: BracketReport,
    strips: Vec<Option<Strip>>,
}

impl DrawnBracket {
    /// Does for a bracket what a run does, and writes nothing.
    ///
    /// # Errors
    /// Those of a run on the bracket.
    pub fn of(
        plan: &BracketPlan,
        settings: &Settings,
        progress: &(dyn Fn(Event) + Sync),
    ) -> Result<Self, Error> {
        let Settled {
            merged,
            picture,
            located,
            calibrated,
        } = settle(plan, settings, progress)?;
        let (measured, compared, figures) =
            look(&merged, &picture, (located, calibrated), settings);
        let comparison = compared.as_ref().map(|c| c.comparison.clone());
        let entry = report::bracket_entry(&merged, measured.clone(), comparison, Vec::new());
        Ok(DrawnBracket {
            merged,
            picture,
            measured,
            compared,
            entry,
            strips: figures.strips,
        })
    }

    /// Steps of its wedge; `None` without one.
    pub fn steps(&self) -> Option<usize> {
        self.entry.pictures.steps()
    }

    /// The sheets with these settings, in every look asked for.
    pub fn sheets(&self, settings: &SheetSettings) -> Vec<Sheet> {
        let rendered = self.picture.conversion.picture(&self.picture.eight);
        let input = FigureInput {
            merged: &self.merged,
            rendered: &rendered,
            measured: &self.measured,
            compared: self.compared.as_ref(),
        };
        let crops = sheet::crop_rows(input, settings);
        sheet::of_bracket(&self.entry, &self.strips, &crops, settings)
    }
}

/// A sheet as the bytes of a file with the ending of `path` (`.svg`, or `.png` where the program has a renderer); `None` for others,
/// and where the drawing could not be rendered.
pub fn sheet_bytes(sheet: &Sheet, path: &Path) -> Option<Vec<u8>> {
    let ending = path.extension()?.to_str()?;
    let known = sheets::ENDINGS.contains(&ending);
    known.then(|| sheets::bytes(sheet, ending)).flatten()
}
