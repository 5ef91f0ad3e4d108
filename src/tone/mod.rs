//! Radiance map -> display picture. For looking at; no scene figure comes from it.
