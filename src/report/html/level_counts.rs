//! Cells that the tables of pictures have in common.
use super::table::none;
use stopspan_core::results::LevelCounts;

/// Steps that a picture resolves by noise, 8 x 8 means, code, lightness and patch mean, in this order.
pub(super) fn counts(levels: Option<&LevelCounts>) -> [String; 5] {
    let of = |count: fn(&LevelCounts) -> Option<usize>| {
        levels.and_then(count).map_or_else(none, |n| n.to_string())
    };
    [
        of(|l| Some(l.noise)),
        of(|l| l.block),
        of(|l| l.code),
        of(|l| Some(l.visual)),
        of(|l| Some(l.patch_mean)),
    ]
}
