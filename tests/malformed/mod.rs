//! Files that are damaged, false or hostile.
mod dng;
mod formats;
mod mutated;
mod planar_tiles;
