//! Keeps what a decoder does to itself to the file that it reads.
use super::fault::Fault;
use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;

thread_local! {
    static DEPTH: Cell<usize> = const { Cell::new(0) };
}

/// True on a thread that is inside a decoder: what panics there becomes an error that names the file, so that a program's panic hook
/// need not print it.
pub fn is_decoding() -> bool {
    DEPTH.get() > 0
}

/// Calls a decoder. A panic inside it becomes [`InputProblem::ReaderFailed`].
pub(super) fn fenced<T>(decode: impl FnOnce() -> Result<T, Fault>) -> Result<T, Fault> {
    caught(decode).unwrap_or_else(|problem| Err(problem.into()))
}

/// As [`fenced`], for readers of whole files that name the file themselves.
pub(super) fn fenced_file<T>(
    file: &Path,
    read: impl FnOnce() -> Result<T, Error>,
) -> Result<T, Error> {
    caught(read).unwrap_or_else(|problem| Err(Error::input(file, problem)))
}

/// The result of a call, or the panic in it as a problem, with the first line of what it said.
fn caught<T>(call: impl FnOnce() -> T) -> Result<T, InputProblem> {
    DEPTH.set(DEPTH.get() + 1);
    // What a decoder leaves half done is dropped with it: nothing that it changed is looked at afterwards.
    let done = catch_unwind(AssertUnwindSafe(call));
    DEPTH.set(DEPTH.get() - 1);
    done.map_err(|payload| {
        let text = payload.downcast_ref::<&str>().map(ToString::to_string);
        let text = text.or_else(|| payload.downcast_ref::<String>().cloned());
        let text = text.unwrap_or_default();
        InputProblem::ReaderFailed(text.lines().next().unwrap_or_default().to_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_becomes_an_error_that_names_the_file() {
        std::panic::set_hook(Box::new(|_| {}));
        let failed: Result<(), Fault> = fenced(|| {
            assert!(is_decoding());
            let nothing: &[u8] = &[];
            let index = std::hint::black_box(3);
            assert!(nothing.len() > index, "only {} bytes", nothing.len());
            Ok(())
        });
        let _ = std::panic::take_hook();
        assert!(!is_decoding());
        let said = failed.unwrap_err().at(Path::new("shot.tif")).to_string();
        for words in ["shot.tif", "only 0 bytes"] {
            assert!(said.contains(words), "{said}");
        }
        assert_eq!(fenced(|| Ok(5)).unwrap(), 5);
    }
}
