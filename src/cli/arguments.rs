//! The arguments, and what they mean as settings of the library.
use crate::look::{Files, Map, OperatorOfMap, Render, Tone};
use crate::response::{ResponseChoice, ResponseParser};
use crate::simulating::Simulate;
use crate::values;
use crate::wedge::{Measure, Wedge};
use clap::{Args, CommandFactory, FromArgMatches, Parser, Subcommand, ValueEnum};
use clap_complete::Shell;
use std::io::ErrorKind;
use std::path::PathBuf;
use stopspan::pipeline::Settings;
use stopspan_core::model::Limits;
use stopspan_core::{Error, Setting};
use stopspan_formats::memory::share_of_machine;
use stopspan_frames::{ExposureOverride, Overrides};
use stopspan_merge::MotionSettings;
use stopspan_report::sheet::{Look, SheetSettings};
use stopspan_response::ResponseRequest;

/// Measure a camera's dynamic range, merge its exposure brackets, and compare cameras.
#[derive(Debug, Parser)]
#[command(version, about, after_help = AFTER)]
pub struct Arguments {
    #[command(subcommand)]
    pub command: Command,
}

const AFTER: &str = "\
First steps:
  stopspan run FOLDER --out RESULTS          the whole job on every bracket of a folder
  stopspan run FOLDER --out RESULTS --dry-run  only list what was found
  stopspan desk FOLDER                       the same in a browser
  stopspan measure A.jpg B.jpg               steps of a wedge in single pictures
  stopspan merge A.jpg B.jpg C.jpg --out MAP.exr
  stopspan render MAP.exr --out PICTURE.jpg

Many brackets, shared between independent jobs (K is the job's number):
  stopspan run FOLDER --out RESULTS --resume --part K/8  each job; restart a stopped one with the same line
  stopspan run FOLDER --out RESULTS --resume             when all are done: the report

Exit codes: 0 done; 1 nothing could be done; 2 invalid command line; 3 partly done, failures are listed;
130 interrupted (Ctrl-C, SIGTERM): finished files are complete, continue with --resume.

Never look at the sun, or point a camera at it, through an optical finder. For flying cameras follow local rules and
licensed practice.";

/// Options of `run` and `merge` that `-h` lists; `--help` lists all.
const USUAL: [&str; 22] = [
    "inputs",
    "frames",
    "out",
    "dry_run",
    "verbose",
    "overwrite",
    "resume",
    "quiet",
    "help",
    "one_bracket",
    "camera_hdr",
    "exposure",
    "reference",
    "linear",
    "wedge_corners",
    "wedge_grid",
    "wedge_densities",
    "wedge_file",
    "no_wedge",
    "sheet_size",
    "crop",
    "tone",
];

/// The command line, parsed. The short help of a command leaves out what is rarely needed.
pub fn parsed() -> Arguments {
    let parsed = with_short_help().try_get_matches();
    let parsed = parsed.and_then(|matches| Arguments::from_arg_matches(&matches));
    parsed.unwrap_or_else(|problem| {
        // Help that could not be written was not given.
        let unsaid = problem
            .print()
            .is_err_and(|e| e.kind() != ErrorKind::BrokenPipe);
        let code = problem.exit_code();
        std::process::exit(if unsaid { code.max(1) } else { code })
    })
}

fn with_short_help() -> clap::Command {
    let usual = |arg: clap::Arg| {
        let listed = USUAL.contains(&arg.get_id().as_str());
        arg.hide_short_help(!listed)
    };
    let mut program = Arguments::command();
    for command in ["run", "merge"] {
        program = program.mut_subcommand(command, |c| c.mut_args(usual));
    }
    // What a command refuses is not in its help.
    program = program.mut_subcommand("measure", |c| c.mut_arg("flat_field", |a| a.hide(true)));
    program.mut_subcommand("render", |c| {
        c.mut_arg("tone", |a| a.value_parser(OperatorOfMap))
    })
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// The whole job: sort brackets, merge, render, measure the wedge, report
    Run(Box<Run>),
    /// The whole job by looking and pointing, in a browser on this machine
    #[cfg(feature = "desk")]
    Desk(crate::desk::Desk),
    /// One radiance map from the frames given
    Merge(Box<Merge>),
    /// A picture from a radiance map
    Render(Box<Render>),
    /// The steps of a wedge that finished pictures, or a radiance map, resolve
    Measure(Box<Measure>),
    /// Make a bracket with known truth from a described camera and scene
    Simulate(Simulate),
    /// Print shell completions
    Completions {
        /// The shell
        shell: Shell,
    },
}

/// What is said about the frames, for every command that reads them.
#[derive(Debug, Args)]
pub struct Common {
    /// Exposure of a file, given or corrected: FILE=SECONDS[,fN][,isoS], FILE=1/60, or FILE=+1ev; FILE may hold * and ?
    #[arg(long, value_name = "FILE=EXPOSURE", help_heading = "Frames")]
    pub exposure: Vec<String>,
    /// Frame that sets alignment and moment of the merge [default: bias 0, else the middle exposure]
    #[arg(long, value_name = "FILE", help_heading = "Frames")]
    pub reference: Option<PathBuf>,
    /// How codes become light: fitted, a named curve, or the response.json of an earlier run (for pictures without a bracket)
    #[arg(long, value_parser = ResponseParser, default_value = "fit", help_heading = "Frames")]
    pub response: ResponseChoice,
    /// Frames are linear; same as --response linear
    #[arg(long, help_heading = "Frames")]
    pub linear: bool,
    /// A frame taken without light, to be subtracted from linear frames of its exposure time; once a time, or one for all
    #[arg(long, value_name = "FILE", help_heading = "Frames")]
    pub dark_frame: Vec<PathBuf>,
    /// Neutral spot in the reference frame for the white balance of raw frames: column and row, pixels [default: as shot]
    #[arg(long, value_name = "X,Y", value_parser = values::place, help_heading = "Frames")]
    pub neutral: Option<(f64, f64)>,
    /// Skip alignment
    #[arg(long, help_heading = "Frames")]
    pub no_register: bool,
    /// Merge every frame everywhere, also where something moved
    #[arg(long, help_heading = "Frames")]
    pub no_motion: bool,
    /// Use what can be decoded of damaged files; merge then goes on without frames that cannot be used
    #[arg(long, help_heading = "Frames")]
    pub accept_damaged: bool,
    /// Largest picture accepted, in pixels
    #[arg(long, value_name = "N", default_value_t = Limits::default().pixels, help_heading = "Frames")]
    pub max_pixels: u64,
    /// Most memory that a bracket or picture may take by estimate, such as 4GB [default: three quarters of what the machine has]
    #[arg(long, value_name = "SIZE", value_parser = values::memory, help_heading = "Frames")]
    pub max_memory: Option<u64>,
    /// Replace existing results
    #[arg(long)]
    pub overwrite: bool,
    /// Number of threads [default: all cores]; results do not depend on it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
    /// No progress
    #[arg(long, short)]
    pub quiet: bool,
}

#[derive(Debug, Args)]
pub struct Run {
    /// Pictures, folders with pictures, or a folder of such folders (a camera or a bracket each): brackets, single shots, HDR
    /// pictures of the camera's own
    #[arg(required = true, value_name = "INPUT")]
    pub inputs: Vec<PathBuf>,
    /// Folder for the report (HTML, JSON, CSV) and a folder per bracket, or per camera without one
    #[arg(
        long,
        alias = "output",
        value_name = "DIR",
        required_unless_present = "dry_run"
    )]
    pub out: Option<PathBuf>,
    /// Only list what was found
    #[arg(long)]
    pub dry_run: bool,
    /// Print every picture's figures and all notes, not the answer alone
    #[arg(long, short)]
    pub verbose: bool,
    /// Treat all inputs as one bracket, whatever their capture times
    #[arg(long, help_heading = "Frames")]
    pub one_bracket: bool,
    /// These pictures are one bracket, whatever their capture times; may be given several times. One picture alone is in none
    #[arg(
        long,
        value_name = "FILE,...",
        conflicts_with = "one_bracket",
        help_heading = "Frames"
    )]
    pub bracket: Vec<String>,
    /// The camera's own HDR picture
    #[arg(long, value_name = "FILE", help_heading = "Frames")]
    pub camera_hdr: Vec<PathBuf>,
    /// None of the inputs is the camera's own HDR picture
    #[arg(long, conflicts_with = "camera_hdr", help_heading = "Frames")]
    pub no_camera_hdr: bool,
    /// Treat this file as a frame, whatever its metadata
    #[arg(long, value_name = "FILE", help_heading = "Frames")]
    pub frame: Vec<PathBuf>,
    #[command(flatten)]
    pub wedge: Wedge,
    /// Size of the sheets in pixels
    #[arg(
        long,
        value_name = "WIDTHxHEIGHT",
        default_value = "1920x1080",
        help_heading = "Sheets"
    )]
    pub sheet_size: String,
    /// Sheet background
    #[arg(long, value_enum, default_value_t = LookArgument::Both, help_heading = "Sheets")]
    pub sheet_look: LookArgument,
    /// Pictures on the sheets: file names, or frame, camera-hdr, merge, rendered [default: all that fit]
    #[arg(
        long,
        value_name = "NAME,...",
        value_delimiter = ',',
        help_heading = "Sheets"
    )]
    pub sheet_pictures: Vec<String>,
    /// Place of a crop: [NAME=][FILE@]X,Y in pixels of that file, or a rectangle X0,Y0,X1,Y1; step:N of the wedge, lightest,
    /// darkest, edge:N, ghost:N; may be given several times. Without FILE: the reference frame of the only bracket. The place
    /// is carried to the other pictures by registration; coordinates of one NAME in several files are taken as they are
    /// [default: the ends of the wedge]
    #[arg(long, value_name = "PLACE", help_heading = "Sheets")]
    pub crop: Vec<String>,
    /// A straight edge 2 to 10 degrees off the pixel grid, in the reference frame, for the edge response of the camera's
    /// HDR picture, the merge and the frames [default: found in the merge]
    #[arg(long, value_name = "X0,Y0,X1,Y1", help_heading = "Camera's HDR")]
    pub edge: Option<String>,
    #[command(flatten)]
    pub tone: Tone,
    #[command(flatten)]
    pub files: Files,
    /// Go on from an earlier run into the same folder: brackets finished with the same inputs and settings are not done
    /// again, unfinished ones are, and the report is written anew
    #[arg(long, help_heading = "Many brackets")]
    pub resume: bool,
    /// Do every N-th bracket only, beginning with the K-th, and write no report; when all N parts are done, a run with
    /// --resume writes it
    #[arg(long, value_name = "K/N", help_heading = "Many brackets")]
    pub part: Option<String>,
    #[command(flatten)]
    pub common: Common,
}

/// Ground of the sheets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum LookArgument {
    /// Dark ink on a light ground
    Light,
    /// Light ink on a dark ground
    Dark,
    /// One of each
    Both,
    /// No sheets
    None,
}

#[derive(Debug, Args)]
pub struct Merge {
    /// Two frames or more, one bracket whatever their times
    #[arg(required = true, value_name = "FRAME")]
    pub frames: Vec<PathBuf>,
    /// The map: .exr (with uncertainty and flags) or .hdr
    #[arg(long, value_name = "MAP.exr")]
    pub out: PathBuf,
    #[command(flatten)]
    pub map: Map,
    #[command(flatten)]
    pub common: Common,
}

impl Common {
    fn apply(&self, settings: &mut Settings) -> Result<(), Error> {
        settings.overrides.exposures = self
            .exposure
            .iter()
            .map(|text| ExposureOverride::parse(text))
            .collect::<Result<_, _>>()?;
        settings.overrides.reference = self.reference.clone();
        settings.overrides.dark_frames = self.dark_frame.clone();
        settings.overrides.neutral = self.neutral;
        settings.overrides.limits = Limits {
            pixels: self.max_pixels,
            memory: self.max_memory.unwrap_or_else(share_of_machine),
            accept_damaged: self.accept_damaged,
        };
        match &self.response {
            _ if self.linear => settings.response = ResponseRequest::Linear,
            ResponseChoice::By(method) => settings.response = *method,
            ResponseChoice::Saved(file) => settings.saved_response = Some(file.clone()),
        }
        settings.register = !self.no_register;
        settings.motion = (!self.no_motion).then(MotionSettings::default);
        settings.overwrite = self.overwrite;
        Ok(())
    }
}

impl Run {
    pub fn settings(&self) -> Result<Settings, Error> {
        let mut settings = Settings::new(self.inputs.clone(), self.out.clone().unwrap_or_default());
        self.common.apply(&mut settings)?;
        settings.overrides = Overrides {
            one_bracket: self.one_bracket,
            groups: self.bracket.iter().map(|b| values::files(b)).collect(),
            camera_hdr: match (self.no_camera_hdr, self.camera_hdr.is_empty()) {
                (true, _) => Some(Vec::new()),
                (false, false) => Some(self.camera_hdr.clone()),
                (false, true) => None,
            },
            not_hdr: self.frame.clone(),
            ..settings.overrides
        };
        settings.wedge = self.wedge.request()?;
        settings.sheets = self.sheets()?;
        settings.tone = self.tone.settings();
        settings.fuse = self.tone.fuse();
        if settings.fuse && self.files.bright {
            let problem = "exposure fusion knows no light above white; use another --tone";
            return Err(Error::request(Setting::Bright, problem));
        }
        settings.delivery = self.files.delivery();
        settings.resume = self.resume;
        settings.part = self.part.as_deref().map(values::part).transpose()?;
        settings.edge = self.edge.as_deref().map(values::edge).transpose()?;
        Ok(settings)
    }

    fn sheets(&self) -> Result<SheetSettings, Error> {
        let places = self.crop.iter().map(|text| values::crop(text));
        Ok(SheetSettings {
            size: values::sheet_size(&self.sheet_size)?,
            looks: match self.sheet_look {
                LookArgument::Light => vec![Look::Light],
                LookArgument::Dark => vec![Look::Dark],
                LookArgument::Both => vec![Look::Light, Look::Dark],
                LookArgument::None => Vec::new(),
            },
            pictures: self.sheet_pictures.clone(),
            crops: places.collect::<Result<_, _>>()?,
        })
    }
}

impl Merge {
    pub fn settings(&self) -> Result<Settings, Error> {
        let mut settings = Settings::new(self.frames.clone(), self.out.clone());
        self.common.apply(&mut settings)?;
        if settings.saved_response.is_some() {
            let problem =
                "a saved response is for pictures without a bracket; a bracket gives its own";
            return Err(Error::request(Setting::Response, problem));
        }
        settings.overrides.one_bracket = true;
        settings.overrides.every_frame = !self.common.accept_damaged;
        settings.delivery = self.map.delivery();
        Ok(settings)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;
    use std::collections::BTreeSet;
    use stopspan_core::Setting;

    /// What errors call a setting is an option of some command. One name is not the option's own yet.
    #[test]
    fn settings_are_options() {
        let mut program = Arguments::command();
        program.build();
        let options: BTreeSet<String> = program
            .get_subcommands()
            .flat_map(|command| command.get_arguments())
            .filter_map(|argument| argument.get_long().map(str::to_owned))
            .collect();
        let unknown = |s: &&Setting| !options.contains(s.name());
        let unknown: Vec<&Setting> = Setting::ALL.iter().filter(unknown).collect();
        assert_eq!(unknown, [&Setting::NotHdr]);
    }
}
