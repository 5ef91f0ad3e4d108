//! A function of one number as a table that is interpolated linearly.
use super::scene::{REACH, nearest};

/// Table entries for each unit.
const STEPS: f32 = 64.0;
/// Index of the last entry.
const LAST: usize = (2.0 * REACH * STEPS) as usize;

/// Values over -/+ [`REACH`]; beyond, those of the ends.
pub(super) struct Table {
    values: Vec<f32>,
}

impl Table {
    /// Places at which a table has its entries.
    pub fn places() -> impl DoubleEndedIterator<Item = f64> + Clone {
        (0..=LAST).map(|i| i as f64 / f64::from(STEPS) - f64::from(REACH))
    }

    /// A table of values at [`Table::places`]; missing ones are 0.
    pub fn of(values: impl Iterator<Item = f64>) -> Self {
        let mut values: Vec<f32> = values.map(|v| v as f32).collect();
        values.resize(LAST + 1, 0.0);
        Table { values }
    }

    /// The value at a place.
    #[inline(always)]
    pub fn at(&self, place: f32) -> f32 {
        let (index, t) = self.locate(place);
        let [a, b] = self.entries(index);
        a + t * (b - a)
    }

    /// Change of the value for each unit, at a place.
    pub fn slope(&self, place: f32) -> f32 {
        let [a, b] = self.entries(self.locate(place).0);
        (b - a) * STEPS
    }

    /// Index of the entry below a place, and the fraction 0..=1 towards the next.
    #[inline(always)]
    pub fn locate(&self, place: f32) -> (u32, f32) {
        #[expect(clippy::manual_clamp, reason = "NaN becomes the lower end")]
        let position = (place + REACH).max(0.0).min(2.0 * REACH) * STEPS;
        let index = nearest(position - 0.5).min(LAST as i32 - 1);
        (index as u32, position - index as f32)
    }

    /// An entry and the next.
    #[inline(always)]
    pub fn entries(&self, index: u32) -> [f32; 2] {
        let pair = &self.values[index as usize..][..2];
        [pair[0], pair[1]]
    }
}
