//! Checks against simulated frames with known truth.
mod grouping;
mod loading;
mod pictures;
mod finder;
mod simulator;
mod wedge;
