//! Sheets drawn as they will be, and saved.

/// Sheets drawn and not yet let go.
#[derive(Default)]
pub(super) struct Published;
