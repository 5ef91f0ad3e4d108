//! Numbers in, numbers out: robust location and scale, weighted fits, monotone curves, bootstrap.
