//! Temporary files, locked while they are written, so that leftovers of a killed process can be recognised.
use std::fs::{self, File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

/// Temporary files of this process; `None` once [`abandon`] was called.
static OPEN: Mutex<Option<Vec<PathBuf>>> = Mutex::new(Some(Vec::new()));

/// Removes all temporary files of this process and prevents new ones; for a process that is asked to terminate. Files
/// that already have their final name are complete and are kept.
pub fn abandon() {
    let open = OPEN.lock().unwrap_or_else(PoisonError::into_inner).take();
    for path in open.into_iter().flatten() {
        let _ = fs::remove_file(path);
    }
}

/// Runs `give`, which renames a complete file, unless [`abandon`] has removed its temporary file. [`abandon`] is
/// blocked meanwhile, so that it cannot interrupt the steps.
pub(super) fn unless_abandoned(give: impl FnOnce() -> io::Result<()>) -> io::Result<()> {
    let open = OPEN.lock().unwrap_or_else(PoisonError::into_inner);
    match &*open {
        Some(_) => give(),
        None => Err(io::ErrorKind::Interrupted.into()),
    }
}

/// A temporary file, removed on drop if it is still there.
pub(super) struct Temporary(PathBuf);

impl Temporary {
    /// Creates a hidden file in the folder of `path`, named after `path`, the process and a counter.
    pub(super) fn beside(path: &Path) -> io::Result<(Self, File)> {
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
            match Self::claim(&place) {
                // Unless another process took it for a leftover before it was locked.
                Ok(file) if place.exists() => return Ok((Temporary(place), file)),
                Ok(_) => {}
                // left by a killed process with the same number: try the next name
                Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
                Err(e) => return Err(e),
            }
        }
    }

    pub(super) fn path(&self) -> &Path {
        &self.0
    }

    /// Creates, registers and locks the file, where the system has locks.
    fn claim(place: &Path) -> io::Result<File> {
        let mut open = OPEN.lock().unwrap_or_else(PoisonError::into_inner);
        let open = open.as_mut().ok_or(io::ErrorKind::Interrupted)?;
        let file = OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(place)?;
        open.push(place.to_path_buf());
        let _ = file.try_lock();
        Ok(file)
    }
}

/// Removes the temporary files in `folder` that killed processes left: those with a temporary name whose lock nobody
/// has. Files that cannot be removed are kept.
pub fn remove_leftovers(folder: &Path) {
    remove_unlocked(folder, |_| true);
}

/// As [`remove_leftovers`], for one result.
pub(super) fn remove_leftovers_of(path: &Path) {
    let result = path.file_name().unwrap_or_default().to_string_lossy();
    remove_unlocked(&folder_of(path), |name| {
        name.strip_prefix('.')
            .is_some_and(|n| n.starts_with(&*result))
    });
}

fn remove_unlocked(folder: &Path, wanted: impl Fn(&str) -> bool) {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    for entry in entries {
        let name = entry.file_name();
        let name = name.to_string_lossy();
        if !is_temporary(&name) || !wanted(&name) {
            continue;
        }
        // A process keeps the lock while it writes the file; the system releases the lock of a killed process.
        let locked = File::open(entry.path())
            .is_ok_and(|file| matches!(file.try_lock(), Err(fs::TryLockError::WouldBlock)));
        if !locked {
            let _ = fs::remove_file(entry.path());
        }
    }
}

/// True for names made by [`Temporary::beside`]: `.NAME.PROCESS-NUMBER.part`.
fn is_temporary(name: &str) -> bool {
    let middle = name.strip_prefix('.').and_then(|n| n.strip_suffix(".part"));
    let numbers = middle.and_then(|m| m.rsplit_once('.')?.1.split_once('-'));
    numbers.is_some_and(|(process, number)| {
        process.parse::<u32>().is_ok() && number.parse::<u64>().is_ok()
    })
}

impl Drop for Temporary {
    fn drop(&mut self) {
        let mut open = OPEN.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(open) = open.as_mut() {
            open.retain(|path| *path != self.0);
        }
        let _ = fs::remove_file(&self.0); // gone already after a rename
    }
}

pub(super) fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_path_buf(),
        _ => PathBuf::from("."),
    }
}

#[cfg(test)]
mod tests {
    use super::super::staged::{Outputs, write_whole};
    use super::*;

    #[test]
    fn leftovers_are_told_from_files_of_others() {
        for (name, ours) in [
            (".radiance.exr.4711-12.part", true),
            (".a.b.1-0.part", true),
            ("radiance.exr", false),
            (".radiance.exr.part", false),
            (".download.4711.part", false),
            ("notes.4711-12.part", false),
        ] {
            assert_eq!(is_temporary(name), ours, "{name}");
        }
        let folder = tempfile::tempdir().unwrap();
        let (temporary, file) = Temporary::beside(&folder.path().join("x y.png")).unwrap();
        assert!(is_temporary(
            &temporary.0.file_name().unwrap().to_string_lossy()
        ));
        // A file being written stays; a leftover is removed, at the latest when its result is written again.
        let dead = folder.path().join(".x y.png.999999-0.part");
        let other = folder.path().join(".z.png.999999-0.part");
        fs::write(&dead, b"half").unwrap();
        fs::write(&other, b"half").unwrap();
        let path = folder.path().join("x y.png");
        write_whole(&path, &Outputs::default(), |sink| sink.write_all(b"all")).unwrap();
        assert!(temporary.0.exists() && !dead.exists() && other.exists());
        remove_leftovers(folder.path());
        assert!(temporary.0.exists() && !other.exists());
        drop(file);
    }
}
