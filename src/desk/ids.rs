//! Short names for files, so that a page never asks by path: what is not in the register cannot be asked for.
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// Files by their ids: a letter, and a number in the order of registration.
pub(super) struct Register {
    letter: char,
    known: Mutex<Known>,
}

#[derive(Default)]
struct Known {
    paths: Vec<PathBuf>,
    numbers: HashMap<PathBuf, usize>,
}

impl Register {
    pub fn new(letter: char) -> Self {
        Register {
            letter,
            known: Mutex::default(),
        }
    }

    /// The id of a file, which is the same whenever it is asked for.
    pub fn id(&self, path: &Path) -> String {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let next = known.paths.len();
        let number = *known.numbers.entry(path.to_path_buf()).or_insert(next);
        if number == next {
            known.paths.push(path.to_path_buf());
        }
        format!("{}{}", self.letter, number + 1)
    }

    /// The file of an id.
    pub fn path(&self, id: &str) -> Option<PathBuf> {
        let number: usize = id.strip_prefix(self.letter)?.parse().ok()?;
        let known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        known.paths.get(number.checked_sub(1)?).cloned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_stands_for_one_file() {
        let register = Register::new('p');
        let (a, b) = (register.id(Path::new("a")), register.id(Path::new("b")));
        assert_eq!((a.as_str(), b.as_str()), ("p1", "p2"));
        assert_eq!(register.id(Path::new("a")), a);
        assert_eq!(register.path("p2").as_deref(), Some(Path::new("b")));
        for other in ["p0", "p3", "m1", "1", "p", "p-1", ""] {
            assert_eq!(register.path(other), None, "{other}");
        }
    }
}
