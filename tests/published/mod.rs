//! Checks against published tables; where each comes from is in SOURCES.md beside them.
mod apex;
mod colour;
mod default_look;
mod dicom;
mod fusion;
mod headroom;
mod lightness;
mod natural;
mod nist_regression;
mod nist_univariate;
mod photon_transfer;
mod range;
mod repeated_markings;
pub mod srgb;
mod table;
mod tone;
