//! Sheets fit to publish: drawn, rasterized and written.
use super::products::make_folder;
use rayon::prelude::*;
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::OutputProblem;
use stopspan_core::results::{BracketReport, OutputFile, Report};
use stopspan_formats::staged::{Outputs, write_whole};
use stopspan_report::BracketFigures;
use stopspan_report::sheet::{self, Sheet, SheetSettings};

/// The folder of sheets below that of a bracket or of a run.
pub(super) const FOLDER: &str = "sheets";
/// Endings of the files that a sheet is written as; PNG needs a renderer (feature `sheets`).
pub(super) const ENDINGS: &[&str] = match cfg!(feature = "sheets") {
    true => &["svg", "png"],
    false => &["svg"],
};

/// Draws and writes the sheets of a bracket.
pub(super) fn write_bracket(
    entry: &BracketReport,
    shown: &BracketFigures,
    settings: &SheetSettings,
    folder: &Path,
    policy: &Outputs,
) -> Result<Vec<OutputFile>, Error> {
    let sheets = sheet::of_bracket(entry, &shown.strips, &shown.crops, settings);
    let prefix = format!("{}/{FOLDER}", entry.name);
    let folder = folder.join(&entry.name).join(FOLDER);
    write(&sheets, &folder, &prefix, policy)
}

/// The sheet of a run with several cameras.
pub(super) fn write_cameras(
    report: &Report,
    settings: &SheetSettings,
    folder: &Path,
    policy: &Outputs,
) -> Result<(), Error> {
    let sheets = sheet::of_cameras(report, settings);
    write(&sheets, &folder.join(FOLDER), FOLDER, policy).map(drop)
}

/// Writes sheets into a folder; `prefix` is its path in the report.
pub(super) fn write(
    sheets: &[Sheet],
    folder: &Path,
    prefix: &str,
    policy: &Outputs,
) -> Result<Vec<OutputFile>, Error> {
    if sheets.is_empty() {
        return Ok(Vec::new());
    }
    make_folder(folder)?;
    let written: Vec<Vec<OutputFile>> = sheets
        .par_iter()
        .map(|sheet| {
            let made = ENDINGS.iter().map(|ending| {
                let name = format!("{}.{ending}", sheet.name);
                let path = folder.join(&name);
                match bytes(sheet, ending) {
                    Some(bytes) => Ok((name, path, bytes)),
                    None => Err(Error::output(&path, OutputProblem::Unwritable, None)),
                }
            });
            let made: Vec<_> = made.collect::<Result<_, Error>>()?;
            let files = made.into_iter().map(|(name, path, bytes)| {
                write_whole(&path, policy, |sink| sink.write_all(&bytes))?;
                Ok(OutputFile {
                    what: sheet.description.clone(),
                    path: format!("{prefix}/{name}"),
                    bytes: Some(bytes.len() as u64),
                })
            });
            files.collect()
        })
        .collect::<Result<_, Error>>()?;
    Ok(written.into_iter().flatten().collect())
}

/// A sheet as the bytes of a file with this ending; `None` if the drawing could not be rendered.
pub(super) fn bytes(sheet: &Sheet, ending: &str) -> Option<Vec<u8>> {
    match ending {
        #[cfg(feature = "sheets")]
        "png" => sheet::png(sheet),
        _ => Some(sheet.svg().into_bytes()),
    }
}
