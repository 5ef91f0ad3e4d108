//! Loops for the widest vectors that the machine at hand has, chosen while running.
pub use pulp::NullaryFnOnce as Work;

/// Does `work`, compiled for every instruction set that is looked for. Its `call`, and what that calls, must be
/// `inline(always)` to profit, which a closure cannot be. The results are the same bits with any: nothing is reordered or fused.
#[inline]
pub fn wide<W: Work>(work: W) -> W::Output {
    pulp::Arch::new().dispatch(work)
}

/// A whole number between -2^31 and 2^31 as such; any other number gives anything. Unlike `as`, it is one addition in every lane.
#[inline(always)]
pub fn whole(number: f64) -> i32 {
    // 1.5 x 2^52: there a double counts in ones, and its lowest bits are the number's.
    (number + 6_755_399_441_055_744.0).to_bits() as i32
}

#[cfg(test)]
mod tests {
    #[test]
    fn whole_numbers_are_kept() {
        for number in [0, 1, -1, 4095, -70_000, i32::MAX, i32::MIN] {
            assert_eq!(super::whole(f64::from(number)), number);
        }
    }
}
