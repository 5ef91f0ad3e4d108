//! What a person can do about an error, one sentence a problem.
use super::{BracketProblem, InputProblem, OutputProblem, Setting};

impl InputProblem {
    pub(super) fn advice(&self) -> String {
        let plain = match self {
            InputProblem::TooLarge { .. } => {
                return format!(
                    "raise the limit with {} if the file is genuine",
                    Setting::MaxPixels
                );
            }
            InputProblem::Memory { .. } => return memory_advice(),
            InputProblem::OutOfMemory { .. } => "end other programs, or use a smaller picture",
            InputProblem::Unreadable => "check the name and the permissions",
            InputProblem::UnknownFormat => "give JPEG, PNG, TIFF, DNG or OpenEXR frames",
            InputProblem::Damaged => "copy the file from the camera again, or leave it out",
            InputProblem::Unsupported(_) => {
                "save the picture as baseline JPEG, or as 8 or 16-bit PNG or TIFF"
            }
            InputProblem::NotFinite => {
                "make the file again, or replace those samples in the program that wrote it"
            }
            InputProblem::NoRadiance => "give the map that a run or a merge has written",
            InputProblem::RawVariant(_) => {
                "convert it to DNG with lossless or no compression, or develop it to a linear 16-bit TIFF"
            }
            InputProblem::OtherRaw(_) => {
                "let the camera save DNG if it can; else convert the whole bracket to DNG without lossy compression, or \
                 develop it to linear 16-bit TIFF, every frame alike and without noise reduction"
            }
            InputProblem::ReaderFailed(_) => {
                "open it in another program and save it as PNG or as a plain TIFF"
            }
            InputProblem::OtherStill(_) => {
                "save it as PNG, or as JPEG of the best quality, without changing its size"
            }
            InputProblem::Video => "save a still from it as PNG, at the video's own size",
            InputProblem::Changed => "wait until the copy has finished, then run again",
        };
        plain.into()
    }
}

impl BracketProblem {
    pub(super) fn advice(&self) -> String {
        let plain = match self {
            BracketProblem::NoWedge { .. } => {
                return format!(
                    "to measure them one by one give the place of the wedge with {} and {}; if they are a bracket, check the \
                     exposure times or say {}",
                    Setting::WedgeCorners,
                    Setting::WedgeGrid,
                    Setting::OneBracket
                );
            }
            BracketProblem::OtherViews => {
                return format!(
                    "give the exposures of a bracket with {}, or the pictures of each camera in a folder of their own",
                    Setting::Exposure
                );
            }
            BracketProblem::NoExposure => {
                return format!(
                    "give it with {} FILE=SECONDS[,fN][,isoS]",
                    Setting::Exposure
                );
            }
            BracketProblem::EqualExposures => {
                return format!(
                    "check the exposure times, or give them with {} FILE=SECONDS",
                    Setting::Exposure
                );
            }
            BracketProblem::Response { .. } => {
                return format!(
                    "add frames or texture, or take them at a lower ISO speed; if the frames are linear say so with {}; \
                     {} srgb takes the curve of IEC 61966-2-1, which nothing then checks",
                    Setting::Linear,
                    Setting::Response
                );
            }
            BracketProblem::Memory { .. } => return memory_advice(),
            BracketProblem::OutOfMemory { .. } => "end other programs, or give fewer frames",
            BracketProblem::TooFew { .. } => {
                "a bracket needs at least two frames of different exposure"
            }
            BracketProblem::Sizes { .. } => "give frames straight from one camera at one size",
            BracketProblem::SampleTypes => {
                "give frames of one kind: all 8-bit, all 16-bit, all float, or all raw from one camera"
            }
            BracketProblem::ColourSpaces { .. } => "give frames saved in one colour space",
            BracketProblem::NothingUsable => {
                "take the bracket again with exposures that reach the scene"
            }
        };
        plain.into()
    }
}

impl OutputProblem {
    pub(super) fn advice(self) -> String {
        let out = Setting::Out;
        match self {
            OutputProblem::Exists | OutputProblem::Otherwise => {
                format!("choose another {out}, or add {}", Setting::Overwrite)
            }
            OutputProblem::IsInput => format!("choose another {out}"),
            OutputProblem::Unwritable => {
                "check the folder, its permissions and the free space".into()
            }
            OutputProblem::UnknownKind => {
                format!("use one of the endings that {} lists", Setting::Help)
            }
        }
    }
}

fn memory_advice() -> String {
    format!(
        "raise the limit with {} if the machine has the memory; else use fewer or smaller pictures",
        Setting::MaxMemory
    )
}
