//! Where the reference frame had its mid-tones: what a picture of the map can be held to.
use super::{Response, ResponseMethod};
use serde::{Deserialize, Serialize};

/// Where the reference frame had its tones, log2 of radiance in the unit of the map (0 just clips that frame's green).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ReferenceTones {
    /// Of code 118 of 255, L* 50 by IEC 61966-2-1; -20..=10.
    pub mid_stops: f64,
    /// Of code 59 of 255, L* 25; less than `mid_stops`.
    pub dark_stops: f64,
}

impl ReferenceTones {
    /// L* of the two tones.
    pub const LIGHTNESS: [f64; 2] = [25.0, 50.0];
    /// The tones of a usual camera: the medians of the photographed frames that the default look was chosen on.
    pub const USUAL: Self = ReferenceTones {
        mid_stops: -3.25,
        dark_stops: -4.9,
    };

    /// Tones that are numbers of a possible frame.
    pub fn new(mid_stops: f64, dark_stops: f64) -> Option<Self> {
        let possible = |stops: f64| (-20.0..=10.0).contains(&stops);
        (possible(mid_stops) && possible(dark_stops) && dark_stops + 0.1 < mid_stops).then_some(
            ReferenceTones {
                mid_stops,
                dark_stops,
            },
        )
    }

    /// Tones of a frame with this response, for grey light; [`ReferenceTones::USUAL`] where frames are linear and no
    /// rendering of theirs is known.
    pub fn of(response: &Response) -> Self {
        if response.method == ResponseMethod::Linear {
            return Self::USUAL;
        }
        let curve = response
            .curves
            .get(super::main_channel(response.curves.len()));
        let stops = |code: f64| {
            let exposure = curve.map_or(0.0, |c| c.exposure_at(code / 255.0));
            exposure.max(1e-9).log2()
        };
        Self::new(stops(118.0), stops(59.0)).unwrap_or(Self::USUAL)
    }

    /// As text in the header of a file.
    pub fn text(&self) -> String {
        format!("{:.4} {:.4}", self.mid_stops, self.dark_stops)
    }

    /// From [`ReferenceTones::text`].
    pub fn from_text(text: &str) -> Option<Self> {
        let mut numbers = text.split_whitespace().map(str::parse::<f64>);
        match (numbers.next(), numbers.next(), numbers.next()) {
            (Some(Ok(mid)), Some(Ok(dark)), None) => Self::new(mid, dark),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::ResponseCurve;
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
        let tones = ReferenceTones::of(&response);
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
}
