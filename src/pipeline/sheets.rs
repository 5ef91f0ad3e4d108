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

fn write(
    sheets: &[Sheet],
    folder: &Path,
    prefix: &str,
    policy: &Outputs,
) -> Result<Vec<OutputFile>, Error> {
    if sheets.is_empty() {
        return Ok(Vec::new());
    }
    make_folder(folder)?;
    let pairs: Vec<[OutputFile; 2]> = sheets
        .par_iter()
        .map(|sheet| {
            let file = |ending: &str| format!("{}.{ending}", sheet.name);
            let put = |name: String, bytes: &[u8]| {
                write_whole(&folder.join(&name), policy, |sink| sink.write_all(bytes))?;
                Ok(OutputFile {
                    what: sheet.description.clone(),
                    path: format!("{prefix}/{name}"),
                    bytes: Some(bytes.len() as u64),
                })
            };
            let png = sheet::png(sheet).ok_or_else(|| {
                let path = folder.join(file("png"));
                Error::output(&path, OutputProblem::Unwritable, None)
            })?;
            Ok([
                put(file("svg"), sheet.svg().as_bytes())?,
                put(file("png"), &png)?,
            ])
        })
        .collect::<Result<_, Error>>()?;
    Ok(pairs.into_iter().flatten().collect())
}
