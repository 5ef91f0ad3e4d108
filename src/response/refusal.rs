//! Refuses brackets that cannot support a response curve, and reports curves that rest on little data.
use super::blocks::BlockSamples;
use super::plausible::Steepness;
use super::smooth_table::TableFit;
use rayon::prelude::*;
use stopspan_core::Error;
use stopspan_core::error::BracketProblem;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, Clip};

/// Least number of blocks for a fit (Debevec and Malik (1997) ask N (P - 1) > 255, so 128 for three frames).
pub(super) const FEWEST_BLOCKS: usize = 128;
/// Least range of codes for a fit: a single flat colour relates one code of each frame, and determines none between them.
const FEWEST_CODES: f32 = 16.0;

/// Least [`flatness`] of a curve that is not reported as flat below its clip level (judgement: sRGB has 0.97, a strong S-curve
/// 0.7, a sine 0.55).
const FLAT: f64 = 0.6;

/// Slope just below clipping (codes per stop, 11 to 5 codes below) divided by the steepest slope of the table.
fn flatness(fit: &TableFit, clip: &Clip) -> f64 {
    const CODES: usize = 6;
    let table = &fit.log2_exposure;
    let last = ((clip.clip_level * 255.0) as usize).saturating_sub(5 + CODES);
    let last = last.min(table.len() - 1 - CODES);
    let stops = |code: usize| (table[code + CODES] - table[code]).max(1e-9);
    let least = (10..last).map(stops).fold(f64::INFINITY, f64::min);
    (least / stops(last)).min(1.0)
}

/// Refuses a bracket if in some channel the usable blocks of no frame span [`FEWEST_CODES`] codes.
///
/// # Errors
/// [`BracketProblem::Response`] with the range found; [`BracketProblem::NothingUsable`] if no block is usable.
pub(super) fn refuse_flat(bracket: &Bracket, samples: &[BlockSamples]) -> Result<(), Error> {
    let widest = samples.par_iter().map(range_of_codes);
    let widest = widest.reduce(|| f32::MAX, f32::min);
    if widest >= FEWEST_CODES {
        return Ok(());
    }
    if samples.iter().any(|s| usable(s).next().is_none()) {
        return Err(refuse(bracket, samples));
    }
    let short = format!(
        "the usable pixels of a frame lie within {widest:.0} codes of 256, {FEWEST_CODES:.0} are needed"
    );
    Err(bracket_error(bracket, BracketProblem::Response { short }))
}

/// Widest range of block means in any frame, without the hundredth at either end, codes.
fn range_of_codes(samples: &BlockSamples) -> f32 {
    let mut widest: f32 = 0.0;
    for frame in 0..samples.frames {
        let mut codes: Vec<f32> = usable(samples)
            .map(|block| block * samples.frames + frame)
            .filter(|&i| sees(samples, i))
            .map(|i| samples.mean[i])
            .collect();
        let cut = codes.len() / 100;
        let Some(last) = codes.len().checked_sub(cut + 1) else {
            continue;
        };
        let low = *codes.select_nth_unstable_by(cut, f32::total_cmp).1;
        let high = *codes.select_nth_unstable_by(last, f32::total_cmp).1;
        widest = widest.max(high - low);
    }
    widest
}

/// True if the block of one frame with index `i` is neither black nor clipped.
fn sees(samples: &BlockSamples, i: usize) -> bool {
    samples.mean[i] > samples.floor + 3.0 && samples.peak[i] <= 254.0
}

/// Blocks that are neither black nor clipped in at least two frames.
fn usable(samples: &BlockSamples) -> impl Iterator<Item = usize> {
    (0..samples.len()).filter(|block| {
        let views = block * samples.frames..(block + 1) * samples.frames;
        views.filter(|&i| sees(samples, i)).count() >= 2
    })
}

/// The error for a bracket to which no curve could be fitted, with the number that is too small.
pub(super) fn refuse(bracket: &Bracket, samples: &[BlockSamples]) -> Error {
    let usable = samples.iter().map(|s| usable(s).count()).min().unwrap_or(0);
    let problem = if usable == 0 {
        BracketProblem::NothingUsable
    } else if usable < FEWEST_BLOCKS {
        BracketProblem::Response {
            short: format!(
                "{usable} blocks of pixels are neither black nor clipped in two frames at once, {FEWEST_BLOCKS} are needed"
            ),
        }
    } else {
        let short = samples
            .iter()
            .find_map(uneven)
            .unwrap_or_else(|| {
                format!("the method finds no rising curve through {usable} blocks of pixels that two frames see")
            });
        BracketProblem::Response { short }
    };
    bracket_error(bracket, problem)
}

/// The error for a curve that makes nearly all codes alike.
pub(super) fn refuse_gray(bracket: &Bracket, steepness: Steepness) -> Error {
    let (low, high) = steepness.codes;
    let short = format!(
        "the fit explains nothing: it puts {:.2} stops between codes {low:.0} and {high:.0}, where known curves have {:.1} on average",
        steepness.fitted, steepness.known.value
    );
    bracket_error(bracket, BracketProblem::Response { short })
}

/// The message if noise or texture leaves too few uniform blocks, or noise all but none within the usual limit; `None` if there are
/// enough.
fn uneven(samples: &BlockSamples) -> Option<String> {
    let mut deviations: Vec<f32> = usable(samples)
        .map(|block| {
            let views = block * samples.frames..(block + 1) * samples.frames;
            let mut of_views: Vec<f32> = views
                .filter(|&i| sees(samples, i))
                .map(|i| samples.variance[i].sqrt())
                .collect();
            of_views.sort_by(f32::total_cmp);
            // Two frames must be even.
            of_views[1]
        })
        .collect();
    deviations.sort_by(f32::total_cmp);
    let quiet = samples.quiet_codes();
    let even = deviations.partition_point(|&d| f64::from(d) <= quiet);
    (even < FEWEST_BLOCKS || samples.noise > 0.0).then(|| {
        let middle = deviations[deviations.len() / 2];
        // Photon noise falls with the root of the speed.
        let less = (f64::from(middle) / quiet).powi(2).max(2.0).ceil();
        format!(
            "the frames are too noisy or too finely textured for it: in half of the picture neighbouring pixels differ by {middle:.0} \
             codes of 256 or more, and a curve needs even places, of {quiet:.0} codes at most; an even surface in several tones in the \
             picture (a grey card, a wall in light and shade) would do, or, where it is noise, 1/{less:.0} of the ISO speed"
        )
    })
}

fn bracket_error(bracket: &Bracket, problem: BracketProblem) -> Error {
    let files = bracket.frames.iter().map(|f| f.picture.file.clone());
    Error::Bracket {
        files: files.collect(),
        problem,
    }
}

/// Reports fits that rest on little data: less than 80 % of codes 10..=245 covered, little overlap of the frames, or a curve
/// so flat below the clip level that its smoothness determines it there.
pub(super) fn note_thin(
    fits: &[TableFit],
    samples: &[BlockSamples],
    clips: &[Clip],
    findings: &mut Vec<Finding>,
) {
    let ends = fits
        .iter()
        .zip(clips)
        .map(|(fit, clip)| flatness(fit, clip));
    let flattest = ends.fold(1.0, f64::min);
    if flattest < FLAT {
        findings.push(Finding::ResponseThin {
            what: "its slope just below the clip level, as a share of the steepest,".into(),
            number: flattest,
            wanted: FLAT,
        });
    }
    let covered = |f: &TableFit| (10..=245).filter(|&c| f.coverage[c] > 0.5).count() as f64 / 236.0;
    let least = fits.iter().map(covered).fold(1.0, f64::min);
    if least < 0.8 {
        findings.push(Finding::ResponseThin {
            what: "the share of codes 10 to 245 that occur".into(),
            number: least,
            wanted: 0.8,
        });
    }
    let overlap = fits
        .iter()
        .zip(samples)
        .map(|(f, s)| f.samples as f64 / s.len().max(1) as f64)
        .fold(1.0, f64::min);
    if overlap < 0.05 {
        findings.push(Finding::ResponseThin {
            what: "the share of the picture that two frames expose well".into(),
            number: overlap,
            wanted: 0.05,
        });
    }
}
