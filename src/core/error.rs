//! The errors of the library, sorted by who must act; data, not prose. The words for a person are made in `Display`.
mod advice;
pub mod printable;
mod setting;

pub use setting::Setting;

use std::path::PathBuf;

/// What went wrong, in which file, and (through [`Error::advice`]) what to do about it.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// A file of the user's cannot be used.
    #[error("{}: {problem}", printable::path(file))]
    Input {
        /// The file.
        file: PathBuf,
        /// What is wrong with it.
        problem: InputProblem,
        /// The decoder's or system's own error.
        #[source]
        source: Option<Box<dyn std::error::Error + Send + Sync>>,
    },
    /// Frames that are fine one by one cannot be used together.
    #[error("{}: {problem}", name_list(files))]
    Bracket {
        /// The frames concerned.
        files: Vec<PathBuf>,
        /// Why they do not go together.
        problem: BracketProblem,
    },
    /// A setting cannot be met.
    #[error("{}: {problem}", given(setting, value))]
    Request {
        /// The setting.
        setting: Setting,
        /// The value given, where the problem lies in one of several or in its form.
        value: Option<String>,
        /// What is wrong with it.
        problem: String,
    },
    /// A scenario of the simulator makes no sense.
    #[error("{field}: {problem}")]
    Scenario {
        /// The field, by its path in the scenario ("sensor.gain"), or the scenario's own name.
        field: String,
        /// What is wrong with it.
        problem: String,
    },
    /// A result could not be written.
    #[error("{}: {problem}", printable::path(file))]
    Output {
        /// The file or folder that was to be written.
        file: PathBuf,
        /// What is wrong.
        problem: OutputProblem,
        /// The system's own error.
        #[source]
        source: Option<std::io::Error>,
    },
}

/// Why a file of the user's cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum InputProblem {
    /// The file cannot be opened or read.
    #[error("cannot be read")]
    Unreadable,
    /// The content is none of the formats read.
    #[error("is not a picture this program reads (by its content, whatever its name says)")]
    UnknownFormat,
    /// The file ends before its picture does, or its data contradict themselves.
    #[error("is damaged or cut short")]
    Damaged,
    /// The header claims more than the limit.
    #[error("claims {columns} x {rows} pixels, more than the limit of {limit} pixels")]
    TooLarge {
        /// Claimed columns.
        columns: u64,
        /// Claimed rows.
        rows: u64,
        /// Pixels allowed.
        limit: u64,
    },
    /// Decoding it, or working on it, would take more memory than the limit.
    #[error("would take {} of memory, more than the limit of {}", gigabytes(*needed), gigabytes(*limit))]
    Memory {
        /// Memory by estimate, bytes.
        needed: u64,
        /// Memory allowed, bytes.
        limit: u64,
    },
    /// The system gives less memory than the picture takes.
    #[error("takes {} of memory, which the system does not give", gigabytes(*needed))]
    OutOfMemory {
        /// Memory asked for, bytes.
        needed: u64,
    },
    /// A variant of a known format that is not read.
    #[error("uses {0}, which is not read")]
    Unsupported(String),
    /// Samples that are NaN or infinite.
    #[error("holds samples that are not finite numbers")]
    NotFinite,
    /// A picture that holds finished levels where radiance was wanted.
    #[error(
        "holds no radiance: it is neither OpenEXR nor Radiance RGBE, nor a JPEG with a gain map"
    )]
    NoRadiance,
    /// A variant of DNG that is not read.
    #[error("is a raw file with {0}, which is not read")]
    RawVariant(String),
    /// A raw file that is not DNG: which kind.
    #[error("is a raw file of {0}, not DNG")]
    OtherRaw(&'static str),
    /// The decoder of the format stopped on the file: its own words.
    #[error("cannot be decoded: its reader stopped ({0})")]
    ReaderFailed(String),
    /// A still picture of a format that is not read: its name.
    #[error("is a {0} picture, which is not read")]
    OtherStill(&'static str),
    /// A video.
    #[error("is a video")]
    Video,
    /// The file changed while it was being read.
    #[error("changed while it was read")]
    Changed,
}

/// Why frames do not go together.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BracketProblem {
    /// Fewer frames than the job needs.
    #[error("only {found} usable frame(s), {needed} needed")]
    TooFew {
        /// Usable frames.
        found: usize,
        /// Frames needed.
        needed: usize,
    },
    /// Pictures of which no two make a bracket and none shows a wedge.
    #[error("{found} picture(s) that make no bracket, and no wedge was found in any of them")]
    NoWedge {
        /// Pictures looked at.
        found: usize,
    },
    /// Frames of different size.
    #[error("the frames differ in size: {first:?} and {other:?} (columns, rows)")]
    Sizes {
        /// Size of the first frame: columns, rows.
        first: (usize, usize),
        /// The other size.
        other: (usize, usize),
    },
    /// Frames of a different sample type or number of channels.
    #[error("the frames differ in sample type, number of channels, or levels of black and white")]
    SampleTypes,
    /// Frames of different RGB primaries.
    #[error("the frames differ in colour space: {first} and {other}")]
    ColourSpaces {
        /// Colour space of the first frame.
        first: String,
        /// The other colour space.
        other: String,
    },
    /// Pictures without any stated exposure that do not show one view.
    #[error("no exposure is stated, and the pictures do not show the same view")]
    OtherViews,
    /// No exposure is known for a frame.
    #[error("no exposure is known")]
    NoExposure,
    /// All frames have the same exposure.
    #[error("all frames have the same exposure, so there is no bracket")]
    EqualExposures,
    /// Every pixel of every frame is clipped, or every pixel is black.
    #[error("no pixel is usable: every one is clipped or black in every frame")]
    NothingUsable,
    /// The whole job on them would take more memory than the limit.
    #[error("would take {} of memory together, more than the limit of {}", gigabytes(*needed), gigabytes(*limit))]
    Memory {
        /// Memory by estimate, bytes.
        needed: u64,
        /// Memory allowed, bytes.
        limit: u64,
    },
    /// The system gives less memory than the job takes.
    #[error("take {} of memory together, which the system does not give", gigabytes(*needed))]
    OutOfMemory {
        /// Memory asked for, bytes.
        needed: u64,
    },
    /// The data cannot support a response curve. `short` says which number was short.
    #[error("the response curve cannot be recovered: {short}")]
    Response {
        /// Which number was short, with the number and what it should be.
        short: String,
    },
}

/// Why a result could not be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum OutputProblem {
    /// It is there already.
    #[error("already exists; nothing was overwritten")]
    Exists,
    /// It is the end of a run on other inputs, with other settings, or by another version.
    #[error(
        "was made of other inputs, with other settings, or by another version, and is not overwritten"
    )]
    Otherwise,
    /// It is one of the inputs.
    #[error("is one of the inputs, which are never written")]
    IsInput,
    /// The system refused.
    #[error("cannot be written")]
    Unwritable,
    /// The kind of file is not one that can be written.
    #[error("has an ending that names no kind of file this program writes")]
    UnknownKind,
}

impl Error {
    /// What a person can do about it, in one sentence.
    pub fn advice(&self) -> String {
        match self {
            Error::Input { problem, .. } => problem.advice(),
            Error::Bracket { problem, .. } => problem.advice(),
            Error::Request { .. } | Error::Scenario { .. } => format!("see {}", Setting::Help),
            Error::Output { problem, .. } => problem.advice(),
        }
    }

    /// An input error without a deeper source.
    pub fn input(file: impl Into<PathBuf>, problem: InputProblem) -> Self {
        Error::Input {
            file: file.into(),
            problem,
            source: None,
        }
    }

    /// An input error that keeps the decoder's or system's own error.
    pub fn input_because(
        file: impl Into<PathBuf>,
        problem: InputProblem,
        source: impl Into<Box<dyn std::error::Error + Send + Sync>>,
    ) -> Self {
        Error::Input {
            file: file.into(),
            problem,
            source: Some(source.into()),
        }
    }

    /// An output error.
    pub fn output(
        file: impl Into<PathBuf>,
        problem: OutputProblem,
        source: Option<std::io::Error>,
    ) -> Self {
        Error::Output {
            file: file.into(),
            problem,
            source,
        }
    }

    /// A setting that cannot be met.
    pub fn request(setting: Setting, problem: impl Into<String>) -> Self {
        Error::Request {
            setting,
            value: None,
            problem: problem.into(),
        }
    }

    /// A setting of which this one value cannot be met.
    pub fn request_of(
        setting: Setting,
        value: impl std::fmt::Display,
        problem: impl Into<String>,
    ) -> Self {
        Error::Request {
            setting,
            value: Some(value.to_string()),
            problem: problem.into(),
        }
    }

    /// A scenario of the simulator that makes no sense.
    pub fn scenario(field: impl Into<String>, problem: impl Into<String>) -> Self {
        Error::Scenario {
            field: field.into(),
            problem: problem.into(),
        }
    }
}

/// A setting and the value given for it, as a user writes them.
fn given(setting: &Setting, value: &Option<String>) -> String {
    match value {
        Some(value) => format!("{setting} {}", printable::text(value)),
        None => setting.to_string(),
    }
}

/// An amount of memory, bytes, as words: "0.3 GB".
fn gigabytes(bytes: u64) -> String {
    format!("{:.1} GB", bytes as f64 / 1e9)
}

fn name_list(files: &[PathBuf]) -> String {
    let names: Vec<String> = files.iter().map(|f| printable::path(f)).collect();
    names.join(", ")
}
