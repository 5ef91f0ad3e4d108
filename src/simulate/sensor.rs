//! The simulated camera: optics, sensor and in-camera processing as numbers.
use super::camera_curve::CameraCurve;
use super::processing::Processing;
use serde::{Deserialize, Serialize};
use stopspan_core::Error;

/// Unsharp masking of the encoded picture.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Sharpening {
    /// Share of the detail added, 0..=5; 0 is off.
    pub amount: f64,
    /// Standard deviation of the mask, pixels, 0..=20.
    pub radius: f64,
}

/// A camera. Fields missing from a JSON description have the values of [`Sensor::default`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Sensor {
    /// Full well at base sensitivity, electrons, 10..=1e7.
    pub full_well: f64,
    /// Read noise, electrons (one sigma), 0..=10000.
    pub read_noise: f64,
    /// Bits of the converter, 6..=16.
    pub adc_bits: u32,
    /// Black offset in converter codes, at most half of the range; negative noise is preserved down to it.
    pub black: f64,
    /// Photo-response non-uniformity: relative standard deviation from pixel to pixel, 0..=0.2.
    pub prnu: f64,
    /// Seed of the fixed pattern, common to all frames of the camera.
    pub pattern_seed: u64,
    /// Mean thermal electrons at relative exposure 1; proportional to relative exposure (a bracket in time).
    pub dark_electrons: f64,
    /// White-balance gains of red, green and blue, 1..=8: raw red is `1 / gain` as sensitive.
    pub white_balance: [f64; 3],
    /// Response curve.
    pub response: CameraCurve,
    /// Bits of an encoded sample: 8 or 16.
    pub output_bits: u32,
    /// Veiling glare: share of all light that is spread evenly over the frame, 0..=0.5.
    pub glare: f64,
    /// Standard deviation of the Gaussian point spread, pixels, 0..=20.
    pub blur: f64,
    /// Relative loss of light in the corners by the cosine-fourth law, 0..=0.9.
    pub vignetting: f64,
    /// Noise reduction: standard deviation of its smoothing, pixels, 0..=20; 0 is off.
    pub noise_reduction: f64,
    /// Sharpening.
    pub sharpening: Sharpening,
    /// Colour and black of the file.
    #[serde(skip_serializing_if = "is_default")]
    pub processing: Processing,
}

fn is_default(processing: &Processing) -> bool {
    *processing == Processing::default()
}

impl Default for Sensor {
    /// A small, clean camera: 8000 e-, 4 e-, 12 bits, IEC 61966-2-1, 8-bit samples, perfect optics.
    fn default() -> Self {
        Sensor {
            full_well: 8000.0,
            read_noise: 4.0,
            adc_bits: 12,
            black: 64.0,
            prnu: 0.0,
            pattern_seed: 1,
            dark_electrons: 0.0,
            white_balance: [1.0; 3],
            response: CameraCurve::Srgb,
            output_bits: 8,
            glare: 0.0,
            blur: 0.0,
            vignetting: 0.0,
            noise_reduction: 0.0,
            sharpening: Sharpening::default(),
            processing: Processing::default(),
        }
    }
}

impl Sensor {
    /// Largest converter code.
    pub fn top_code(&self) -> f64 {
        ((1u64 << self.adc_bits.min(32)) - 1) as f64
    }

    /// Gain K in converter codes per electron: the full well spans black to the top code.
    pub fn gain(&self) -> f64 {
        (self.top_code() - self.black) / self.full_well
    }

    /// Noise variance of one pixel with a mean of `electrons` (thermal included), before encoding, electrons squared:
    /// photon noise, read noise, quantisation and non-uniformity (the linear model of EMVA 1288).
    pub fn variance(&self, electrons: f64) -> f64 {
        let quantisation = 1.0 / (12.0 * self.gain() * self.gain());
        let pattern = (self.prnu * electrons).powi(2);
        electrons + self.read_noise.powi(2) + quantisation + pattern
    }

    /// The same camera at `gain` times the base sensitivity; the converter then saturates below the full well.
    pub fn at_gain(&self, gain: f64) -> Sensor {
        Sensor {
            full_well: self.full_well / gain,
            dark_electrons: self.dark_electrons / gain,
            ..self.clone()
        }
    }

    /// Checks the numbers against the ranges stated on the fields.
    ///
    /// # Errors
    /// [`Error::Scenario`] for a number out of range, with the name of the field.
    pub fn check(&self) -> Result<(), Error> {
        let top = self.top_code();
        let ranges = [
            ("full_well", self.full_well, 10.0, 1e7),
            ("read_noise", self.read_noise, 0.0, 1e4),
            ("adc_bits", f64::from(self.adc_bits), 6.0, 16.0),
            ("black", self.black, 0.0, top / 2.0),
            ("prnu", self.prnu, 0.0, 0.2),
            ("dark_electrons", self.dark_electrons, 0.0, 1e7),
            ("white_balance[0]", self.white_balance[0], 1.0, 8.0),
            ("white_balance[1]", self.white_balance[1], 1.0, 8.0),
            ("white_balance[2]", self.white_balance[2], 1.0, 8.0),
            ("glare", self.glare, 0.0, 0.5),
            ("blur", self.blur, 0.0, 20.0),
            ("vignetting", self.vignetting, 0.0, 0.9),
            ("noise_reduction", self.noise_reduction, 0.0, 20.0),
            ("sharpening.amount", self.sharpening.amount, 0.0, 5.0),
            ("sharpening.radius", self.sharpening.radius, 0.0, 20.0),
        ];
        for (field, value, low, high) in ranges {
            if !(low..=high).contains(&value) {
                let problem = format!("{value} is not within {low}..={high}");
                return Err(Error::scenario(format!("sensor.{field}"), problem));
            }
        }
        if !matches!(self.output_bits, 8 | 16) {
            let problem = format!("{} is neither 8 nor 16", self.output_bits);
            return Err(Error::scenario("sensor.output_bits", problem));
        }
        self.processing.check()?;
        self.response.check()
    }
}
