//! Planning of brackets from a radiance map and a noise model, without a wedge: the share of the scene a bracket records,
//! its best single frame, and the smallest sufficient bracket.
//!
//! In reading order: histogram of the scene's radiance (`census`), shares recorded by exposures (`coverage`), the best
//! single frame (`best_frame`), the smallest sufficient bracket (`smallest_bracket`), what the bracket lacks (`reach`), and all of it for one scene
//! (`scene`).
mod best_frame;
mod census;
mod coverage;
mod reach;
mod scene;
mod smallest_bracket;

pub use best_frame::best_on_wedge;
pub use scene::{TakenBracket, scene};
