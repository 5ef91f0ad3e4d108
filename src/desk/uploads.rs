//! Files that are dropped onto the page: written into a new folder among the results, within limits, and taken away again when the desk
//! ends unless a run used them.
use super::places::{plain_name, unwritable};
use super::reply::{Answer, Refusal, Reply};
use super::shared::Shared;
use http_body_util::BodyExt;
use hyper::body::Incoming;
use hyper::{Request, StatusCode};
use serde_json::json;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use tokio::io::AsyncWriteExt;

/// Most bytes of a file.
const FILE_BYTES: u64 = 1 << 30;
/// Most bytes of an upload.
const ALL_BYTES: u64 = 16 << 30;
/// Most files of an upload.
const FILES: usize = 2000;
/// Longest time without a piece of a file.
const PIECE_TIME: Duration = Duration::from_secs(30);

/// Folders to be removed when the program ends, however it ends; the flag is true for those that go with what is in them.
static PASSING: Mutex<Vec<(PathBuf, bool)>> = Mutex::new(Vec::new());

/// Enters a folder that is to be removed at the end: with what is in it, or only if it is empty.
pub(super) fn remove_at_the_end(folder: &Path, whole: bool) {
    let mut passing = PASSING.lock().unwrap_or_else(PoisonError::into_inner);
    passing.push((folder.to_path_buf(), whole));
}

/// Removes what is not to be left behind.
pub(super) fn clean_up() {
    let mut passing = PASSING.lock().unwrap_or_else(PoisonError::into_inner);
    passing.sort_by_key(|(_, whole)| !whole);
    for (folder, whole) in passing.drain(..) {
        // What cannot be removed stays; there is nobody left to tell.
        let _ = match whole {
            true => std::fs::remove_dir_all(&folder),
            false => std::fs::remove_dir(&folder),
        };
    }
}

/// The uploads of a desk.
#[derive(Default)]
pub(super) struct Uploads(Mutex<Vec<Upload>>);

struct Upload {
    folder: PathBuf,
    /// Bytes that its files have or will have.
    bytes: u64,
    files: usize,
}

impl Uploads {
    /// Begins an upload.
    pub fn begin(&self, desk: &Shared) -> Answer {
        let folder = desk.places.new_folder("uploaded")?;
        remove_at_the_end(&folder, true);
        let mut uploads = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        uploads.push(Upload {
            folder,
            bytes: 0,
            files: 0,
        });
        Ok(Reply::json(&json!({
            "upload": format!("u{}", uploads.len()),
            "bytes_at_most": FILE_BYTES, "files_at_most": FILES, "all_at_most": ALL_BYTES,
        })))
    }

    /// The folder of an upload.
    pub fn folder(&self, id: &str) -> Result<PathBuf, Refusal> {
        let uploads = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let upload = number(id).and_then(|n| uploads.get(n));
        upload
            .map(|u| u.folder.clone())
            .ok_or_else(Refusal::unknown)
    }

    /// An upload that a run uses stays.
    pub fn keep(&self, id: &str) {
        if let Ok(folder) = self.folder(id) {
            let mut passing = PASSING.lock().unwrap_or_else(PoisonError::into_inner);
            passing.retain(|(path, _)| *path != folder);
        }
    }

    /// Room for a file in an upload.
    fn reserve(&self, id: &str, bytes: u64) -> Result<PathBuf, Refusal> {
        let mut uploads = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let upload = number(id).and_then(|n| uploads.get_mut(n));
        let upload = upload.ok_or_else(Refusal::unknown)?;
        if bytes > FILE_BYTES || upload.bytes + bytes > ALL_BYTES || upload.files >= FILES {
            return Err(too_large());
        }
        upload.bytes += bytes;
        upload.files += 1;
        Ok(upload.folder.clone())
    }

    /// Gives back the room of a file that was not written.
    fn give_back(&self, id: &str, bytes: u64) {
        let mut uploads = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(upload) = number(id).and_then(|n| uploads.get_mut(n)) {
            upload.bytes -= bytes;
            upload.files -= 1;
        }
    }
}

fn number(id: &str) -> Option<usize> {
    id.strip_prefix('u')?.parse::<usize>().ok()?.checked_sub(1)
}

fn too_large() -> Refusal {
    let problem = "That is more than may be uploaded.";
    let advice = "Open the folder instead, or upload fewer files.";
    Refusal::new(StatusCode::PAYLOAD_TOO_LARGE, problem, advice)
}

/// Receives a file.
pub(super) async fn receive(
    desk: &Shared,
    id: &str,
    name: &str,
    request: Request<Incoming>,
) -> Answer {
    let name = plain_name(name)?;
    let length = request.headers().get("content-length");
    let length = length.and_then(|l| l.to_str().ok()?.parse::<u64>().ok());
    let length = length.ok_or_else(|| {
        let problem = "The length of the file is not given.";
        Refusal::new(
            StatusCode::LENGTH_REQUIRED,
            problem,
            "Send it as one piece.",
        )
    })?;
    let path = desk.uploads.reserve(id, length)?.join(name);
    let written = write(&path, length, request.into_body()).await;
    if let Err((refusal, made)) = written {
        desk.uploads.give_back(id, length);
        if made {
            let _ = tokio::fs::remove_file(&path).await;
        }
        return Err(refusal);
    }
    Ok(Reply::json(&json!({ "picture": desk.pictures.id(&path) })))
}

/// Writes a file as it comes. An error says whether the file was made.
async fn write(path: &Path, length: u64, mut body: Incoming) -> Result<(), (Refusal, bool)> {
    let mut options = tokio::fs::OpenOptions::new();
    let file = options.write(true).create_new(true).open(path).await;
    let mut file = file.map_err(|e| match e.kind() {
        std::io::ErrorKind::AlreadyExists => (
            Refusal::not_now("A file of that name was uploaded already."),
            false,
        ),
        _ => (unwritable(path, &e), false),
    })?;
    let broken = || {
        let problem = "The file did not come whole.";
        (
            Refusal::new(StatusCode::REQUEST_TIMEOUT, problem, "Send it again."),
            true,
        )
    };
    let mut received = 0;
    loop {
        let piece = tokio::time::timeout(PIECE_TIME, body.frame()).await;
        let Some(piece) = piece.map_err(|_| broken())? else {
            break;
        };
        let Ok(data) = piece.map_err(|_| broken())?.into_data() else {
            continue;
        };
        received += data.len() as u64;
        file.write_all(&data)
            .await
            .map_err(|e| (unwritable(path, &e), true))?;
    }
    file.flush()
        .await
        .map_err(|e| (unwritable(path, &e), true))?;
    (received == length).then_some(()).ok_or_else(broken)
}
