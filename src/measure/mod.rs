//! Wedge location, patches, resolved levels, usable range, comparison of finished pictures.
mod result;

pub use result::{
    JoinReason, Joined, LevelCounts, Limit, Pair, Patch, PictureKind, PictureMeasurement,
    UsableStops, WedgePlace,
};
