//! Sheets drawn as they will be, and saved; and the folder for a web server.
use super::places::unwritable;
use super::reply::{Answer, Refusal, Reply};
use super::running::Made;
use super::shared::Shared;
use super::sheet_wishes::{CropWish, SheetWish};
use super::wishes::read;
use crate::pipeline::{DrawnBracket, sheet_bytes};
use serde::Deserialize;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Instant;
use stopspan_core::results::Report;
use stopspan_formats::staged::{Outputs, write_whole};
use stopspan_report::sheet::Sheet;

/// Folder of what is published, in that of its run.
const FOLDER: &str = "published";
/// Folder in it for a web server.
const WEB: &str = "web";
/// Files of a run beside those of its brackets.
const OF_RUN: [&str; 6] = [
    "report.json",
    "levels.csv",
    "steps.csv",
    "stops.csv",
    "comparison.csv",
    "cameras.csv",
];
/// Most sheets that are kept.
const SHEETS: usize = 200;

/// The bracket whose sheets were drawn last, and sheets.
#[derive(Default)]
pub(super) struct Published {
    drawn: Mutex<Option<(PathBuf, DrawnBracket)>>,
    sheets: Mutex<Sheets>,
}

#[derive(Default)]
struct Sheets {
    /// Number of those let go.
    gone: usize,
    list: Vec<OneSheet>,
}

struct OneSheet {
    /// Name of its bracket.
    bracket: String,
    sheet: Sheet,
}

impl Published {
    /// Lets the bracket go, unless its sheets are being drawn; the sheets stay.
    pub fn clear(&self) {
        if let Ok(mut drawn) = self.drawn.try_lock() {
            *drawn = None;
        }
    }

    fn file(&self, name: &str) -> Option<Vec<u8>> {
        let (id, _) = name.rsplit_once('.')?;
        self.with(id, |one| sheet_bytes(&one.sheet, name.as_ref()))?
    }

    fn with<T>(&self, id: &str, use_it: impl FnOnce(&OneSheet) -> T) -> Option<T> {
        let sheets = self.sheets.lock().unwrap_or_else(PoisonError::into_inner);
        let number: usize = id.strip_prefix('s')?.parse().ok()?;
        let index = number.checked_sub(sheets.gone + 1)?;
        sheets.list.get(index).map(use_it)
    }
}

/// A sheet as the bytes of a file, `s1.svg` or `s1.png`.
pub(super) fn sheet(desk: &Shared, name: &str) -> Answer {
    let bytes = desk.published.file(name).ok_or_else(Refusal::unknown)?;
    let mut reply = Reply::bytes(super::page::media_type(name), bytes);
    reply.of_run = true;
    Ok(reply)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wanted {
    run: String,
    bracket: String,
    sheets: SheetWish,
    crops: Vec<CropWish>,
}

/// Draws the sheets of a bracket.
pub(super) fn draw(desk: &Shared, body: Value) -> Answer {
    let begun = Instant::now();
    let wanted: Wanted = read(body)?;
    let settings = wanted.sheets.settings(&wanted.crops, desk)?;
    if settings.looks.is_empty() {
        return Err(Refusal::senseless("Sheets have at least one look."));
    }
    let (folder, made) = desk.made(&wanted.run)?;
    let key = folder.join(&wanted.bracket);
    let mut drawn = desk
        .published
        .drawn
        .lock()
        .unwrap_or_else(PoisonError::into_inner);
    if drawn.as_ref().is_none_or(|(path, _)| *path != key) {
        *drawn = None;
        *drawn = Some((key, bracket(&folder, &made, &wanted.bracket)?));
    }
    let new = drawn
        .iter()
        .flat_map(|(_, bracket)| bracket.sheets(&settings));
    let mut sheets = desk
        .published
        .sheets
        .lock()
        .unwrap_or_else(PoisonError::into_inner);
    let mut shown = Vec::new();
    for sheet in new {
        shown.push(json!({
            "sheet": format!("s{}", sheets.gone + sheets.list.len() + 1), "name": sheet.name,
            "words": sheet.description, "width": settings.size.0, "height": settings.size.1,
        }));
        sheets.list.push(OneSheet {
            bracket: wanted.bracket.clone(),
            sheet,
        });
    }
    let over = sheets.list.len().saturating_sub(SHEETS);
    sheets.list.drain(..over);
    sheets.gone += over;
    Ok(Reply::json(
        &json!({ "sheets": shown, "milliseconds": begun.elapsed().as_millis() as u64 }),
    ))
}

/// The bracket as the run made it. All brackets of a run show one wedge: one that counts fewer steps than another was done again with
/// the other's number.
fn bracket(run: &Path, made: &Made, name: &str) -> Result<DrawnBracket, Refusal> {
    let plan = made.survey.brackets.iter().find(|b| b.name == name);
    let plan = plan.ok_or_else(Refusal::unknown)?;
    let first = DrawnBracket::of(plan, &made.settings, &|_| ())?;
    let finished = super::results::finished(run);
    let most = finished
        .iter()
        .filter_map(|(_, b)| b.entry.pictures.steps())
        .max();
    if first.steps().is_none() || first.steps() == most {
        return Ok(first);
    }
    drop(first);
    let mut again = made.settings.clone();
    again.wedge.steps_of_run = most;
    Ok(DrawnBracket::of(plan, &again, &|_| ())?)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Publish {
    run: String,
    #[serde(default)]
    sheets: Vec<String>,
    #[serde(default)]
    kinds: Vec<Kind>,
    #[serde(default)]
    web: bool,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Kind {
    Png,
    Svg,
}

/// Saves sheets, and the folder for a web server, in a new folder of the run.
pub(super) fn publish(desk: &Shared, body: Value) -> Answer {
    let wanted: Publish = read(body)?;
    let run = desk.run_folder(&wanted.run)?;
    let mut files = Vec::new();
    for id in &wanted.sheets {
        for kind in &wanted.kinds {
            let ending = match kind {
                Kind::Png => "png",
                Kind::Svg => "svg",
            };
            let made = desk.published.with(id, |one| {
                let path = Path::new(&one.bracket).join(format!("{}.{ending}", one.sheet.name));
                sheet_bytes(&one.sheet, &path).map(|bytes| (path, bytes))
            });
            files.push(made.flatten().ok_or_else(Refusal::unknown)?);
        }
    }
    let pages = match wanted.web {
        true => of_the_web(&run)?,
        false => Vec::new(),
    };
    if files.is_empty() && pages.is_empty() {
        return Err(Refusal::senseless("There is nothing to publish."));
    }
    let folder = desk.places.new_folder_in(&run, FOLDER)?;
    let mut written = Vec::new();
    for (path, bytes) in files {
        save(&folder.join(&path), |to| {
            Ok(write_whole(to, &Outputs::default(), |sink| {
                sink.write_all(&bytes)
            })?)
        })?;
        written.push(path);
    }
    for (from, path) in pages {
        let path = Path::new(WEB).join(path);
        save(&folder.join(&path), |to| {
            std::fs::copy(&from, to)
                .map(drop)
                .map_err(|e| unwritable(to, &e))
        })?;
        written.push(path);
    }
    let caution = "The page and its files name the folders that the pictures were in.";
    Ok(Reply::json(&json!({
        "folder": folder.display().to_string(),
        "files": written.iter().map(|p| p.display().to_string()).collect::<Vec<_>>(),
        "words": if wanted.web { vec![caution] } else { Vec::new() },
    })))
}

fn save(path: &Path, write: impl FnOnce(&Path) -> Result<(), Refusal>) -> Result<(), Refusal> {
    if let Some(parent) = path.parent() {
        std::fs::create_dir_all(parent).map_err(|e| unwritable(parent, &e))?;
    }
    write(path)
}

/// What a web server needs of a run: the page, under the name that servers look for, and every file that it links to. From where, and
/// its place there.
fn of_the_web(run: &Path) -> Result<Vec<(PathBuf, PathBuf)>, Refusal> {
    let report = std::fs::read(run.join("report.json")).ok();
    let report: Option<Report> = report.and_then(|text| serde_json::from_slice(&text).ok());
    let report = report.ok_or_else(|| Refusal::not_now("The run has no report yet."))?;
    let of_brackets = report.brackets.iter().flat_map(|b| &b.outputs);
    let of_others = report.without_bracket.iter().flat_map(|w| &w.outputs);
    let outputs = of_brackets.chain(of_others).map(|o| o.path.clone());
    let pages = report
        .brackets
        .iter()
        .map(|b| format!("{}/report.html", b.name));
    let sheets = ["sheets/cameras-light", "sheets/cameras-dark"];
    let sheets = sheets
        .iter()
        .flat_map(|s| ["svg", "png"].map(|e| format!("{s}.{e}")));
    let names = OF_RUN.iter().map(|n| (*n).to_owned());
    let all = names.chain(outputs).chain(pages).chain(sheets);
    let mut files: Vec<(PathBuf, PathBuf)> = all.map(|n| (run.join(&n), n.into())).collect();
    files.push((run.join("report.html"), "index.html".into()));
    let run = run.canonicalize().map_err(|_| Refusal::unknown())?;
    let own = |from: &Path| {
        from.canonicalize()
            .is_ok_and(|p| p.starts_with(&run) && p.is_file())
    };
    files.retain(|(from, _)| own(from));
    Ok(files)
}
