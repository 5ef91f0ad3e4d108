//! Checks against other libraries: files read by them, and answers made once by kept scripts with pinned versions.
mod colour;
mod dng;
mod exr_frames;
mod files;
mod gain_map;
mod geometry;
mod maps;
mod methods;
mod opencv;
mod openexr;
mod registration;
mod samples;
mod tiff;
mod tone;
