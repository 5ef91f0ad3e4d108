//! [`Bracket`](crate::frames::Bracket) -> [`ResponseCurve`] per channel, exposure ratios, how well it fits.
mod curve;

pub use curve::{Response, ResponseCurve, ResponseMethod};
