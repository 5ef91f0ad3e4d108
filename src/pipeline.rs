//! The order of the stages: settings in, outcome out.
