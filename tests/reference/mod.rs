//! Checks against other libraries, whose answers were made once by kept scripts with pinned versions.
mod opencv;
