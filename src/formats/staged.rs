//! Writes a result whole or not at all: under a temporary name in the same folder first, then given its name in one step.
use crate::error::{Error, OutputProblem};
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Seek, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

/// What may be written where.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Outputs {
    /// Results that are there already may be replaced.
    pub overwrite: bool,
    /// Files that are read; they are never written, whatever `overwrite` says and by whatever link they are reached.
    pub inputs: Vec<PathBuf>,
}

impl Outputs {
    /// Whether `path` may be written as things stand now, so that a long job can refuse early. The answer is given
    /// again, and then holds, when the file gets its name.
    ///
    /// # Errors
    /// [`Error::Output`]: `IsInput` or `Exists`.
    pub fn check(&self, path: &Path) -> Result<(), Error> {
        if self.inputs.iter().any(|input| same_file(input, path)) {
            return Err(Error::output(path, OutputProblem::IsInput, None));
        }
        if !self.overwrite && path.symlink_metadata().is_ok() {
            return Err(Error::output(path, OutputProblem::Exists, None));
        }
        Ok(())
    }
}

/// A sink that can go back, for formats with a table at the front; it may be fed from another thread.
pub trait WriteSeek: Write + Seek + Send {}
impl<T: Write + Seek + Send> WriteSeek for T {}

/// Writes `path` through `fill`. Readers see no file or the whole file; after an error, or if the process is killed,
/// nothing stands under `path` (or what stood there before still does). The bytes are on the disk when this returns.
///
/// # Errors
/// [`Error::Output`]: `IsInput`, `Exists`, or `Unwritable` with the system's error or the one `fill` gave.
pub fn write_whole(
    path: &Path,
    policy: &Outputs,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<(), Error> {
    write_whole_seekable(path, policy, |sink| fill(sink))
}

/// As [`write_whole`], for a `fill` that goes back to complete what it has written.
///
/// # Errors
/// As [`write_whole`].
pub fn write_whole_seekable(
    path: &Path,
    policy: &Outputs,
    fill: impl FnOnce(&mut dyn WriteSeek) -> io::Result<()>,
) -> Result<(), Error> {
    policy.check(path)?;
    let unwritable = |e: io::Error| Error::output(path, OutputProblem::Unwritable, Some(e));
    let (temporary, file) = Temporary::beside(path).map_err(unwritable)?;
    let mut sink = BufWriter::with_capacity(1 << 20, file);
    fill(&mut sink).map_err(unwritable)?;
    let file = sink.into_inner().map_err(|e| unwritable(e.into_error()))?;
    file.sync_all().map_err(unwritable)?;
    drop(file);
    policy.check(path)?;
    give_name(&temporary.0, path, policy.overwrite).map_err(|e| {
        let problem = match e.kind() {
            io::ErrorKind::AlreadyExists if !policy.overwrite => OutputProblem::Exists,
            _ => OutputProblem::Unwritable,
        };
        Error::output(path, problem, Some(e))
    })?;
    sync_folder(&folder_of(path));
    Ok(())
}

/// A file under a temporary name that is removed when this is dropped (if it is still there).
struct Temporary(PathBuf);

impl Temporary {
    /// Creates a hidden file, named after `path`, the process and a counter, in the folder of `path`.
    fn beside(path: &Path) -> io::Result<(Self, File)> {
        static COUNTER: AtomicU64 = AtomicU64::new(0);
        let name = path
            .file_name()
            .ok_or(io::Error::from(io::ErrorKind::InvalidInput))?;
        loop {
            let mut hidden = std::ffi::OsString::from(".");
            hidden.push(name);
            let number = COUNTER.fetch_add(1, Ordering::Relaxed);
            hidden.push(format!(".{}-{number}.part", std::process::id()));
            let place = folder_of(path).join(hidden);
            match OpenOptions::new().write(true).create_new(true).open(&place) {
                Ok(file) => return Ok((Temporary(place), file)),
                // left by a killed process that had the same number: take the next name
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
                Err(e) => return Err(e),
            }
        }
    }
}

impl Drop for Temporary {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.0); // gone already after a rename
    }
}

/// Gives the finished file its name. Without `overwrite`, a file that another process has put there in the meantime
/// stays: a hard link fails where the name is taken. Where links are not supported the name is claimed by creating it.
fn give_name(temporary: &Path, path: &Path, overwrite: bool) -> io::Result<()> {
    if overwrite {
        return fs::rename(temporary, path);
    }
    match fs::hard_link(temporary, path) {
        Ok(()) => Ok(()),
        Err(e) if e.kind() == io::ErrorKind::AlreadyExists => Err(e),
        Err(_) => {
            OpenOptions::new().write(true).create_new(true).open(path)?;
            fs::rename(temporary, path)
        }
    }
}

fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_path_buf(),
        _ => PathBuf::from("."),
    }
}

/// Makes the new name itself last through a power cut, where the system can.
fn sync_folder(folder: &Path) {
    if cfg!(unix)
        && let Ok(handle) = File::open(folder)
    {
        let _ = handle.sync_all(); // some file systems refuse; the file itself is safe
    }
}

/// True if both names lead to one file, through links of either kind.
fn same_file(a: &Path, b: &Path) -> bool {
    if let (Ok(a), Ok(b)) = (a.canonicalize(), b.canonicalize())
        && a == b
    {
        return true;
    }
    same_inode(a, b)
}

#[cfg(unix)]
fn same_inode(a: &Path, b: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    match (a.metadata(), b.metadata()) {
        (Ok(a), Ok(b)) => a.dev() == b.dev() && a.ino() == b.ino(),
        _ => false,
    }
}

#[cfg(not(unix))]
fn same_inode(_: &Path, _: &Path) -> bool {
    false
}
