//! Syncs a large file to the disk while the rest of it is still being written, which shortens the final wait.
use std::fs::File;
use std::io::{self, Seek, SeekFrom, Write};
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;

/// Bytes written between two syncs.
const PART: u64 = 1 << 24;

/// A file being written.
pub(super) struct BackgroundSync {
    file: File,
    /// Bytes written since the last sync.
    new: u64,
    disk: Option<Disk>,
}

/// The thread that syncs.
struct Disk {
    call: SyncSender<()>,
    thread: JoinHandle<io::Result<()>>,
}

impl BackgroundSync {
    pub(super) fn new(file: File) -> Self {
        BackgroundSync {
            file,
            new: 0,
            disk: None,
        }
    }

    /// Waits until everything is on the disk. Returns the file, so that the caller keeps its lock.
    ///
    /// # Errors
    /// The system's error, of this or of an earlier sync.
    pub(super) fn finish(self) -> io::Result<File> {
        if let Some(Disk { call, thread }) = self.disk {
            drop(call);
            let failed = |_| io::Error::other("the thread that waits for the disk failed");
            thread.join().map_err(failed).flatten()?;
        }
        self.file.sync_all()?;
        Ok(self.file)
    }

    fn call(&mut self) -> io::Result<()> {
        self.new = 0;
        let disk = match self.disk.take() {
            Some(disk) => disk,
            None => Disk::start(self.file.try_clone()?),
        };
        // A sync still running is not requested again; its error is returned by `finish`.
        match disk.call.try_send(()) {
            Ok(()) | Err(TrySendError::Full(()) | TrySendError::Disconnected(())) => {}
        }
        self.disk = Some(disk);
        Ok(())
    }
}

impl Disk {
    fn start(file: File) -> Self {
        let (call, calls) = sync_channel(1);
        let thread = std::thread::spawn(move || calls.iter().try_for_each(|()| file.sync_data()));
        Disk { call, thread }
    }
}

impl Write for BackgroundSync {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.new += written as u64;
        if self.new >= PART {
            self.call()?;
        }
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Seek for BackgroundSync {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.file.seek(to)
    }
}
