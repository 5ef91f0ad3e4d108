//! What a bracket holds of its scene, which single frame is best, and which bracket would have been enough. No wedge is
//! needed: the radiance map says what light there was, the noise model what a frame makes of it.
//!
//! In reading order: the results, the scene counted by radiance (`census`), what exposures hold of it (`cover`), the best
//! single frame (`best`), the fewest frames that suffice (`fewest`), and the scene as a whole (`scene`).
mod best;
mod census;
mod cover;
mod fewest;
mod scene;

pub use best::best_on_wedge;
pub use scene::{TakenBracket, scene};
