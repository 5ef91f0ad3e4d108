//! Loops for the widest vectors that the machine at hand has, chosen while running.
pub(crate) use pulp::NullaryFnOnce as Work;

/// Does `work`, compiled for every instruction set that is looked for. Its `call`, and what that calls, must be
/// `inline(always)` to profit, which a closure cannot be. The results are the same bits with any: nothing is reordered or fused.
#[inline]
pub(crate) fn wide<W: Work>(work: W) -> W::Output {
    pulp::Arch::new().dispatch(work)
}
