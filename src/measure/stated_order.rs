//! Steps that run the other way than was stated.
use stopspan_core::finding::Finding;
use stopspan_core::results::LevelCounts;

/// The finding for a picture in which more than half of the pairs of neighbouring steps get lighter beyond noise where they should get
/// darker: an order, corners or a grid that were stated wrong. Fewer can be glare or uneven light.
pub(crate) fn doubt(picture: &str, levels: &LevelCounts) -> Option<Finding> {
    let pairs = levels.steps.saturating_sub(1);
    (2 * levels.reversals > pairs).then(|| Finding::WedgeOrderDoubtful {
        picture: picture.to_owned(),
        reversals: levels.reversals,
        pairs,
    })
}
