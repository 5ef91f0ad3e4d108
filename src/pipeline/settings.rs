//! What can be asked of a run, and what it says while it works.
use super::batch::Part;
use super::delivery::Delivery;
use super::products::is_result;
use serde::Serialize;
use serde_json::{Map, Value};
use std::path::{Path, PathBuf};
use stopspan_core::Error;
use stopspan_core::model::{Limits, path_text};
use stopspan_core::raster::Region;
use stopspan_formats::memory::share_of_machine;
use stopspan_formats::staged::Outputs;
use stopspan_frames::{BracketPlan, Overrides};
use stopspan_measure::WedgeRequest;
use stopspan_merge::MotionSettings;
use stopspan_report::sheet::SheetSettings;
use stopspan_response::ResponseRequest;
use stopspan_tone::ToneSettings;

/// All settings of a run. Serialised, they are the record of those that change a figure or a file: what is skipped is where
/// inputs and results lie (inputs are recorded file by file) and how brackets are shared out, so that the same job gives
/// the same report in another folder.
#[derive(Debug, Clone, Serialize)]
pub struct Settings {
    /// Files or folders.
    #[serde(skip)]
    pub inputs: Vec<PathBuf>,
    /// Folder for [`super::run`], file for [`super::merge`].
    #[serde(skip)]
    pub out: PathBuf,
    /// What the user says about the frames.
    pub overrides: Overrides,
    /// What the response is to be.
    pub response: ResponseRequest,
    /// A response that an earlier run saved, for pictures without a bracket.
    #[serde(serialize_with = "path_text::one")]
    pub saved_response: Option<PathBuf>,
    /// Bring the frames into register.
    pub register: bool,
    /// How motion is told from noise; `None` to merge all frames everywhere.
    pub motion: Option<MotionSettings>,
    /// The wedge.
    pub wedge: WedgeRequest,
    /// A slanted edge in the reference frame to measure; found automatically if `None`.
    pub edge: Option<Region>,
    /// How the map is rendered for looking at.
    pub tone: ToneSettings,
    /// Make the picture by exposure fusion of the frames instead of from the map; of `tone` only the colour space counts.
    pub fuse: bool,
    /// How pictures are written.
    pub delivery: Delivery,
    /// Sheets fit to publish.
    pub sheets: SheetSettings,
    /// Replace results that are there.
    #[serde(skip)]
    pub overwrite: bool,
    /// Go on from an earlier run into the same folder: brackets it finished with the same inputs and settings are taken as
    /// they are, what it left unfinished is replaced, and the report is written anew.
    #[serde(skip)]
    pub resume: bool,
    /// Do only some of the brackets, and leave the report to a later run that resumes.
    #[serde(skip)]
    pub part: Option<Part>,
}

impl Settings {
    /// Defaults: everything automatic, nothing overwritten, memory limited to a share of what the machine has.
    pub fn new(inputs: Vec<PathBuf>, out: PathBuf) -> Self {
        Settings {
            inputs,
            out,
            overrides: Overrides {
                limits: Limits {
                    memory: share_of_machine(),
                    ..Limits::default()
                },
                ..Overrides::default()
            },
            response: ResponseRequest::default(),
            saved_response: None,
            register: true,
            motion: Some(MotionSettings::default()),
            wedge: WedgeRequest::default(),
            edge: None,
            tone: ToneSettings::default(),
            fuse: false,
            delivery: Delivery::default(),
            sheets: SheetSettings::default(),
            overwrite: false,
            resume: false,
            part: None,
        }
    }

    /// The record for the report.
    pub(super) fn record(&self) -> Map<String, Value> {
        match serde_json::to_value(self) {
            Ok(Value::Object(record)) => record,
            Ok(other) => Map::from_iter([("settings".to_owned(), other)]),
            Err(error) => Map::from_iter([("not-recorded".to_owned(), error.to_string().into())]),
        }
    }

    /// Every file that is opened for a bracket: its own, and those that the settings name. Every field is named here and in the
    /// functions called, so that a new input does not compile until it is listed or left out by name.
    pub(super) fn opened_files<'a>(&'a self, plan: &'a BracketPlan) -> Vec<&'a Path> {
        let Settings {
            inputs: _, // in the plan
            out: _,
            overrides,
            response: _,
            saved_response: _, // for pictures without a bracket
            register: _,
            motion: _,
            wedge,
            edge: _,
            tone: _,
            fuse: _,
            delivery: _,
            sheets: _,
            overwrite: _,
            resume: _,
            part: _,
        } = self;
        let named = overrides.files().chain(wedge.files());
        plan.files().chain(named).collect()
    }

    /// Never over an input, never over a result unless told to. Where results go into an input folder, those of an earlier run are no
    /// inputs.
    pub(super) fn output_policy(&self) -> Outputs {
        let entries = |folder: &Path| -> Vec<PathBuf> {
            let entries = std::fs::read_dir(folder).into_iter().flatten();
            entries.flatten().map(|e| e.path()).collect()
        };
        // A folder of folders is looked into one level.
        let files = self.inputs.iter().flat_map(|input| match input.is_dir() {
            true => entries(input)
                .into_iter()
                .flat_map(|e| if e.is_dir() { entries(&e) } else { vec![e] })
                .collect(),
            false => vec![input.clone()],
        });
        Outputs {
            overwrite: self.overwrite,
            inputs: files.filter(|file| !is_result(file, &self.out)).collect(),
        }
    }

    /// As [`Settings::output_policy`], for what a run that resumes may replace.
    pub(super) fn resumed_policy(&self) -> Outputs {
        Outputs {
            overwrite: self.overwrite || self.resume,
            ..self.output_policy()
        }
    }
}

/// What a run says while it works.
#[derive(Debug)]
#[non_exhaustive]
pub enum Event<'a> {
    /// Headers are being read.
    Surveying,
    /// The next bracket.
    Bracket {
        /// Its name.
        name: &'a str,
        /// Its number, from 0.
        index: usize,
        /// How many there are.
        count: usize,
    },
    /// The next picture without a bracket.
    Picture {
        /// Its file name.
        name: &'a str,
        /// Its number, from 0.
        index: usize,
        /// How many there are.
        count: usize,
    },
    /// The current bracket was finished by an earlier run.
    Kept,
    /// A stage of the current bracket begins.
    Stage(&'a str),
    /// The current bracket failed.
    Failed {
        /// Why.
        error: &'a Error,
    },
}
