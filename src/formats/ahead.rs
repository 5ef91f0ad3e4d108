//! A large file is brought to the disk while the rest of it is still being made, so that the end need not wait for all of it.
use std::fs::File;
use std::io::{self, Seek, SeekFrom, Write};
use std::sync::mpsc::{SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;

/// Bytes after which the disk is given what was written.
const PART: u64 = 1 << 24;

/// A file under work.
pub(super) struct Ahead {
    file: File,
    /// Bytes since the disk was last given any.
    new: u64,
    disk: Option<Disk>,
}

/// The thread that waits for the disk.
struct Disk {
    call: SyncSender<()>,
    thread: JoinHandle<io::Result<()>>,
}

impl Ahead {
    pub(super) fn new(file: File) -> Self {
        Ahead {
            file,
            new: 0,
            disk: None,
        }
    }

    /// Waits until everything is on the disk. The file comes back, so that its lock holds as long as it is kept.
    ///
    /// # Errors
    /// The system's, also what it had to say of earlier parts.
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
        // A disk still busy is not called twice; what went wrong there is said at the end.
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

impl Write for Ahead {
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

impl Seek for Ahead {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.file.seek(to)
    }
}
