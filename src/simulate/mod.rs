//! Sensor and scene simulator with known truth: makes the samples, serves tests and what-if questions.
