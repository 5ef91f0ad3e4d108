//! What a run left, for looking at it: entries of the report, pictures with their places, maps, and the files themselves.
use super::page::media_type;
use super::reply::{Answer, Content, Refusal, Reply};
use super::running::RunFolder;
use super::shared::Shared;
use crate::pipeline::{FinishedBracket, finished_bracket};
use bytes::Bytes;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use stopspan_core::model::file_name;
use stopspan_core::raster::{Point, Transform};
use stopspan_core::results::{FrameEntry, PictureKind, RENDERED_FILE};
use tokio::io::AsyncReadExt;
use tokio::sync::mpsc::channel;

/// Bytes of a file that are read at once.
const PIECE: usize = 64 << 10;
/// Largest report that is read, bytes.
const REPORT: u64 = 256 << 20;

/// The runs that earlier desks and command lines left among the results.
pub(super) fn earlier(results: &Path) -> Vec<RunFolder> {
    let entries = std::fs::read_dir(results).into_iter().flatten().flatten();
    let mut folders: Vec<PathBuf> = entries.map(|e| e.path()).collect();
    folders.retain(|f| f.join("report.json").is_file());
    folders.sort();
    let run = |(index, folder): (usize, PathBuf)| {
        let made = report(&folder).and_then(|r| r.get("made")?.as_str().map(str::to_owned));
        RunFolder::new(index + 1, folder, made)
    };
    folders.into_iter().enumerate().map(run).collect()
}

/// A run's report.json.
fn report(folder: &Path) -> Option<Value> {
    let path = folder.join("report.json");
    let small = std::fs::metadata(&path).ok()?.len() <= REPORT;
    let text = small.then(|| std::fs::read(&path).ok())??;
    serde_json::from_slice(&text).ok()
}

/// The brackets that a run has finished, with their folders.
pub(super) fn finished(run: &Path) -> Vec<(PathBuf, FinishedBracket)> {
    let entries = std::fs::read_dir(run).into_iter().flatten().flatten();
    let mut folders: Vec<PathBuf> = entries.map(|e| e.path()).collect();
    folders.sort();
    let found = folders.into_iter();
    found
        .filter_map(|f| finished_bracket(&f).map(|b| (f, b)))
        .collect()
}

impl Shared {
    /// The folder of a run.
    pub fn run_folder(&self, id: &str) -> Result<PathBuf, Refusal> {
        let state = self.state();
        let run = state.runs.iter().find(|run| run.id == id);
        run.map(|run| run.folder.clone())
            .ok_or_else(Refusal::unknown)
    }
}

/// All there is of a run.
pub(super) fn result(desk: &Shared, id: &str) -> Answer {
    let folder = desk.run_folder(id)?;
    let brackets = finished(&folder);
    let brackets = brackets.iter().map(|(folder, b)| bracket(desk, folder, b));
    Ok(Reply::json(&json!({
        "run": id, "report": report(&folder), "files": format!("/results/{id}/"),
        "brackets": brackets.collect::<Vec<_>>(),
    })))
}

fn bracket(desk: &Shared, folder: &Path, bracket: &FinishedBracket) -> Value {
    let entry = &bracket.entry;
    let mut inputs: Vec<PathBuf> = bracket
        .inputs
        .iter()
        .map(|i| i.path.clone().into())
        .collect();
    // Of files of one name in several folders each is taken once.
    let mut file = |name: &str| {
        let at = inputs.iter().position(|p| file_name(p) == name)?;
        Some(inputs.remove(at)).filter(|p| desk.places.readable(p).is_ok())
    };
    let placed = |kind, name: &str| {
        let view = bracket
            .views
            .iter()
            .find(|v| v.role.kind() == kind && v.name == name);
        view.map(|v| v.placement)
    };
    let frames = entry.frames.iter().map(|frame| {
        let id = file(&frame.file).map(|p| desk.pictures.id(&p));
        let at = placed(PictureKind::Frame, &frame.file).or_else(|| to_frame(frame));
        json!({ "picture": id, "file": frame.file, "kind": "frame", "reference": frame.reference, "to_picture": at })
    });
    let mut pictures: Vec<Value> = frames.collect();
    if let Some(compared) = &entry.comparison {
        let id = file(&compared.file).map(|p| desk.pictures.id(&p));
        let at = placed(PictureKind::CameraHdr, &compared.file);
        pictures.push(json!({ "picture": id, "file": compared.file, "kind": "camera-hdr", "reference": false, "to_picture": at }));
    }
    let rendered = folder.join(RENDERED_FILE);
    let rendered = rendered.is_file().then(|| desk.pictures.id(&rendered));
    pictures.extend(rendered.as_ref().map(|id| {
        json!({ "picture": id, "file": RENDERED_FILE, "kind": "rendered", "reference": false, "to_picture": Transform::IDENTITY })
    }));
    let map = folder.join("radiance.exr");
    json!({
        "name": entry.name, "entry": entry, "pictures": pictures, "rendered": rendered,
        "map": map.is_file().then(|| desk.maps.id(&map)),
    })
}

/// From the reference frame to this one, by shift and rotation about the middle; `None` without registration.
fn to_frame(frame: &FrameEntry) -> Option<Transform> {
    if frame.reference {
        return Some(Transform::IDENTITY);
    }
    let shift = frame.shift?;
    let centre = Point {
        x: frame.columns as f64 / 2.0,
        y: frame.rows as f64 / 2.0,
    };
    Some(Transform::turn(
        centre,
        shift.degrees,
        shift.columns,
        shift.rows,
    ))
}

/// A file that a run left, sent piece by piece.
pub(super) async fn file(desk: &Shared, id: &str, inside: &[String]) -> Answer {
    let path = desk.places.result_file(&desk.run_folder(id)?, inside)?;
    let unreadable = |_| Refusal::unknown();
    let mut file = tokio::fs::File::open(&path).await.map_err(unreadable)?;
    let length = file.metadata().await.map_err(unreadable)?.len();
    let (sender, receiver) = channel(2);
    tokio::spawn(async move {
        let mut left = length;
        while left > 0 {
            let mut piece = vec![0; PIECE.min(left as usize)];
            // A file that ends early breaks the connection off, so that it is not taken for whole.
            if file.read_exact(&mut piece).await.is_err() {
                return;
            }
            left -= piece.len() as u64;
            if sender.send(Bytes::from(piece)).await.is_err() {
                return;
            }
        }
    });
    let mut reply = Reply::bytes(media_type(&file_name(&path)), "");
    reply.content = Content::Pieces(receiver, Some(length));
    reply.of_run = true;
    Ok(reply)
}
