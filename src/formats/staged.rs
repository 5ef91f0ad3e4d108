//! Writes results atomically: under a temporary name in the same folder, then renamed.
use super::background_sync::BackgroundSync;
pub use super::temporary::abandon;
pub use super::temporary::remove_leftovers;
use super::temporary::{Temporary, folder_of, remove_leftovers_of, unless_abandoned};
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Seek, Write};
use std::path::{Path, PathBuf};
use stopspan_core::Error;
use stopspan_core::error::OutputProblem;

/// Policy for writing files.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Outputs {
    /// Replace existing results.
    pub overwrite: bool,
    /// Input files. They are never written, whatever `overwrite` is and by whatever link they are reached.
    pub inputs: Vec<PathBuf>,
}

impl Outputs {
    /// Checks whether `path` may be written now, so that a long job can fail early. The check is repeated when the
    /// file is renamed, and that one is binding.
    ///
    /// # Errors
    /// [`Error::Output`]: `IsInput` or `Exists`; `Unwritable` for a device or a folder, which no file may replace.
    pub fn check(&self, path: &Path) -> Result<(), Error> {
        if path.metadata().is_ok_and(|about| !about.is_file()) {
            let source = io::Error::other("it is a folder or a device, not a file");
            return Err(Error::output(path, OutputProblem::Unwritable, Some(source)));
        }
        if self.inputs.iter().any(|input| same_file(input, path)) {
            return Err(Error::output(path, OutputProblem::IsInput, None));
        }
        if !self.overwrite && path.symlink_metadata().is_ok() {
            return Err(Error::output(path, OutputProblem::Exists, None));
        }
        Ok(())
    }
}

/// A seekable sink, for formats with a table at the front; it may be fed from another thread.
pub trait WriteSeek: Write + Seek + Send {}
impl<T: Write + Seek + Send> WriteSeek for T {}

/// Writes `path` by calling `fill`. Readers see either no file or the complete file. After an error, or if the
/// process is killed, `path` is absent or unchanged. The bytes are on the disk when this returns.
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

/// As [`write_whole`], for a `fill` that seeks back to complete earlier parts.
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
    remove_leftovers_of(path);
    let (temporary, file) = Temporary::beside(path).map_err(unwritable)?;
    let mut sink = BufWriter::with_capacity(1 << 20, BackgroundSync::new(file));
    fill(&mut sink).map_err(unwritable)?;
    let file = sink.into_inner().map_err(|e| unwritable(e.into_error()))?;
    // Keeps the lock until the file has its final name.
    let _file = file.finish().map_err(unwritable)?;
    policy.check(path)?;
    let give = || give_name(temporary.path(), path, policy.overwrite);
    unless_abandoned(give).map_err(|e| {
        let problem = match e.kind() {
            io::ErrorKind::AlreadyExists if !policy.overwrite => OutputProblem::Exists,
            _ => OutputProblem::Unwritable,
        };
        Error::output(path, problem, Some(e))
    })?;
    sync_folder(&folder_of(path));
    Ok(())
}

/// Renames the complete file. Without `overwrite`, a file created there by another process in the meantime is kept: a
/// hard link fails if the name exists. Where links are not supported, the name is reserved by creating it.
fn give_name(temporary: &Path, path: &Path, overwrite: bool) -> io::Result<()> {
    if overwrite {
        return fs::rename(temporary, path);
    }
    match fs::hard_link(temporary, path) {
        Ok(()) => Ok(()),
        Err(e)
            if matches!(
                e.kind(),
                io::ErrorKind::AlreadyExists | io::ErrorKind::NotFound
            ) =>
        {
            Err(e)
        }
        Err(_) => {
            OpenOptions::new().write(true).create_new(true).open(path)?;
            fs::rename(temporary, path).inspect_err(|_| {
                let _ = fs::remove_file(path); // no more than the claim
            })
        }
    }
}

/// Makes the rename itself survive a power failure, where the system can.
fn sync_folder(folder: &Path) {
    if cfg!(unix)
        && let Ok(handle) = File::open(folder)
    {
        let _ = handle.sync_all(); // some file systems refuse; the file itself is safe
    }
}

/// True if both paths are the same file, through links of either kind.
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

#[cfg(test)]
mod tests {
    use super::*;

    fn problem(result: Result<(), Error>) -> OutputProblem {
        match result {
            Err(Error::Output { problem, .. }) => problem,
            other => panic!("no output error: {other:?}"),
        }
    }

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_file_gets_its_name_only_when_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.bin");
        write_whole(&path, &Outputs::default(), |sink| {
            assert!(!path.exists());
            sink.write_all(b"all of it")
        })
        .unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"all of it");
        assert_eq!(names(folder.path()), ["a.bin"]);
    }

    #[test]
    fn no_name_is_given_to_what_was_taken_away() {
        let folder = tempfile::tempdir().unwrap();
        let gone = folder.path().join(".a.bin.part");
        for overwrite in [false, true] {
            let given = give_name(&gone, &folder.path().join("a.bin"), overwrite);
            assert_eq!(given.unwrap_err().kind(), io::ErrorKind::NotFound);
        }
        assert!(names(folder.path()).is_empty());
    }

    #[test]
    fn an_error_half_way_leaves_nothing_new_and_the_old_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.bin");
        fs::write(&path, b"old").unwrap();
        let policy = Outputs {
            overwrite: true,
            inputs: vec![],
        };
        let result = write_whole(&path, &policy, |sink| {
            sink.write_all(&[1; 5000])?;
            Err(io::Error::other("no more"))
        });
        assert_eq!(problem(result), OutputProblem::Unwritable);
        assert_eq!(fs::read(&path).unwrap(), b"old");
        assert_eq!(names(folder.path()), ["a.bin"]);
    }

    #[test]
    fn what_is_there_stays_unless_overwriting_was_asked_for() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.bin");
        fs::write(&path, b"old").unwrap();
        let keep = Outputs::default();
        assert_eq!(
            problem(write_whole(&path, &keep, |_| Ok(()))),
            OutputProblem::Exists
        );
        let replace = Outputs {
            overwrite: true,
            inputs: vec![],
        };
        write_whole(&path, &replace, |sink| sink.write_all(b"new")).unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"new");
    }

    #[cfg(unix)]
    #[test]
    fn a_device_or_a_folder_is_never_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let policy = Outputs {
            overwrite: true,
            inputs: vec![],
        };
        for path in [Path::new("/dev/full"), folder.path()] {
            let result = write_whole(path, &policy, |sink| sink.write_all(b"no"));
            assert_eq!(problem(result), OutputProblem::Unwritable);
            assert!(!path.is_file());
        }
    }

    #[test]
    fn a_file_that_appears_while_writing_is_not_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.bin");
        let result = write_whole(&path, &Outputs::default(), |sink| {
            fs::write(&path, b"another's")?;
            sink.write_all(b"mine")
        });
        assert_eq!(problem(result), OutputProblem::Exists);
        assert_eq!(fs::read(&path).unwrap(), b"another's");
        // the last step by itself, for a file that appears after the last look
        let temporary = folder.path().join("t");
        fs::write(&temporary, b"mine").unwrap();
        let error = give_name(&temporary, &path, false).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::AlreadyExists);
    }

    #[cfg(unix)]
    #[test]
    fn an_input_is_never_written_through_any_link() {
        let folder = tempfile::tempdir().unwrap();
        let input = folder.path().join("frame.jpg");
        fs::write(&input, b"frame").unwrap();
        let soft = folder.path().join("soft.jpg");
        std::os::unix::fs::symlink(&input, &soft).unwrap();
        let hard = folder.path().join("hard.jpg");
        fs::hard_link(&input, &hard).unwrap();
        let dotted = folder
            .path()
            .join("../")
            .join(folder.path().file_name().unwrap());
        let policy = Outputs {
            overwrite: true,
            inputs: vec![input.clone()],
        };
        for path in [input.clone(), soft, hard, dotted.join("frame.jpg")] {
            let result = write_whole(&path, &policy, |sink| sink.write_all(b"no"));
            assert_eq!(
                problem(result),
                OutputProblem::IsInput,
                "{}",
                path.display()
            );
        }
        assert_eq!(fs::read(&input).unwrap(), b"frame");
    }

    #[test]
    fn many_threads_writing_one_name_leave_one_whole_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.bin");
        let wins: usize = std::thread::scope(|scope| {
            let threads: Vec<_> = (0..8u8)
                .map(|k| {
                    let path = &path;
                    scope.spawn(move || {
                        write_whole(path, &Outputs::default(), |sink| {
                            sink.write_all(&vec![k; 100_000])
                        })
                        .is_ok()
                    })
                })
                .collect();
            threads
                .into_iter()
                .map(|t| usize::from(t.join().unwrap()))
                .sum()
        });
        assert_eq!(wins, 1);
        let bytes = fs::read(&path).unwrap();
        assert_eq!(bytes, vec![bytes[0]; 100_000]);
        assert_eq!(names(folder.path()), ["a.bin"]);
    }
}
