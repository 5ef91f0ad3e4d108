//! Decoder errors, before the file name is attached.
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;

/// A problem of the content and the decoder's own error, without the file name.
#[derive(Debug)]
pub(super) struct Fault {
    problem: InputProblem,
    source: Option<Box<dyn std::error::Error + Send + Sync>>,
}

impl Fault {
    /// The data are inconsistent or end too early.
    pub fn damaged(source: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        Fault {
            problem: InputProblem::Damaged,
            source: Some(source.into()),
        }
    }

    /// A variant of a known format that is not supported. `what` completes "uses ..., which is not read".
    pub fn unsupported(what: impl Into<String>) -> Self {
        InputProblem::Unsupported(what.into()).into()
    }

    /// A raw file variant that is not supported. `what` completes "is a raw file with ...".
    pub fn raw_variant(what: impl Into<String>) -> Self {
        InputProblem::RawVariant(what.into()).into()
    }

    /// A raw file in a camera maker's own format. `family` completes "is a raw file of ...".
    pub fn other_raw(family: &'static str) -> Self {
        InputProblem::OtherRaw(family).into()
    }

    /// Attaches the file name.
    pub fn at(self, file: &Path) -> Error {
        Error::Input {
            file: file.to_path_buf(),
            problem: self.problem,
            source: self.source,
        }
    }
}

impl From<InputProblem> for Fault {
    fn from(problem: InputProblem) -> Self {
        Fault {
            problem,
            source: None,
        }
    }
}

impl From<std::io::Error> for Fault {
    fn from(error: std::io::Error) -> Self {
        let problem = match error.kind() {
            std::io::ErrorKind::UnexpectedEof
            | std::io::ErrorKind::InvalidData
            | std::io::ErrorKind::InvalidInput => InputProblem::Damaged,
            _ => InputProblem::Unreadable,
        };
        Fault {
            problem,
            source: Some(Box::new(error)),
        }
    }
}
