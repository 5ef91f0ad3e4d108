//! Limits on what files may claim: those of the command line.
use std::sync::LazyLock;
use stopspan_core::model::Limits;
use stopspan_formats::memory::share_of_machine;

/// The usual limits, with the share of the machine's memory that a job may take.
pub(super) fn limits() -> Limits {
    static MEMORY: LazyLock<u64> = LazyLock::new(share_of_machine);
    Limits {
        memory: *MEMORY,
        ..Limits::default()
    }
}
