//! Double images in a camera's own HDR picture: exposures that were merged out of register.
use super::comparison::Interval;
use crate::raster::Point;
use serde::{Deserialize, Serialize};

/// Whether the exposures in the finished picture were misregistered.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct DoubleEdges {
    /// Number of areas (192 x 192 pixels) with enough texture to judge.
    pub judged: usize,
    /// The second image; `None` if fewer than two areas agree on one. Images closer than about four pixels (three with much
    /// fine detail) are not distinguished from blur, and motion blur of seven pixels or more can look like two images.
    pub second: Option<SecondImage>,
}

impl DoubleEdges {
    /// The second image, if enough areas show it: the 95 % interval of their share, by resampling of the areas, begins above 0.
    /// A resample without any of k areas among n has the probability (1 - k/n)^n, so that the interval begins above 0 if that is
    /// below 0.025: from four areas up, where there are many.
    pub fn evident(&self) -> Option<&SecondImage> {
        let second = self.second.as_ref()?;
        let share = second.places as f64 / self.judged.max(1) as f64;
        let none = (1.0 - share).max(0.0).powi(self.judged as i32);
        (none < 0.025).then_some(second)
    }
}

/// A displaced second image of the scene.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SecondImage {
    /// Number of areas that show it.
    pub places: usize,
    /// Displacement from the stronger image to the weaker, pixels of the reference frame. The sign is arbitrary for images
    /// of equal strength.
    pub shift: Point,
    /// Length of `shift`, pixels; below five it may be a quarter too short, because the peaks of the images overlap.
    pub distance: Interval,
    /// Contrast of the weaker image over that of the stronger, 0..=1.
    pub strength: Interval,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(places: usize, judged: usize) -> DoubleEdges {
        let interval = Interval::without_interval(6.5);
        DoubleEdges {
            judged,
            second: Some(SecondImage {
                places,
                shift: Point { x: 6.5, y: 0.0 },
                distance: interval,
                strength: interval,
            }),
        }
    }

    /// Against the bootstrap itself: the shares of 4000 resamples of 108 areas.
    #[test]
    fn a_second_image_is_evident_where_the_interval_of_its_share_begins_above_zero() {
        use crate::statistics::bootstrap::{percentile_interval, random_stream};
        use rand::Rng;
        for (places, evident) in [(2, false), (3, false), (4, true), (60, true)] {
            let shares: Vec<f64> = (0..4000)
                .map(|i| {
                    let mut random = random_stream(3, i);
                    let drawn = (0..108).filter(|_| random.random_range(0..108) < places);
                    drawn.count() as f64 / 108.0
                })
                .collect();
            let (low, _) = percentile_interval(&shares, 0.95).unwrap();
            assert_eq!(low > 0.0, evident, "{places} of 108: {low}");
            assert_eq!(found(places, 108).evident().is_some(), evident, "{places}");
        }
        assert!(found(2, 2).evident().is_some() && found(1, 20).evident().is_none());
    }
}
