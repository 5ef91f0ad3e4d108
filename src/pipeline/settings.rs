//! What can be asked of a run, and what it says while it works.
use super::batch::Part;
use super::delivery::Delivery;
use std::path::PathBuf;
use stopspan_core::Error;
use stopspan_core::raster::Region;
use stopspan_formats::staged::Outputs;
use stopspan_frames::Overrides;
use stopspan_measure::WedgeRequest;
use stopspan_merge::MotionSettings;
use stopspan_report::sheet::SheetSettings;
use stopspan_response::ResponseRequest;
use stopspan_tone::ToneSettings;

/// All settings of a run.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Files or folders.
    pub inputs: Vec<PathBuf>,
    /// Folder for [`super::run`], file for [`super::merge`].
    pub out: PathBuf,
    /// What the user says about the frames.
    pub overrides: Overrides,
    /// What the response is to be.
    pub response: ResponseRequest,
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
    pub overwrite: bool,
    /// Go on from an earlier run into the same folder: brackets it finished with the same inputs and settings are taken as
    /// they are, what it left unfinished is replaced, and the report is written anew.
    pub resume: bool,
    /// Do only some of the brackets, and leave the report to a later run that resumes.
    pub part: Option<Part>,
}

impl Settings {
    /// Defaults: everything automatic, nothing overwritten.
    pub fn new(inputs: Vec<PathBuf>, out: PathBuf) -> Self {
        Settings {
            inputs,
            out,
            overrides: Overrides::default(),
            response: ResponseRequest::default(),
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

    /// Never over an input, never over a result unless told to.
    pub(super) fn output_policy(&self) -> Outputs {
        let files = self
            .inputs
            .iter()
            .flat_map(|input| match std::fs::read_dir(input) {
                Ok(entries) => entries.flatten().map(|e| e.path()).collect(),
                Err(_) => vec![input.clone()],
            });
        Outputs {
            overwrite: self.overwrite,
            inputs: files.collect(),
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
