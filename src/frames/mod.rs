//! Files -> [`Bracket`]: exposure from metadata, sorting a folder into brackets, clipping.
mod bracket;

pub use bracket::{Bracket, Exposure, ExposureSource, Finished, Frame};
