//! The nouns that stages hand to each other. A stage takes some of them, returns others, and knows no other stage.
//!
//! In reading order: a [`Picture`] read from a file, the meaning of its [`Raw`] samples, its [`colour`] space (by its
//! ICC profile: [`profile_primaries`]) and its [`main_channel`]; a [`Frame`] with its [`Exposure`], and a [`Bracket`]
//! of frames; [`Clip`] levels and the [`LinearScale`] of raw levels; the [`Response`] and the [`ReferenceTones`] by it; the [`Noise`] model and the [`Disagreement`] of
//! the frames; the [`Registration`] of the frames and the [`Motion`] between them; the [`RadianceMap`], and rows of it as [`Planes`];
//! a [`Homography`]; the [`DisplayConversion`] of codes to sRGB; the [`ExposureCheck`]; the bracket after each stage
//! ([`Registered`], [`Recovered`], [`Merged`]); paths in records ([`path_text`]).
mod footprint;
pub mod path_text;
mod picture;
mod raw;

pub mod colour;
mod profile;

mod bracket;
mod channel;
mod clip;
mod linear_scale;

mod noise;
mod reference_tones;
mod response;
mod uncertainty;

mod motion;
mod registration;

mod map;
mod planes;

mod homography;

mod display_conversion;
mod exposure_check;
mod stages;

pub use bracket::{Bracket, CameraPicture, Exposure, ExposureSource, Frame, UNCHANGED, file_name};
pub use channel::main_channel;
pub use clip::Clip;
pub use display_conversion::DisplayConversion;
pub use exposure_check::{Closure, ExposureCheck, PairRatio};
pub use footprint::Footprint;
pub use homography::{
    Homography, UNIT_SQUARE, contains, distance, is_convex_page, shortest_side, turn,
};
pub use linear_scale::{LinearScale, LinearScales, raw_of};
pub use map::{RadianceMap, flag};
pub use motion::Motion;
pub use noise::{Noise, NoiseModel, NoiseSource};
pub use picture::{Compression, Format, Header, Limits, Picture, Rational};
pub use planes::Planes;
pub use profile::profile_primaries;
pub use raw::{CameraColour, ColourCalibration, Raw};
pub use reference_tones::{Greys, ReferenceTones};
pub use registration::{MotionModel, Placement, Registration, TileResidual};
pub use response::{Response, ResponseCurve, ResponseMethod};
pub use stages::{FileDigest, Merged, Recovered, Registered, Samples};
pub use uncertainty::{
    ACTIVITIES, BLOCK, BlockClass, ByLevel, COLOURS, ChannelTerms, Disagreement, LEVELS,
};
