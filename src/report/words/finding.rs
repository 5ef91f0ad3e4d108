//! Findings as sentences with their numbers, and their severity.
//!
//! One table names every kind of finding. The sentences are in files by subject: `frames` (tags, levels, colours), `exposure`,
//! `response` (and noise), `registration` (and motion), `wedge`, `densities`.
mod densities;
mod exposure;
mod frames;
mod registration;
mod response;
mod wedge;

pub(crate) use wedge::why_not_measured;

use super::number::decimal;
use stopspan_core::finding::Finding;
use stopspan_core::finding::Severity::{self, Note, Warning};

/// Severity of a finding for a reader of the figures.
pub fn severity(finding: &Finding) -> Severity {
    told(finding).0
}

/// Returns a finding as one or two sentences with its numbers.
pub fn finding(finding: &Finding) -> String {
    told(finding).1
}

/// Makes one `match` over all kinds of findings from the table; a missing kind or field is a compile error.
macro_rules! table {
    ($($subject:ident { $($kind:ident($($field:ident),*) => $severity:expr, $sentence:ident;)* })*) => {
        /// Severity and sentence of a finding.
        fn told(finding: &Finding) -> (Severity, String) {
            match finding {
                $($(Finding::$kind { $($field),* } => {
                    ($severity, $subject::$sentence($($field),*))
                })*)*
            }
        }
    };
}

table! {
    frames {
        TagUnusable(frame, tag, value) => Warning, tag_unusable;
        TagMissing(frame, tag, used) => Warning, tag_missing;
        TimesDisagree(frame, exposure_time_s, shutter_speed_value_s) => Warning, times_disagree;
        NominalSnapped(frame, nominal_s, exact_s, difference_stops) => Note, nominal_snapped;
        SettingSnapped(frame, setting, nominal, exact, difference_stops) => Note, setting_snapped;
        BlackLevelWrong(plane, stated_codes, used_codes) => Warning, black_level_wrong;
        WhiteLevelWrong(plane, stated_codes, used_codes) => Warning, white_level_wrong;
        CorrectionsNotMade(frame, names) => Warning, corrections_not_made;
        BaselineExposure(frame, stops) => Note, baseline_exposure;
        ColoursByMatrices(temperature_k) => Note, colours_by_matrices;
        ColoursUnknown(frame, used) => Warning, colours_unknown;
        DarkSubtracted(frame, dark, same_time) => note_if(*same_time), dark_subtracted;
        DemosaicedFirst() => Note, demosaiced_first;
        BordersLeftOut(frames, widest_px) => Note, borders_left_out;
        FrameLeftOut(frame, reason) => Warning, frame_left_out;
        CameraHdrRecognised(frame, reason) => Note, camera_hdr_recognised;
        Single(frame) => Note, single;
        DamagedAccepted(frame) => Warning, damaged_accepted;
        ProfileIgnored(frame, reason) => Warning, profile_ignored;
    }
    exposure {
        StatedExposureFalse(frame, stated_stops, measured_stops, standard_uncertainty_stops, used_measured) => Warning, stated_exposure_false;
        StatedStepFalse(first, second, stated_stops, measured_stops, standard_uncertainty_stops) => Warning, stated_step_false;
        SpanBeyondCurves(low_code, high_code, fitted_stops, known_stops, most_stops) => Warning, span_beyond_curves;
        SpanFromMetadata(span_stops, standard_uncertainty_stops) => Note, span_from_metadata;
        SpanUnknown(assumed_span_stops) => Warning, span_unknown;
        ClosureFails(first, second, third, closure_stops, standard_uncertainty_stops) => Warning, closure_fails;
        BalanceDrift(frame, red_stops, blue_stops, standard_uncertainty_stops) => Warning, balance_drift;
    }
    response {
        ResponseThin(what, number, wanted) => Warning, response_thin;
        TakenAsLinear(evidence) => Note, taken_as_linear;
        BlackOffset(channel, offset_codes, standard_uncertainty_codes) => Note, black_offset;
        NoiseCompressionLimited(code_noise, quantisation_bound) => Warning, noise_compression_limited;
        NoiseSmoothed(ratio) => Warning, noise_smoothed;
        NoiseProfileDiffers(shot_ratio, dark_ratio) => Warning, noise_profile_differs;
        NoiseAsStated() => Warning, noise_as_stated;
        LevelsFlattered(noise, block) => Warning, levels_flattered;
        NoiseAssumed(samples, wanted) => Warning, noise_assumed;
    }
    registration {
        Displaced(frame, columns, rows, degrees, residual_px) => Note, displaced;
        Enlarged(frame, scale) => Note, enlarged;
        OutOfRegister(frame, tiles, of_tiles, largest_px) => Warning, out_of_register;
        PlacedLikeNeighbour(frame, neighbour) => Warning, placed_like_neighbour;
        AlignedByLittle(frame, areas, standard_uncertainty_px) => Warning, aligned_by_little;
        RegistrationFailed(frame, reason) => Warning, registration_failed;
        Moved(share) => Warning, moved;
        OtherMoment(share) => Warning, other_moment;
        Banding(frame, amplitude_percent, cycles, widened_stops) => Warning, banding;
    }
    wedge {
        NoWedge(looked_for) => Warning, no_wedge;
        WedgeFound(confidence, steps) => Note, wedge_found;
        WedgeMayGoOn(step, snr) => Warning, wedge_may_go_on;
        WedgeSeenFurther(steps, seen) => Note, wedge_seen_further;
        WedgeEndUnsure(steps, end) => Warning, wedge_end_unsure;
        WedgeGridDoubtful(steps_within, patches) => Warning, wedge_grid_doubtful;
        WedgeOrderDoubtful(picture, reversals, pairs) => Warning, wedge_order_doubtful;
        WedgeStepsRepeated(picture, same, pairs) => Warning, wedge_steps_repeated;
        WedgeUnusable(reason, patch_px) => Warning, wedge_unusable;
        ChartLimited(picture) => Note, chart_limited;
        StepsJoinedInRendering(picture, told_apart, below_code, below_lightness) => Note, steps_joined_in_rendering;
        RangeBeyondWedge(snr, beyond_stops) => Note, range_beyond_wedge;
        WedgeDoubtful(confidence, steps) => Warning, wedge_doubtful;
        WedgeCarriedOn(steps, lighter, darker) => Note, wedge_carried_on;
        WedgePlacedBy(picture) => Note, wedge_placed_by;
        SecondWedge(steps, column_px, row_px) => Warning, second_wedge;
        WedgeFileOtherSize(file, file_columns, file_rows, columns, rows) => Warning, wedge_file_other_size;
        PatchesSmall(side_px, guard_px, wanted_px) => Warning, patches_small;
        PatchTextured(step, ratio) => Warning, patch_textured;
        FigureRefused(figure, reason) => Warning, figure_refused;
    }
    densities {
        DensitiesFromMerge() => Note, densities_from_merge;
        DensitiesDisagree(rms) => Warning, densities_disagree;
        UnevenLight(fall_off_stops, residual_density) => Warning, uneven_light;
        DensityUncertaintyAssumed(density) => Note, density_uncertainty_assumed;
        SpanByWedge(exponent, standard_uncertainty, span_before_stops, span_by_wedge_stops, used) => note_if(!used), span_by_wedge;
        VeilingGlare(share, low95, high95, sigma, ceiling_stops) => Warning, veiling_glare;
        LightNotSeparable(density) => Note, light_not_separable;
        LightAssumed() => Warning, light_assumed;
        ClipBeyondWedge(beyond_stops) => Warning, clip_beyond_wedge;
        DensitiesNotUsed(reason) => Warning, densities_not_used;
        LightEvened(fall_off_stops) => Note, light_evened;
    }
}

fn note_if(only_noted: bool) -> Severity {
    if only_noted { Note } else { Warning }
}

/// Formats a number with its sign, positive ones with "+"; zero has no sign.
fn signed(value: f64, digits: usize) -> String {
    let text = decimal(value, digits);
    let zero = text.chars().all(|c| matches!(c, '0' | '.'));
    if zero || text.starts_with('-') {
        text
    } else {
        format!("+{text}")
    }
}
