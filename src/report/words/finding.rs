//! Findings as plain sentences with their numbers, and how much each matters.
use super::number::{decimal, percent, seconds, significant};
use super::wedge;
use stopspan_core::Setting;
use stopspan_core::finding::{Finding, Severity};

/// How much a finding matters to a reader of the figures.
pub fn severity(finding: &Finding) -> Severity {
    use Finding as F;
    match finding {
        F::NominalSnapped { .. }
        | F::SettingSnapped { .. }
        | F::SpanFromMetadata { .. }
        | F::CameraHdrRecognised { .. }
        | F::Single { .. }
        | F::TakenAsLinear { .. }
        | F::BlackOffset { .. }
        | F::Displaced { .. }
        | F::DemosaicedFirst
        | F::BaselineExposure { .. }
        | F::DarkSubtracted {
            same_time: true, ..
        }
        | F::ColoursByMatrices { .. }
        | F::WedgeFound { .. }
        | F::ChartLimited { .. }
        | F::RangeBeyondWedge { .. }
        | F::StepsJoinedInRendering { .. }
        | F::DensityUncertaintyAssumed { .. }
        | F::LightNotSeparable { .. }
        | F::LightEvened { .. }
        | F::SpanByWedge { used: false, .. }
        | F::ClippedInAll { .. }
        | F::DarkInAll { .. } => Severity::Note,
        _ => Severity::Warning,
    }
}

/// One finding as a sentence (or two) with the numbers that raised it.
pub fn finding(finding: &Finding) -> String {
    metadata(finding)
        .or_else(|| exposure(finding))
        .or_else(|| curve_and_noise(finding))
        .or_else(|| map(finding))
        .or_else(|| wedge::wedge(finding))
        .or_else(|| wedge::densities(finding))
        .unwrap_or_else(|| bare(finding))
}

fn metadata(finding: &Finding) -> Option<String> {
    use Finding as F;
    Some(match finding {
        F::TagUnusable { frame, tag, value } => {
            format!("{frame}: {tag} says {value}, which cannot be true; it was not used.")
        }
        F::TagMissing { frame, tag, used } => {
            format!("{frame}: {tag} is missing; {used} was used instead.")
        }
        F::TimesDisagree {
            frame,
            exposure_time_s,
            shutter_speed_value_s,
        } => format!(
            "{frame}: ExposureTime says {}, ShutterSpeedValue {}: more than 1/6 EV apart.",
            seconds(*exposure_time_s),
            seconds(*shutter_speed_value_s)
        ),
        F::NominalSnapped {
            frame,
            nominal_s,
            exact_s,
            difference_stops,
        } => format!(
            "{frame}: the marking {} stands for {} ({} stops); the exact time was used.",
            seconds(*nominal_s),
            seconds(*exact_s),
            signed(*difference_stops, 3)
        ),
        F::SettingSnapped {
            frame,
            setting,
            nominal,
            exact,
            difference_stops,
        } => format!(
            "{frame}: the marking {setting} {nominal} stands for {exact:.4} ({} stops); the exact value was used.",
            signed(*difference_stops, 3)
        ),
        F::BlackLevelWrong {
            plane,
            stated_codes,
            used_codes,
        } => format!(
            "The file's black level {} of {} is not where the pixels put it: {} was used.",
            significant(*stated_codes, 5),
            site(*plane),
            significant(*used_codes, 5)
        ),
        F::WhiteLevelWrong {
            plane,
            stated_codes,
            used_codes,
        } => format!(
            "The file's white level {} is not where the samples of {} saturate: {} was used as the clip level.",
            significant(*stated_codes, 5),
            site(*plane),
            significant(*used_codes, 5)
        ),
        F::ColoursByMatrices { temperature_k } => format!(
            "The camera's colours are those of the raw file's matrices for light of {} K.",
            decimal(*temperature_k, 0)
        ),
        F::ColoursUnknown { frame, used } => {
            format!("{frame} does not say what the camera's colours are; {used}.")
        }
        F::DarkSubtracted {
            frame,
            dark,
            same_time,
        } => format!(
            "The dark frame {dark} was subtracted from {frame}{}.",
            if *same_time { "" } else { ", which was exposed for another time" }
        ),
        F::DemosaicedFirst => {
            "The raw frames are not in register to the pixel: each was demosaiced before merging, which smooths noise and makes single pixels depend on their neighbours.".into()
        }
        F::CorrectionsNotMade { frame, names } => format!(
            "{frame} asks for corrections that were not made: {}. Shading and distortion of the lens are still in the samples.",
            names.join(", ")
        ),
        F::BaselineExposure { frame, stops } => format!(
            "{frame} asks to be shown {} stops {} than the sensor took it (BaselineExposure). Radiance and stops are left as the sensor has them.",
            decimal(stops.abs(), 2),
            if *stops < 0.0 { "darker" } else { "lighter" }
        ),
        F::FrameLeftOut { frame, reason } => format!("{frame} was left out: {reason}."),
        F::CameraHdrRecognised { frame, reason } => {
            format!("{frame} was taken to be the camera's own HDR picture: {reason}.")
        }
        F::Single { frame } => format!("{frame} belongs to no bracket."),
        F::DamagedAccepted { frame } => {
            format!(
                "{frame} is damaged and was used because that was asked for; its figures may be wrong."
            )
        }
        F::ProfileIgnored { frame, reason } => {
            format!("{frame}: the colour profile was not used: {reason}.")
        }
        _ => return None,
    })
}

/// The plane of a mosaic, or the channel, in words.
fn site(plane: usize) -> &'static str {
    match plane {
        0 => "red (or the only channel)",
        1 => "green in red rows (or green)",
        2 => "green in blue rows (or blue)",
        _ => "blue",
    }
}

fn exposure(finding: &Finding) -> Option<String> {
    use Finding as F;
    Some(match finding {
        F::StatedExposureFalse {
            frame,
            stated_stops,
            measured_stops,
            standard_uncertainty_stops,
            used_measured,
        } => format!(
            "{frame}: stated as {} stops against the reference, measured as {} +/- {} (one standard uncertainty); the merge uses the {} one.",
            signed(*stated_stops, 2),
            signed(*measured_stops, 3),
            decimal(*standard_uncertainty_stops, 3),
            if *used_measured { "measured" } else { "stated" }
        ),
        F::SpanFromMetadata {
            span_stops,
            standard_uncertainty_stops,
        } => format!(
            "The span of the bracket, {} +/- {} stops, comes from the metadata: pixels alone cannot give it.",
            decimal(*span_stops, 2),
            decimal(*standard_uncertainty_stops, 2)
        ),
        F::SpanUnknown { assumed_span_stops } => format!(
            "No exposure is known: order and steps come from the pixels, read as sRGB, which makes {} stops from the first frame to the last. Pixels cannot give this span; radiance is known up to an exponent, and every range in stops is relative and scales with it. Give {} FILE=SECONDS to change that.",
            decimal(*assumed_span_stops, 2),
            Setting::Exposure
        ),
        F::ClosureFails {
            first,
            second,
            third,
            closure_stops,
            standard_uncertainty_stops,
        } => format!(
            "The exposure ratios of {first}, {second} and {third} do not add up: {} stops are left over (standard uncertainty {}).",
            signed(*closure_stops, 3),
            decimal(*standard_uncertainty_stops, 3)
        ),
        F::BalanceDrift {
            frame,
            red_stops,
            blue_stops,
            standard_uncertainty_stops,
        } => format!(
            "{frame}: the colour balance differs from the other frames': red {}, blue {} stops against green (standard uncertainty {}); the merge takes that out.",
            signed(*red_stops, 3),
            signed(*blue_stops, 3),
            decimal(*standard_uncertainty_stops, 3)
        ),
        _ => return None,
    })
}

fn curve_and_noise(finding: &Finding) -> Option<String> {
    use Finding as F;
    Some(match finding {
        F::ResponseThin {
            what,
            number,
            wanted,
        } => format!(
            "The response curve leans on little data: {what} is {}, {} is wanted.",
            significant(*number, 3),
            significant(*wanted, 3)
        ),
        F::ResponseNotGlobal { ratio, limit } => format!(
            "One response curve does not fit the whole frame: residuals differ between places {} times as much as noise explains (limit {}). The camera may process parts of a picture differently.",
            decimal(*ratio, 1),
            decimal(*limit, 1)
        ),
        F::TakenAsLinear { evidence } => format!("The frames were taken to be linear: {evidence}."),
        F::BlackOffset {
            channel,
            offset_codes,
            standard_uncertainty_codes,
        } => format!(
            "Channel {}: no light lies at {} codes of 255 (standard uncertainty {}), as levels at different exposures show; that was subtracted.",
            channel + 1,
            decimal(*offset_codes, 1),
            decimal(*standard_uncertainty_codes, 1)
        ),
        F::NoiseCompressionLimited {
            code_noise,
            quantisation_bound,
        } => format!(
            "Noise of {} codes lies below what compression may remove ({} codes): the sensor's noise is hidden, and per-pixel figures may flatter the picture.",
            decimal(*code_noise, 2),
            decimal(*quantisation_bound, 2)
        ),
        F::NoiseSmoothed { ratio } => format!(
            "Compression has smoothed the noise of single pixels: means of 8 x 8 pixels vary {} times as much as independent pixels would. Figures per area use those means.",
            decimal(*ratio, 2)
        ),
        F::NoiseProfileDiffers {
            shot_ratio,
            dark_ratio,
        } => format!(
            "The noise that the raw file states is not what its pixels show: shot noise (variance) is {} times, noise in the dark {} times as large as stated. The pixels were believed.",
            decimal(*shot_ratio, 2),
            decimal(*dark_ratio, 2)
        ),
        F::NoiseAsStated => {
            "The frames give no noise model of their own (too few pixels are good in two of them at once, or the frames lie out of register); the one that the raw file states was used.".into()
        }
        F::LevelsFlattered { noise, block } => format!(
            "Compression hides noise: {noise} steps are told apart by the noise of the file's pixels, {block} by the noise of means of 8 x 8 pixels, which compression spares. The second is nearer to what the camera saw before it compressed."
        ),
        F::NoiseAssumed { samples, wanted } => format!(
            "Too little data for a noise model ({samples} samples, {wanted} wanted): a cautious one was assumed."
        ),
        _ => return None,
    })
}

fn map(finding: &Finding) -> Option<String> {
    use Finding as F;
    Some(match finding {
        F::ClippedInAll { share } => format!(
            "{} of the pixels are clipped in every frame: the map holds a lower bound there.",
            percent(*share)
        ),
        F::DarkInAll { share } => format!(
            "{} of the pixels are darker than the noise in every frame.",
            percent(*share)
        ),
        F::Displaced {
            frame,
            columns,
            rows,
            degrees,
            residual_px,
        } => format!(
            "{frame} was displaced by {} columns and {} rows and turned by {} degrees; {} px remain after registration.",
            signed(*columns, 2),
            signed(*rows, 2),
            signed(*degrees, 3),
            decimal(*residual_px, 2)
        ),
        F::OutOfRegister {
            frame,
            tiles,
            of_tiles,
            largest_px,
        } => format!(
            "{frame}: {tiles} of {of_tiles} places lie more than half a pixel off after registration, {} px at most: things near and far moved against each other (parallax), rows were read one after another while the camera moved, or things moved by themselves.",
            decimal(*largest_px, 1)
        ),
        F::RegistrationFailed { frame, reason } => {
            format!("{frame} could not be brought into register: {reason}.")
        }
        F::Moved { share } => format!(
            "Something moved in {} of the pixels; frames were left out there.",
            percent(*share)
        ),
        F::OtherMoment { share } => format!(
            "In {} of the pixels something moved where the reference frame is clipped: another frame's light stands there, so that the map shows that frame's moment.",
            percent(*share)
        ),
        F::Banding {
            frame,
            amplitude_percent,
            cycles,
            widened_stops,
        } => format!(
            "{frame}: against the reference frame the light ripples down the rows by {} % up and down, in {} cycles over the frame, as under lamps on the mains or dimmed LEDs. It was not taken out; the frame's exposure was taken to be known {} stop less well. A time that is a whole number of the lamp's periods avoids it.",
            decimal(*amplitude_percent, 1),
            decimal(*cycles, 1),
            decimal(*widened_stops, 3)
        ),
        _ => return None,
    })
}

/// A finding that has no sentence of its own yet: its kind and its numbers as they stand.
fn bare(finding: &Finding) -> String {
    let Ok(serde_json::Value::Object(fields)) = serde_json::to_value(finding) else {
        return format!("{finding:?}");
    };
    let kind = fields
        .get("kind")
        .and_then(|k| k.as_str())
        .unwrap_or("finding");
    let rest = fields.iter().filter(|(name, _)| *name != "kind");
    let rest: Vec<String> = rest
        .map(|(name, value)| {
            let value = value
                .as_str()
                .map_or_else(|| value.to_string(), str::to_owned);
            format!("{} {value}", name.replace('_', " "))
        })
        .collect();
    format!("{}: {}.", kind.replace('-', " "), rest.join(", "))
}

pub(super) fn signed(value: f64, digits: usize) -> String {
    let text = decimal(value, digits);
    let zero = text.chars().all(|c| matches!(c, '0' | '.'));
    if zero || text.starts_with('-') {
        text
    } else {
        format!("+{text}")
    }
}
