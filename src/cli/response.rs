//! What the levels of frames mean, as the command line takes it: a method by name, or a response that a run saved.
use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};
use clap::{Arg, Command};
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use stopspan_response::ResponseRequest;

/// The value of `--response`.
#[derive(Debug, Clone, PartialEq)]
pub enum ResponseChoice {
    /// A method.
    By(ResponseRequest),
    /// A response saved by a run, for pictures without a bracket.
    Saved(PathBuf),
}

/// What the levels of the frames mean.
const RESPONSES: [(&str, ResponseRequest, &str); 6] = [
    (
        "fit",
        ResponseRequest::Fit,
        "Recovered from the bracket, unless the frames are seen to be linear",
    ),
    (
        "least-squares-table",
        ResponseRequest::LeastSquaresTable,
        "Recovered by least squares with a curvature penalty (Debevec and Malik, 1997)",
    ),
    (
        "alternating",
        ResponseRequest::Alternating,
        "Recovered by alternating maximum likelihood (Robertson, Borman and Stevenson, 1999)",
    ),
    (
        "polynomial",
        ResponseRequest::Polynomial,
        "Recovered as a polynomial (Mitsunaga and Nayar, 1999)",
    ),
    ("linear", ResponseRequest::Linear, "Proportional to light"),
    (
        "srgb",
        ResponseRequest::Srgb,
        "As IEC 61966-2-1 says, for brackets that cannot support a fit",
    ),
];

/// Reads a value of `--response`.
#[derive(Debug, Clone)]
pub struct ResponseParser;

impl ResponseParser {
    fn names() -> [PossibleValue; 6] {
        RESPONSES.map(|(name, _, help)| PossibleValue::new(name).help(help))
    }
}

impl TypedValueParser for ResponseParser {
    type Value = ResponseChoice;

    fn parse_ref(
        &self,
        command: &Command,
        argument: Option<&Arg>,
        value: &OsStr,
    ) -> Result<ResponseChoice, clap::Error> {
        let saved = Path::new(value);
        if saved
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("json"))
        {
            return Ok(ResponseChoice::Saved(saved.to_path_buf()));
        }
        let word = PossibleValuesParser::new(Self::names()).parse_ref(command, argument, value)?;
        let meant = RESPONSES.iter().find(|r| r.0 == word);
        Ok(ResponseChoice::By(
            meant.map_or(ResponseRequest::Fit, |r| r.1),
        ))
    }

    fn possible_values(&self) -> Option<Box<dyn Iterator<Item = PossibleValue> + '_>> {
        Some(Box::new(Self::names().into_iter()))
    }
}
