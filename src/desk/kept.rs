//! What was decoded, kept for the next request within a bound of memory; asked for by several at once, it is made once.
use super::reply::Refusal;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::SystemTime;

/// Something that takes memory.
pub(super) trait Memory {
    /// Its size in memory, bytes.
    fn bytes(&self) -> usize;
}

/// What was made of a file, once it is made.
type Made<T> = Arc<OnceLock<Result<Arc<T>, Refusal>>>;

/// Things made of files, the one used last at the end.
pub(super) struct Kept<T> {
    /// Most bytes kept; the thing used last is kept whatever its size.
    most: usize,
    things: Mutex<Vec<Thing<T>>>,
}

struct Thing<T> {
    file: PathBuf,
    changed: Option<SystemTime>,
    made: Made<T>,
}

impl<T: Memory> Kept<T> {
    pub fn new(most: usize) -> Self {
        Kept {
            most,
            things: Mutex::default(),
        }
    }

    /// What `make` makes of a file, or made of it before unless the file has changed.
    pub fn get(
        &self,
        file: &Path,
        make: impl FnOnce() -> Result<T, Refusal>,
    ) -> Result<Arc<T>, Refusal> {
        let made = self.place_of(file);
        let result = made.get_or_init(|| make().map(Arc::new)).clone();
        self.let_go();
        result
    }

    fn place_of(&self, file: &Path) -> Made<T> {
        let changed = std::fs::metadata(file).and_then(|m| m.modified()).ok();
        let mut things = self.things.lock().unwrap_or_else(PoisonError::into_inner);
        let known = things.iter().position(|t| t.file == file);
        let known = known.map(|at| things.remove(at));
        let thing = known
            .filter(|t| t.changed == changed)
            .unwrap_or_else(|| Thing {
                file: file.to_path_buf(),
                changed,
                made: Made::default(),
            });
        let made = Arc::clone(&thing.made);
        things.push(thing);
        made
    }

    /// Lets the oldest go until the others fit.
    fn let_go(&self) {
        let mut things = self.things.lock().unwrap_or_else(PoisonError::into_inner);
        let size = |thing: &Thing<T>| match thing.made.get() {
            Some(Ok(made)) => made.bytes(),
            _ => 0,
        };
        let mut all: usize = things.iter().map(size).sum();
        while all > self.most && things.len() > 1 {
            all -= size(&things.remove(0));
        }
    }

    /// Lets everything go.
    pub fn clear(&self) {
        self.things
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    impl Memory for usize {
        fn bytes(&self) -> usize {
            *self
        }
    }

    #[test]
    fn things_are_made_once_and_the_oldest_go() {
        let kept = Kept::new(100);
        let made = Cell::new(0);
        let ask = |name: &str, size: usize| {
            let thing = kept.get(Path::new(name), || {
                made.set(made.get() + 1);
                Ok(size)
            });
            assert_eq!(*thing.unwrap(), size);
            made.get()
        };
        assert_eq!((ask("a", 40), ask("b", 40), ask("a", 40)), (1, 2, 2));
        // The oldest, b, goes for c.
        assert_eq!((ask("c", 40), ask("a", 40), ask("b", 40)), (3, 3, 4));
        assert_eq!((ask("huge", 500), ask("huge", 500)), (5, 5));
        kept.clear();
        assert_eq!(ask("huge", 500), 6);
    }
}
