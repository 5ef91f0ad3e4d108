//! Report -> report.json.
use stopspan_core::Error;
use stopspan_core::error::OutputProblem;
use stopspan_core::results::Report;

/// Returns the report as indented JSON with a final line feed. Numbers that are not finite become `null`; the others parse to the
/// same 64-bit float.
///
/// # Errors
/// [`Error::Output`] if the data cannot be written as JSON.
pub fn text(report: &Report) -> Result<String, Error> {
    let mut text = serde_json::to_string_pretty(report)
        .map_err(|e| Error::output("report.json", OutputProblem::Unwritable, Some(e.into())))?;
    text.push('\n');
    Ok(text)
}
