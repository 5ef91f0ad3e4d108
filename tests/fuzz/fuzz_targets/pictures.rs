//! Any bytes as a picture file: headers, metadata and pixels of every format, and our own maps.
#![no_main]
use libfuzzer_sys::fuzz_target;
use std::io::Write;
use std::sync::LazyLock;
use stopspan_core::model::Limits;
use stopspan_formats::{read_header, read_picture};
use stopspan_formats::map_file;

/// A file in memory, where the system has such a folder.
static PLACE: LazyLock<std::path::PathBuf> = LazyLock::new(|| {
    let shared = std::path::Path::new("/dev/shm");
    let folder = if shared.is_dir() {
        shared.into()
    } else {
        std::env::temp_dir()
    };
    folder.join(format!("stopspan-fuzz-{}", std::process::id()))
});

fuzz_target!(|bytes: &[u8]| {
    let limits = Limits {
        pixels: 1 << 16,
        ..Limits::default()
    };
    let write = || std::fs::File::create(&*PLACE)?.write_all(bytes);
    if write().is_err() {
        return;
    }
    let header = read_header(&PLACE, &limits);
    for accept_damaged in [false, true] {
        let limits = Limits {
            accept_damaged,
            ..limits
        };
        if let Ok(picture) = read_picture(&PLACE, &limits) {
            // What was decoded is what the header said, within the limit, and whole.
            let header = header
                .as_ref()
                .expect("a picture whose header cannot be read");
            let (rows, columns, channels) = picture.pixels.dim();
            assert_eq!((columns, rows), (header.columns, header.rows));
            assert!((rows * columns) as u64 <= limits.pixels && (channels == 1 || channels == 3));
            assert!(
                (0..channels).all(|c| picture.pixels.level(rows - 1, columns - 1, c).is_finite())
            );
        }
    }
    let _ = map_file::read_exr(&PLACE, &limits);
});
