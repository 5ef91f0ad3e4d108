//! Memory of a whole job by estimate, held against the limit before anything is decoded.
use super::settings::Settings;
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::BracketProblem;
use stopspan_core::model::Limits;
use stopspan_formats::memory::{is_enough, is_given};
use stopspan_frames::{BracketPlan, PlannedMemory};

/// A job, by what it holds beside the pictures as they were decoded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Job {
    /// A bracket from files to sheets.
    Run,
    /// A bracket from files to a map that is written strip by strip.
    Merge,
    /// A finished picture, measured.
    Picture,
    /// A map, rendered or measured.
    Map,
}

/// What any job holds, bytes: code, letters, stacks of threads.
const ALWAYS: u64 = 64 << 20;

impl Job {
    /// Bytes a pixel, at most. Measured as the largest resident memory of jobs on frames of 12 megapixels in 8 and 16 bits, less the frames
    /// themselves (62, 7, 30 and 54), with some room.
    fn bytes_a_pixel(self) -> u64 {
        match self {
            Job::Run => 72,
            Job::Merge => 12,
            Job::Picture => 36,
            Job::Map => 64,
        }
    }

    fn needed(self, planned: &PlannedMemory) -> u64 {
        let working = planned.pixels.saturating_mul(self.bytes_a_pixel());
        let beside = working.max(planned.pictures.decoding);
        let all = planned.pictures.samples.saturating_add(beside);
        all.saturating_add(ALWAYS)
    }
}

/// Refuses a bracket on which the job would take more memory than the limit, or than the system gives.
///
/// # Errors
/// [`Error::Bracket`].
pub(super) fn check_bracket(
    job: Job,
    plan: &BracketPlan,
    settings: &Settings,
) -> Result<(), Error> {
    let needed = job.needed(&PlannedMemory::of(plan, &settings.overrides));
    let limit = settings.overrides.limits.memory;
    let problem = if needed > limit {
        BracketProblem::Memory { needed, limit }
    } else if !is_given(needed) {
        BracketProblem::OutOfMemory { needed }
    } else {
        return Ok(());
    };
    let files = plan.frames.iter().map(|f| f.file.clone());
    Err(Error::Bracket {
        files: files.collect(),
        problem,
    })
}

/// As [`check_bracket`], for one picture or map.
///
/// # Errors
/// [`Error::Input`].
pub(super) fn check_file(job: Job, file: &Path, limits: &Limits) -> Result<(), Error> {
    let needed = job.needed(&PlannedMemory::of_files([file].into_iter(), limits));
    is_enough(needed, limits.memory).map_err(|problem| Error::input(file, problem))
}
