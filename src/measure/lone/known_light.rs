//! Linear light known without the wedge: by a bracket of the same camera and settings, or by a response that a run saved.
//!
//! ```json
//! { "schema": "stopspan-response/1", "camera": "Maker Model", "bits": 8, "span_relative": 0.01, "response": { } }
//! ```
//!
//! `response` has the fields of `brackets[].response` in report.json.
use serde::{Deserialize, Serialize};
use std::path::Path;
use stopspan_core::finding::Finding;
use stopspan_core::model::{ExposureSource, Response, ResponseCurve, ResponseMethod, file_name};
use stopspan_core::results::{BracketReport, LinearLight};
use stopspan_core::units::ExposureSettings;
use stopspan_core::{Error, Setting};

/// Name and version of the layout of a saved response.
const SCHEMA: &str = "stopspan-response/1";

/// Linear light that is known without the wedge.
#[derive(Debug, Clone)]
pub struct KnownLight {
    /// Response, one curve a channel (or one for all).
    pub curves: Vec<ResponseCurve>,
    /// Relative standard uncertainty of the exposure span to which the response was fitted; 0 for linear levels.
    pub span_relative: f64,
    /// Where it comes from.
    pub light: LinearLight,
}

/// What is compared of a picture and a bracket, or a saved response, before the response is used.
#[derive(Debug, Clone, Copy)]
pub struct TakenAs<'a> {
    /// Camera name from the metadata.
    pub camera: Option<&'a str>,
    /// Exposure settings of the picture.
    pub settings: &'a ExposureSettings,
    /// Bits per sample.
    pub bits: u32,
}

/// A response as a run saves it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeptResponse {
    schema: String,
    /// Camera name from the metadata; `None` where they have none.
    pub camera: Option<String>,
    /// Bits per sample of the frames.
    pub bits: u32,
    /// Relative standard uncertainty of the span of the exposures.
    pub span_relative: f64,
    /// The response.
    pub response: Response,
}

impl KeptResponse {
    /// The response of a bracket; `None` where it was not fitted, or where the span of the exposures is not known or not believed.
    pub fn of(bracket: &BracketReport) -> Option<Self> {
        let response = bracket.response.as_ref()?;
        let fitted = !matches!(
            response.method,
            ResponseMethod::Linear | ResponseMethod::Srgb
        );
        let guessed = |s: ExposureSource| s == ExposureSource::Guessed;
        let by_wedge = bracket.calibration.as_ref();
        let believed = by_wedge.is_some_and(|c| c.exponent.used)
            || !bracket
                .findings
                .iter()
                .any(|f| matches!(f, Finding::SpanBeyondCurves { .. }));
        let guess = bracket.frames.iter().any(|f| guessed(f.exposure.source));
        if !fitted || !believed || guess {
            return None;
        }
        let [first, .., last] = bracket.frames.as_slice() else {
            return None;
        };
        let (low, high) = (first.exposure.used, last.exposure.used);
        let both = low.standard_uncertainty.hypot(high.standard_uncertainty);
        let span = high.value - low.value;
        Some(KeptResponse {
            schema: SCHEMA.into(),
            camera: bracket.camera.clone(),
            bits: first.bits,
            span_relative: if span > 0.0 {
                (both / span).min(1.0)
            } else {
                1.0
            },
            response: response.clone(),
        })
    }

    /// The text of the file.
    ///
    /// # Errors
    /// None in practice: the content is plain data.
    pub fn text(&self) -> Result<String, serde_json::Error> {
        Ok(serde_json::to_string(self)? + "\n")
    }

    /// Reads such a file.
    ///
    /// # Errors
    /// [`Error::Request`] that names the file: unreadable, no such layout, or a curve that does not rise.
    pub fn read(file: &Path) -> Result<Self, Error> {
        let refuse = |problem: String| {
            Error::request(Setting::Response, format!("{}: {problem}", file.display()))
        };
        let text = std::fs::read_to_string(file)
            .map_err(|e| refuse(format!("the file cannot be read ({e})")))?;
        let kept: KeptResponse = serde_json::from_str(&text)
            .map_err(|e| refuse(format!("is no saved response: {e}")))?;
        if kept.schema != SCHEMA {
            let problem = format!("its layout is \"{}\", not {SCHEMA}", kept.schema);
            return Err(refuse(problem));
        }
        let rises = |c: &ResponseCurve| {
            c.exposure.len() >= 2
                && c.exposure.len() == c.uncertainty_stops.len()
                && c.exposure.windows(2).all(|w| w[1] > w[0])
                && (0.0..=1.0).contains(&c.clip_level)
        };
        let curves = &kept.response.curves;
        if !matches!(curves.len(), 1 | 3) || !curves.iter().all(rises) {
            return Err(refuse("its curves do not rise from level to level".into()));
        }
        if !(0.0..=1.0).contains(&kept.span_relative) {
            return Err(refuse("span_relative is not within 0 and 1".into()));
        }
        Ok(kept)
    }

    /// The light of a picture by this response, saved in `file`; `None` if the picture is of another camera or depth.
    pub fn light_for(self, picture: TakenAs, file: &Path) -> Option<KnownLight> {
        let other = |ours: &str| picture.camera.is_some_and(|theirs| theirs != ours);
        if self.bits != picture.bits || self.camera.as_deref().is_some_and(other) {
            return None;
        }
        let file = file_name(file);
        Some(self.known(LinearLight::Saved { file }))
    }

    fn known(self, light: LinearLight) -> KnownLight {
        KnownLight {
            curves: self.response.curves,
            span_relative: self.span_relative,
            light,
        }
    }
}

/// The light of a picture by the first bracket of the same camera, ISO speed and depth whose response is known; `None` without
/// one. A picture without a camera's name belongs to none.
pub fn light_by_bracket(picture: TakenAs, brackets: &[BracketReport]) -> Option<KnownLight> {
    let camera = picture.camera?;
    let speed = |s: &ExposureSettings| s.speed.map(|s| s.0);
    let same = |bracket: &&BracketReport| {
        let reference = bracket.frames.iter().find(|f| f.reference);
        bracket.camera.as_deref() == Some(camera)
            && reference.is_some_and(|f| {
                f.bits == picture.bits && speed(&f.settings) == speed(picture.settings)
            })
    };
    brackets.iter().filter(same).find_map(|bracket| {
        let light = LinearLight::Bracket {
            bracket: bracket.name.clone(),
        };
        Some(KeptResponse::of(bracket)?.known(light))
    })
}
