//! The channel that single-channel figures are taken from.

/// Index of the channel that single-channel figures are taken from, out of `channels` (>= 1).
///
/// This is green, which contributes most to luminance: 1 of red, green and blue, and 1 of the four planes of a mosaic (red,
/// green, green, blue), the first green. A picture of one channel has only that: 0.
pub fn main_channel(channels: usize) -> usize {
    usize::from(channels >= 3)
}
