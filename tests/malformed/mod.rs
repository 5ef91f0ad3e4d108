//! Files that are damaged, false or hostile.
mod dng;
mod dwa;
mod formats;
mod mutated;
mod planar_tiles;
