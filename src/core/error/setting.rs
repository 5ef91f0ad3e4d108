//! The settings that errors and findings speak of, and the one place where each has its name.
use std::fmt;

/// Makes the enum and its table of names from one list.
macro_rules! settings {
    ($($(#[$doc:meta])* $variant:ident = $name:literal,)*) => {
        /// A setting that a user can give. It is displayed as the command line takes it: two dashes and its [name](Self::name).
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Setting {
            $($(#[$doc])* $variant,)*
        }

        impl Setting {
            /// Every setting, in the order of their definition.
            pub const ALL: &[Setting] = &[$(Setting::$variant,)*];

            /// Name, words joined by hyphens.
            pub fn name(self) -> &'static str {
                match self {
                    $(Setting::$variant => $name,)*
                }
            }
        }
    };
}

settings! {
    /// The list of all settings, asked for.
    Help = "help",
    /// Where results go.
    Out = "out",
    /// Replacing results that are there.
    Overwrite = "overwrite",
    /// Doing some of the brackets only.
    Part = "part",
    /// Number of threads.
    Threads = "threads",
    /// All inputs are one bracket.
    OneBracket = "one-bracket",
    /// Pictures that are one bracket.
    Bracket = "bracket",
    /// Exposure of a file, given or corrected.
    Exposure = "exposure",
    /// The reference frame.
    Reference = "reference",
    /// The camera's own HDR picture.
    CameraHdr = "camera-hdr",
    /// A picture that is a frame, whatever its tags say. The command line calls it `frame`.
    NotHdr = "not-hdr",
    /// Frames taken without light, to be subtracted.
    DarkFrame = "dark-frame",
    /// Place of something neutral in raw frames.
    Neutral = "neutral",
    /// Largest picture accepted.
    MaxPixels = "max-pixels",
    /// Largest memory that a run may take.
    MaxMemory = "max-memory",
    /// What the levels of the frames mean.
    Response = "response",
    /// The levels of the frames are linear.
    Linear = "linear",
    /// Looking for what moved between the frames.
    Motion = "no-motion",
    /// Corners of the wedge.
    WedgeCorners = "wedge-corners",
    /// The patches run from dark to light.
    WedgeDarkFirst = "wedge-dark-first",
    /// Rows and columns of the wedge's patches.
    WedgeGrid = "wedge-grid",
    /// Densities of the wedge's patches.
    WedgeDensities = "wedge-densities",
    /// Standard uncertainty of the densities.
    WedgeDensityUncertainty = "wedge-density-uncertainty",
    /// A wedge kept from another run.
    WedgeFile = "wedge-file",
    /// A frame of an even source.
    FlatField = "flat-field",
    /// A straight edge to measure.
    Edge = "edge",
    /// How radiance becomes a picture.
    Tone = "tone",
    /// Pictures for displays lighter than white paper.
    Bright = "bright",
    /// Size of the sheets.
    SheetSize = "sheet-size",
    /// Pictures on the sheets.
    SheetPictures = "sheet-pictures",
    /// Place of a crop on the sheets.
    Crop = "crop",
}

impl fmt::Display for Setting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "--{}", self.name())
    }
}
