//! What can be asked of the simulator.
use clap::{Args, ValueEnum};
use std::path::PathBuf;
use stopspan_simulate::FileKind;

#[derive(Debug, Args)]
pub struct Simulate {
    /// A built-in scenario by name, or a scenario file ending in .json
    pub scenario: String,
    /// Folder for the frames and truth.json
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Kind of file, whatever the scenario says: DNG frames are raw
    #[arg(long, value_enum)]
    pub format: Option<FrameFormat>,
    /// Also write every shot as DNG beside its picture
    #[arg(long)]
    pub raw_beside: bool,
    /// Replace files that are there
    #[arg(long)]
    pub overwrite: bool,
}

/// Kind of file simulated frames are written as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FrameFormat {
    /// JPEG of quality 95
    Jpeg,
    /// PNG
    Png,
    /// TIFF
    Tiff,
    /// DNG, uncompressed
    Dng,
    /// DNG, deflated
    DngDeflate,
    /// DNG of a camera without colour filters, uncompressed
    DngMono,
}

impl FrameFormat {
    /// The library's kind.
    pub fn kind(self) -> FileKind {
        match self {
            FrameFormat::Jpeg => FileKind::default(),
            FrameFormat::Png => FileKind::Png,
            FrameFormat::Tiff => FileKind::Tiff,
            FrameFormat::Dng => FileKind::Dng {
                deflate: false,
                mono: false,
            },
            FrameFormat::DngMono => FileKind::Dng {
                deflate: false,
                mono: true,
            },
            FrameFormat::DngDeflate => FileKind::Dng {
                deflate: true,
                mono: false,
            },
        }
    }
}
