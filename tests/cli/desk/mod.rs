//! The desk from outside, by a client that sends bytes of its own making: `client`; who gets in (`gate`), what can be reached
//! (`reach`), how it stands up to clients that ask much or nothing (`load`), and the job (`job`, `densities`, `looking`).
mod client;
mod densities;
mod gate;
mod job;
mod load;
mod looking;
mod reach;
