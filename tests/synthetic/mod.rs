//! Checks against simulated frames with known truth.
mod simulator;
mod wedge;
