//! Memory that the pictures of a bracket take, known from their headers.
use super::overrides::Overrides;
use super::survey::BracketPlan;
use std::path::Path;
use stopspan_core::model::{Footprint, Limits};
use stopspan_formats as formats;

/// The pictures of a bracket, before any is decoded.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct PlannedMemory {
    /// All frames, and the camera's own HDR picture: samples in all, and the largest need of decoding one.
    pub pictures: Footprint,
    /// Pixels of the largest frame.
    pub pixels: u64,
}

impl PlannedMemory {
    /// Sums the headers of a bracket's files up. A file whose header cannot be read counts nothing: decoding will say why.
    pub fn of(plan: &BracketPlan, overrides: &Overrides) -> Self {
        let frames = plan.frames.iter().map(|f| f.file.as_path());
        let finished = plan.camera_hdr.iter().map(|h| h.file.as_path());
        let dark = overrides.dark_frames.iter().map(|f| f.as_path());
        PlannedMemory::of_files(frames.chain(finished).chain(dark), &overrides.limits)
    }

    /// As [`PlannedMemory::of`], for any files.
    pub fn of_files<'a>(files: impl Iterator<Item = &'a Path>, limits: &Limits) -> Self {
        let mut all = PlannedMemory::default();
        for file in files {
            let Ok(header) = formats::read_header(file, limits) else {
                continue;
            };
            let (own, sum) = (header.footprint, &mut all.pictures);
            sum.samples = sum.samples.saturating_add(own.samples);
            sum.decoding = sum.decoding.max(own.decoding);
            let pixels = (header.columns as u64).saturating_mul(header.rows as u64);
            all.pixels = all.pixels.max(pixels);
        }
        all
    }

    /// True if as many pictures as there are threads may be decoded at a time.
    pub fn side_by_side(&self, limits: &Limits) -> bool {
        let threads = rayon::current_num_threads() as u64;
        let decoding = self.pictures.decoding.saturating_mul(threads);
        self.pictures.samples.saturating_add(decoding) <= limits.memory
    }
}
