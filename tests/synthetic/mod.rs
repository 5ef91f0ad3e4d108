//! Checks against simulated frames with known truth.
mod grouping;
mod simulator;
mod wedge;
