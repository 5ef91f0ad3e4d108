//! Neutral greys: light whose colour the reference frame shows as grey.
//!
//! One curve a channel holds for greys only where a camera encodes its channels alike. Where a scene is all of one colour, the curves that
//! are recovered hold for that colour, and a map made with them has greys with a cast that changes with the level. A map has the white
//! balance of most frames, which may not be the reference frame's. The reference frame is
//! the anchor of the look, so that red and blue are shown at the exposure at which green has the code that they have in it.
use super::scene::{exp2, log2};
use stopspan_core::model::{Greys, ReferenceTones};

/// For red and blue: their log2 radiance at three codes, and what is to be added to it for that of green at these codes, stops.
#[derive(Debug, Clone, Copy)]
pub(super) struct Neutral([Shifts; 2]);

#[derive(Debug, Clone, Copy)]
struct Shifts {
    at: [f32; 3],
    by: [f32; 3],
}

impl Neutral {
    /// `None` where greys are neutral in the map.
    pub fn of(reference: Option<ReferenceTones>) -> Option<Self> {
        let greys = reference?.greys?;
        Some(Neutral([0, 2].map(|channel| Shifts::of(&greys, channel))))
    }

    /// The pixels, red, green and blue, with greys neutral.
    #[inline(always)]
    pub fn apply_all<const LANES: usize>(&self, [red, _, blue]: &mut [[f32; LANES]; 3]) {
        for i in 0..LANES {
            red[i] = self.0[0].apply(red[i]);
            blue[i] = self.0[1].apply(blue[i]);
        }
    }
}

impl Shifts {
    fn of(greys: &Greys, channel: usize) -> Self {
        Shifts {
            at: greys.map(|grey| grey[channel] as f32),
            by: greys.map(|grey| (grey[1] - grey[channel]) as f32),
        }
    }

    /// Linear between the codes, constant beyond them.
    #[inline(always)]
    fn apply(&self, light: f32) -> f32 {
        let log = log2(light);
        let way = |k: usize| {
            let t = (log - self.at[k]) / (self.at[k + 1] - self.at[k]);
            t.clamp(0.0, 1.0) * (self.by[k + 1] - self.by[k])
        };
        light * exp2(self.by[0] + way(0) + way(1))
    }
}

#[cfg(test)]
mod tests {
    use super::super::{ToneSettings, render};
    use ndarray::Array3;
    use stopspan_core::model::{
        RadianceMap, ReferenceTones, Response, ResponseCurve, ResponseMethod, UNCHANGED,
    };
    use stopspan_core::units::Primaries;

    /// Closed form: greys that a frame shows with equal codes, through curves that are powers, are grey in the picture.
    #[test]
    fn what_the_frame_shows_as_grey_is_grey() {
        let powers = [2.2, 2.2, 1.75];
        let curve = |power: f64| ResponseCurve {
            exposure: (0..256)
                .map(|i| (f64::from(i) / 255.0).powf(power))
                .collect(),
            ..ResponseCurve::linear(256, 1.0)
        };
        let response = Response {
            method: ResponseMethod::Srgb,
            curves: powers.map(curve).to_vec(),
            residual_stops: 0.0,
            samples: 0,
        };
        let light = Array3::from_shape_fn((64, 192, 3), |(_, column, k)| {
            ((30 + column) as f64 / 255.0).powf(powers[k]) as f32
        });
        let map = RadianceMap::of_radiance(light, Primaries::SRGB);
        let cast = |reference: ReferenceTones| {
            let look = ToneSettings {
                reference: Some(reference),
                ..ToneSettings::default()
            };
            let codes = render(&map, &look);
            let middle = codes.index_axis(ndarray::Axis(0), 32);
            let casts = middle
                .rows()
                .into_iter()
                .map(|p| (f64::from(p[2]) - f64::from(p[1])).abs() / 257.0);
            casts.fold(0.0, f64::max)
        };
        let tones = ReferenceTones::of(&response, &UNCHANGED);
        let plain = ReferenceTones {
            greys: None,
            ..tones
        };
        let (before, after) = (cast(plain), cast(tones));
        // Largest cast of blue, codes of 255; last run 23.7 and 4.3.
        assert!(after < 6.0 && before > 20.0, "{before} {after}");
    }
}
