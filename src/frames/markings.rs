//! Nominal markings of time, f-number and speed, and the exact powers of two they denote.
//!
//! Cameras set exposure in halves or thirds of a stop from 1 s, f/1 and ISO 100 (the doubling series of ISO 2720 and
//! of APEX), but display and record rounded numbers: a shutter that runs 1/64 s is recorded as 1/60 s. The rounded
//! numbers are common practice, no source.

/// Subdivision of the stop to which a marking belongs; whole stops belong to both.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Series {
    /// Thirds of a stop.
    Third,
    /// Halves of a stop.
    Half,
}

/// A marking: numerator and denominator as written, in lowest terms, and the exact position in sixths of a stop from
/// the origin of its scale.
type Marking = (i64, i64, i32);

/// Seconds; the origin is 1 s; positive sixths are longer.
const TIME_THIRDS: &[Marking] = &[
    (1, 32000, -90),
    (1, 25000, -88),
    (1, 20000, -86),
    (1, 16000, -84),
    (1, 13000, -82),
    (1, 12500, -82),
    (1, 10000, -80),
    (1, 8000, -78),
    (1, 6400, -76),
    (1, 5000, -74),
    (1, 4000, -72),
    (1, 3200, -70),
    (1, 2500, -68),
    (1, 2000, -66),
    (1, 1600, -64),
    (1, 1250, -62),
    (1, 1000, -60),
    (1, 800, -58),
    (1, 640, -56),
    (1, 500, -54),
    (1, 400, -52),
    (1, 320, -50),
    (1, 250, -48),
    (1, 200, -46),
    (1, 160, -44),
    (1, 125, -42),
    (1, 100, -40),
    (1, 80, -38),
    (1, 60, -36),
    (1, 50, -34),
    (1, 40, -32),
    (1, 30, -30),
    (1, 25, -28),
    (1, 20, -26),
    (1, 15, -24),
    (1, 13, -22),
    (1, 10, -20),
    (1, 8, -18),
    (1, 6, -16),
    (1, 5, -14),
    (1, 4, -12),
    (3, 10, -10),
    (1, 3, -10),
    (2, 5, -8),
    (1, 2, -6),
    (3, 5, -4),
    (4, 5, -2),
    (1, 1, 0),
    (13, 10, 2),
    (8, 5, 4),
    (2, 1, 6),
    (5, 2, 8),
    (16, 5, 10),
    (4, 1, 12),
    (5, 1, 14),
    (6, 1, 16),
    (8, 1, 18),
    (10, 1, 20),
    (13, 1, 22),
    (15, 1, 24),
    (20, 1, 26),
    (25, 1, 28),
    (30, 1, 30),
];

/// Seconds; half stops between the whole ones of [`TIME_THIRDS`].
const TIME_HALVES: &[Marking] = &[
    (1, 6000, -75),
    (1, 3000, -69),
    (1, 1500, -63),
    (1, 750, -57),
    (1, 350, -51),
    (1, 180, -45),
    (1, 90, -39),
    (1, 45, -33),
    (1, 20, -27),
    (1, 10, -21),
    (1, 6, -15),
    (3, 10, -9),
    (7, 10, -3),
    (3, 2, 3),
    (3, 1, 9),
    (6, 1, 15),
    (10, 1, 21),
    (20, 1, 27),
];

/// F-numbers; the origin is f/1; positive sixths let in less light. N = 2^(sixths / 12).
const APERTURE_THIRDS: &[Marking] = &[
    (1, 1, 0),
    (11, 10, 2),
    (6, 5, 4),
    (7, 5, 6),
    (8, 5, 8),
    (9, 5, 10),
    (2, 1, 12),
    (11, 5, 14),
    (5, 2, 16),
    (14, 5, 18),
    (16, 5, 20),
    (7, 2, 22),
    (4, 1, 24),
    (9, 2, 26),
    (5, 1, 28),
    (28, 5, 30),
    (63, 10, 32),
    (71, 10, 34),
    (8, 1, 36),
    (9, 1, 38),
    (10, 1, 40),
    (11, 1, 42),
    (13, 1, 44),
    (14, 1, 46),
    (16, 1, 48),
    (18, 1, 50),
    (20, 1, 52),
    (22, 1, 54),
    (25, 1, 56),
    (29, 1, 58),
    (32, 1, 60),
];

/// F-numbers; half stops between the whole ones of [`APERTURE_THIRDS`].
const APERTURE_HALVES: &[Marking] = &[
    (6, 5, 3),
    (17, 10, 9),
    (12, 5, 15),
    (33, 10, 21),
    (24, 5, 27),
    (67, 10, 33),
    (19, 2, 39),
    (13, 1, 45),
    (19, 1, 51),
    (27, 1, 57),
];

/// ISO speeds. A decade has 10 thirds of a stop as marked, but the exact series doubles; the origin is ISO 100.
const SPEED_THIRDS: &[Marking] = &[
    (25, 1, -12),
    (32, 1, -10),
    (40, 1, -8),
    (50, 1, -6),
    (64, 1, -4),
    (80, 1, -2),
    (100, 1, 0),
    (125, 1, 2),
    (160, 1, 4),
    (200, 1, 6),
    (250, 1, 8),
    (320, 1, 10),
    (400, 1, 12),
    (500, 1, 14),
    (640, 1, 16),
    (800, 1, 18),
    (1000, 1, 20),
    (1250, 1, 22),
    (1600, 1, 24),
    (2000, 1, 26),
    (2500, 1, 28),
    (3200, 1, 30),
    (4000, 1, 32),
    (5000, 1, 34),
    (6400, 1, 36),
    (8000, 1, 38),
    (10000, 1, 40),
    (12800, 1, 42),
    (16000, 1, 44),
    (20000, 1, 46),
    (25600, 1, 48),
    (32000, 1, 50),
    (40000, 1, 52),
    (51200, 1, 54),
    (64000, 1, 56),
    (80000, 1, 58),
    (102400, 1, 60),
];

/// The quantity that a marking states.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// Exposure time, seconds.
    Time,
    /// F-number.
    Aperture,
    /// ISO speed.
    Speed,
}

impl Scale {
    fn tables(self) -> (&'static [Marking], &'static [Marking]) {
        match self {
            Scale::Time => (TIME_THIRDS, TIME_HALVES),
            Scale::Aperture => (APERTURE_THIRDS, APERTURE_HALVES),
            Scale::Speed => (SPEED_THIRDS, &[]),
        }
    }

    /// Exact value at `sixths` sixths of a stop from the origin (1 s, f/1, ISO 100).
    pub fn exact(self, sixths: i32) -> f64 {
        match self {
            Scale::Time => (f64::from(sixths) / 6.0).exp2(),
            Scale::Aperture => (f64::from(sixths) / 12.0).exp2(),
            Scale::Speed => 100.0 * (f64::from(sixths) / 6.0).exp2(),
        }
    }

    /// Change of light, stops, if the value changes by `factor`: +1 for twice the time or speed, -2 for twice N.
    pub fn stops(self, factor: f64) -> f64 {
        match self {
            Scale::Time | Scale::Speed => factor.log2(),
            Scale::Aperture => -2.0 * factor.log2(),
        }
    }

    /// Exact value denoted by a number written as `numerator / denominator` in a series; `None` if it is no marking
    /// of it. The fraction must equal the marking (10/1250 is 1/125); being close is not enough, as 16667/1000000 s
    /// is a measured time.
    pub fn marking(self, numerator: i64, denominator: i64, series: Series) -> Option<f64> {
        let (thirds, halves) = self.tables();
        let same = |m: &&Marking| {
            i128::from(m.0) * i128::from(denominator) == i128::from(numerator) * i128::from(m.1)
        };
        if numerator <= 0 || denominator <= 0 {
            return None;
        }
        let found = match series {
            Series::Third => thirds.iter().find(same),
            Series::Half => halves
                .iter()
                .find(same)
                .or_else(|| thirds.iter().filter(|m| m.2 % 6 == 0).find(same)),
        };
        found.map(|m| self.exact(m.2))
    }
}
