//! Standing of one row of a comparison by one figure: its rank, its ties, and the rows that it cannot be ranked against.
use serde::{Deserialize, Serialize};

/// Picture of a row by which rows are ranked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RankedPicture {
    /// The default shot: the reference frame of the bracket, or the best single shot without one.
    DefaultShot,
    /// The single frame that keeps most of the scene.
    Single,
    /// The camera's own HDR picture.
    CameraHdr,
    /// The merge.
    Merge,
    /// The merge of the raw files of the same shots.
    Raw,
}

impl RankedPicture {
    /// All pictures, in the order in which they are named.
    pub const ALL: [RankedPicture; 5] = [
        RankedPicture::DefaultShot,
        RankedPicture::Single,
        RankedPicture::CameraHdr,
        RankedPicture::Merge,
        RankedPicture::Raw,
    ];
}

/// Figure by which rows are ranked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RankedFigure {
    /// Usable range down to SNR 1, stops.
    Stops,
    /// Usable range down to SNR 10, stops.
    Stops10,
    /// Steps of the wedge resolved by `noise`.
    Levels,
}

impl RankedFigure {
    /// All figures, in the order in which they are named.
    pub const ALL: [RankedFigure; 3] = [
        RankedFigure::Stops,
        RankedFigure::Stops10,
        RankedFigure::Levels,
    ];
}

/// Standing of one row among the rows that have the same figure. A lower bound is an interval without an upper end. Two rows are
/// separated if one interval lies wholly above the other; they are tied if both intervals have two ends and overlap; else the data do
/// not decide between them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    /// Picture measured.
    pub picture: RankedPicture,
    /// Figure compared.
    pub figure: RankedFigure,
    /// 1 plus the number of rows whose interval lies wholly above this one's. `None` where the data do not decide between this
    /// row and some other.
    pub rank: Option<usize>,
    /// Highest rank that the intervals allow, 1 = first.
    pub best: usize,
    /// Lowest rank that they allow.
    pub worst: usize,
    /// Brackets tied with this one.
    pub tied: Vec<String>,
    /// Brackets that it cannot be ranked against.
    pub undecided: Vec<Undecided>,
}

/// A row that another cannot be ranked against.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Undecided {
    /// Name of its bracket.
    pub bracket: String,
    /// Reason.
    pub reason: NotRanked,
}

/// Reason why two rows cannot be ranked against each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NotRanked {
    /// The wedge ends before either figure does: two lower bounds.
    WedgeTooShortForBoth,
    /// The wedge ends before this row's figure does, and the bound is not above the other's interval.
    WedgeTooShortForThis,
    /// The same for the other row.
    WedgeTooShortForOther,
    /// One of the figures has no interval.
    NoInterval,
    /// The counts are of wedges with different numbers of steps.
    OtherWedge,
    /// Fewer than three places are shown well by both.
    TooFewPlaces,
}
