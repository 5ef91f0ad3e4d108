//! Loops compiled for several vector widths, chosen at run time.
pub use pulp::NullaryFnOnce as Work;

/// Runs `work` with the widest vectors of this machine. It is compiled once for each supported instruction set, so its
/// `call`, and everything that calls, must be `inline(always)`; a closure cannot be. Results are bit for bit the same with
/// every instruction set, because no operation is reordered or fused.
#[inline]
pub fn dispatch_simd<W: Work>(work: W) -> W::Output {
    pulp::Arch::new().dispatch(work)
}

/// Converts an integral `f64` within the `i32` range to `i32` without a branch; other inputs give an unspecified value.
/// It compiles to one addition a lane, where `as` needs several instructions.
#[inline(always)]
pub fn to_i32_fast(number: f64) -> i32 {
    // At 1.5 x 2^52 the spacing of doubles is 1, so the low bits of the sum are those of the integer.
    (number + 6_755_399_441_055_744.0).to_bits() as i32
}

#[cfg(test)]
mod tests {
    #[test]
    fn whole_numbers_are_kept() {
        for number in [0, 1, -1, 4095, -70_000, i32::MAX, i32::MIN] {
            assert_eq!(super::to_i32_fast(f64::from(number)), number);
        }
    }
}
