//! The camera's own HDR picture against the merge and the single frames.
//!
//! In reading order: the results, colour ([`lab()`], [`ciede2000`]), edges ([`edge_response`]).
mod colour_difference;
pub mod edge_response;
mod lab;
mod result;

pub use colour_difference::{Lab, ciede2000};
pub use lab::{D65, lab, xyz};
pub use result::{
    Compared, Comparison, Difference, Edge, EdgeResponse, Ghost, Ghosts, Interval, Knot, Quantity,
    ToneCurve, ToneKind, ToneTile,
};
