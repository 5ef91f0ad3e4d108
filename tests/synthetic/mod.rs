//! Checks against simulated frames with known truth.
mod balance;
mod comparison;
mod densities;
mod evenness;
mod finder;
mod grouping;
mod limits;
mod loading;
mod pictures;
mod range;
mod raw;
mod registration;
mod response;
mod scenarios;
mod simulator;
mod texture;
mod wedge;
