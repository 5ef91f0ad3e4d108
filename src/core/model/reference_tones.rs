//! Where the reference frame had its mid-tones: what a picture of the map can be held to.
use super::{Response, ResponseCurve, ResponseMethod};
use crate::units::Estimate;
use serde::{Deserialize, Serialize};

/// Where the reference frame had its tones, log2 of radiance in the unit of the map (0 just clips that frame's green).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ReferenceTones {
    /// Of code 118 of 255, L* 50 by IEC 61966-2-1; -20..=10.
    pub mid_stops: f64,
    /// Of code 59 of 255, L* 25; less than `mid_stops`.
    pub dark_stops: f64,
    /// Red, green and blue of what that frame shows as a grey of codes 59, 118 and 210, log2 of radiance. `None` where they differ by
    /// no more than a tenth of a stop, and without three channels.
    #[serde(default)]
    pub greys: Option<Greys>,
}

/// Log2 radiance of red, green and blue at three codes, dark to light.
pub type Greys = [[f64; 3]; 3];

/// Codes of [`ReferenceTones::greys`].
const CODES: [f64; 3] = [59.0, 118.0, 210.0];
/// Differences of the channels up to which greys count as neutral, stops (judgement: curves of single channels of one camera differ
/// by a few hundredths).
const NEUTRAL: f64 = 0.1;

impl ReferenceTones {
    /// L* of the two tones.
    pub const LIGHTNESS: [f64; 2] = [25.0, 50.0];
    /// The tones of a usual camera: the medians of the photographed frames that the default look was chosen on.
    pub const USUAL: Self = ReferenceTones {
        mid_stops: -3.25,
        dark_stops: -4.9,
        greys: None,
    };

    /// Tones that are numbers of a possible frame.
    pub fn new(mid_stops: f64, dark_stops: f64) -> Option<Self> {
        let possible = |stops: f64| (-20.0..=10.0).contains(&stops);
        (possible(mid_stops) && possible(dark_stops) && dark_stops + 0.1 < mid_stops).then_some(
            ReferenceTones {
                mid_stops,
                dark_stops,
                greys: None,
            },
        )
    }

    /// The same with greys, if those rise from code to code in every channel and are not neutral.
    pub fn with_greys(self, greys: Option<Greys>) -> Self {
        let sound = |greys: &Greys| {
            let rise = |k: usize| {
                (-30.0..greys[1][k]).contains(&greys[0][k])
                    && (greys[1][k]..10.0).contains(&greys[2][k])
            };
            let coloured = |[red, green, blue]: &[f64; 3]| {
                (red - green).abs().max((blue - green).abs()) > NEUTRAL
            };
            (0..3).all(rise) && greys.iter().any(coloured)
        };
        ReferenceTones {
            greys: greys.filter(sound),
            ..self
        }
    }

    /// Tones of a frame with this response and colour balance ([`Frame::balance`](super::Frame::balance)), for grey light;
    /// [`ReferenceTones::USUAL`] where frames are linear and no rendering of theirs is known.
    pub fn of(response: &Response, balance: &[Estimate; 3]) -> Self {
        if response.method == ResponseMethod::Linear {
            return Self::USUAL;
        }
        let curve = response
            .curves
            .get(super::main_channel(response.curves.len()));
        let of = |curve: Option<&ResponseCurve>, code: f64| {
            let exposure = curve.map_or(0.0, |c| c.exposure_at(code / 255.0));
            exposure.max(1e-9).log2()
        };
        let three = response.curves.len() == 3;
        let grey = |code, k: usize| of(response.curves.get(k), code) - balance[k].value;
        let greys = CODES.map(|code| [0, 1, 2].map(|k| grey(code, k)));
        let tones = Self::new(of(curve, 118.0), of(curve, 59.0)).unwrap_or(Self::USUAL);
        tones.with_greys(three.then_some(greys))
    }

    /// As text in the header of a file.
    pub fn text(&self) -> String {
        let greys = self.greys.iter().flatten().flatten();
        let numbers = [self.mid_stops, self.dark_stops].into_iter();
        let words: Vec<String> = numbers
            .chain(greys.copied())
            .map(|n| format!("{n:.4}"))
            .collect();
        words.join(" ")
    }

    /// From [`ReferenceTones::text`].
    pub fn from_text(text: &str) -> Option<Self> {
        let numbers: Result<Vec<f64>, _> = text.split_whitespace().map(str::parse).collect();
        match numbers.ok()?.as_slice() {
            [mid, dark] => Self::new(*mid, *dark),
            [mid, dark, greys @ ..] => {
                let greys = greys.as_chunks::<3>();
                let three: [[f64; 3]; 3] = greys.0.try_into().ok()?;
                let tones = Self::new(*mid, *dark)?;
                greys.1.is_empty().then(|| tones.with_greys(Some(three)))
            }
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::UNCHANGED;
    use super::*;

    #[test]
    fn a_frame_encoded_as_srgb_has_its_tones_where_the_standard_has_them() {
        // IEC 61966-2-1: codes 118 and 59 are 0.1812 and 0.0437 of the light of code 255.
        let entries = 4096;
        let decoded = |v: f64| {
            if v <= 0.04045 {
                v / 12.92
            } else {
                ((v + 0.055) / 1.055).powf(2.4)
            }
        };
        let last = f64::from(entries - 1);
        let curve = ResponseCurve {
            exposure: (0..entries).map(|i| decoded(f64::from(i) / last)).collect(),
            ..ResponseCurve::linear(entries as usize, 1.0)
        };
        let response = Response {
            method: ResponseMethod::Srgb,
            curves: vec![curve],
            residual_stops: 0.0,
            samples: 0,
        };
        let tones = ReferenceTones::of(&response, &UNCHANGED);
        assert!(
            (tones.mid_stops - 0.1812f64.log2()).abs() < 1e-3,
            "{tones:?}"
        );
        assert!(
            (tones.dark_stops - 0.0437f64.log2()).abs() < 2e-3,
            "{tones:?}"
        );
        let back = ReferenceTones::from_text(&tones.text()).unwrap();
        assert!((back.mid_stops - tones.mid_stops).abs() < 1e-4);
        for wrong in ["", "1", "nan 0", "-5 -3", "-3 -5 1", "-3 x"] {
            assert_eq!(ReferenceTones::from_text(wrong), None, "{wrong}");
        }
    }
    #[test]
    fn greys_of_curves_that_differ_are_kept_and_read_back() {
        let curve = |power: f64| ResponseCurve {
            exposure: (0..256)
                .map(|i| (f64::from(i) / 255.0).powf(power))
                .collect(),
            ..ResponseCurve::linear(256, 1.0)
        };
        let response = |blue: f64| Response {
            method: ResponseMethod::Srgb,
            curves: vec![curve(2.2), curve(2.2), curve(blue)],
            residual_stops: 0.0,
            samples: 0,
        };
        assert_eq!(ReferenceTones::of(&response(2.2), &UNCHANGED).greys, None);
        let tones = ReferenceTones::of(&response(1.8), &UNCHANGED);
        let greys = tones.greys.unwrap();
        // Powers: log2 of a code's radiance is 1.8 over 2.2 of that in green.
        assert!(
            (greys[0][2] / greys[0][1] - 1.8 / 2.2).abs() < 1e-3,
            "{greys:?}"
        );
        // A frame with more blue shows as grey what has less.
        let mut bluer = UNCHANGED;
        bluer[2].value = 0.2;
        let shifted = ReferenceTones::of(&response(1.8), &bluer).greys.unwrap();
        assert!((greys[1][2] - shifted[1][2] - 0.2).abs() < 1e-9);
        let back = ReferenceTones::from_text(&tones.text()).unwrap();
        let apart = |i: usize, k: usize| (back.greys.unwrap()[i][k] - greys[i][k]).abs();
        assert!((0..9).all(|n| apart(n / 3, n % 3) < 1e-4));
    }
}
