//! One exposure: light to electrons, converter codes, encoded levels, pixels.
use super::camera_curve::CameraCurve;
use super::finish;
use super::optics;
use super::random::Draws;
use super::sensor::Sensor;
use ndarray::{Array3, ArrayView2, ArrayViewMut2, Axis};
use rayon::prelude::*;
use stopspan_core::Error;
use stopspan_core::raster::Pixels;

/// One exposure of the camera.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shot {
    /// Factor from radiance to the share of saturation, > 0.
    pub relative_exposure: f64,
    /// Seed of the frame's noise.
    pub seed: u64,
    /// Row of the whole frame at which the light starts (0 unless only a strip is captured).
    pub first_row: u64,
}

/// Captures one frame of a scene. `radiance` has shape (rows, columns, 1 or 3), is finite and not negative, in units in
/// which `radiance * relative_exposure = 1` just saturates. Returns pixels of the sensor's output depth, same shape.
///
/// The result is independent of the number of threads, because every row draws from its own stream of `seed`.
///
/// # Errors
/// [`Error::Scenario`] if a number of the sensor, the exposure or the radiance is out of range.
pub fn capture(
    radiance: &Array3<f32>,
    relative_exposure: f64,
    sensor: &Sensor,
    seed: u64,
) -> Result<Pixels, Error> {
    sensor.check()?;
    check_light(radiance)?;
    let light = optics::irradiance(radiance, sensor);
    let shot = Shot {
        relative_exposure,
        seed,
        first_row: 0,
    };
    capture_light(&light, &shot, sensor)
}

/// Captures one frame of light that has already passed the optics (see [`optics::irradiance`]).
///
/// # Errors
/// [`Error::Scenario`] if a number of the sensor or the exposure is out of range.
pub fn capture_light(light: &Array3<f32>, shot: &Shot, sensor: &Sensor) -> Result<Pixels, Error> {
    check_shot(shot, sensor)?;
    let mut levels = expose(light, shot, sensor);
    if sensor.noise_reduction > 0.0 {
        levels = finish::reduce_noise(&levels, sensor.noise_reduction);
    }
    sensor.processing.saturate(&mut levels);
    if sensor.sharpening.amount > 0.0 {
        levels = finish::sharpen(&levels, &sensor.sharpening);
    }
    sensor.processing.set_black(&mut levels);
    Ok(quantise(&levels, sensor.output_bits))
}

/// The converter's codes of one frame of light that has already passed the optics, same shape, before any processing. The
/// noise is that of [`capture_light`] with the same shot.
///
/// # Errors
/// As [`capture_light`].
pub fn raw_codes(light: &Array3<f32>, shot: &Shot, sensor: &Sensor) -> Result<Array3<u16>, Error> {
    check_shot(shot, sensor)?;
    // Codes as levels: integers up to 65535 are exact in single precision.
    let codes: Vec<f32> = (0..=sensor.top_code() as usize).map(|c| c as f32).collect();
    let tables = vec![codes; light.dim().2];
    Ok(through(light, shot, sensor, &tables).mapv(|code| code as u16))
}

fn check_shot(shot: &Shot, sensor: &Sensor) -> Result<(), Error> {
    sensor.check()?;
    if !(shot.relative_exposure > 0.0 && shot.relative_exposure.is_finite()) {
        let problem = format!("{} is not a positive number", shot.relative_exposure);
        return Err(Error::scenario("relative_exposure", problem));
    }
    Ok(())
}

fn check_light(radiance: &Array3<f32>) -> Result<(), Error> {
    let channels = radiance.dim().2;
    if radiance.is_empty() || !matches!(channels, 1 | 3) {
        let problem = format!(
            "has shape {:?}, wanted rows x columns x (1 or 3)",
            radiance.dim()
        );
        return Err(Error::scenario("radiance", problem));
    }
    match radiance.iter().find(|v| !(v.is_finite() && **v >= 0.0)) {
        Some(bad) => {
            let problem = format!("holds {bad}, which is no amount of light");
            Err(Error::scenario("radiance", problem))
        }
        None => Ok(()),
    }
}

/// Noise, converter, white balance, colour matrix and response: levels 0..=1, before rounding to codes.
fn expose(light: &Array3<f32>, shot: &Shot, sensor: &Sensor) -> Array3<f32> {
    let processing = &sensor.processing;
    if light.dim().2 == 3 && !processing.keeps_channels() {
        let linear = Sensor {
            response: CameraCurve::Linear,
            ..sensor.clone()
        };
        let tables = sensor.white_balance.map(|gain| level_table(&linear, gain));
        let seen = through(&processing.sensor_light(light), shot, sensor, &tables);
        let level = |x: f32| sensor.response.level(f64::from(x)) as f32;
        return processing.file_light(&seen).mapv_into(level);
    }
    let tables: Vec<Vec<f32>> = (0..light.dim().2)
        .map(|channel| level_table(sensor, sensor.white_balance[channel]))
        .collect();
    through(light, shot, sensor, &tables)
}

/// Noise and converter, then the lookup table of each channel.
fn through(light: &Array3<f32>, shot: &Shot, sensor: &Sensor, tables: &[Vec<f32>]) -> Array3<f32> {
    let mut levels = Array3::zeros(light.dim());
    levels
        .axis_iter_mut(Axis(0))
        .into_par_iter()
        .zip(light.axis_iter(Axis(0)))
        .enumerate()
        .for_each(|(row, (to, from))| {
            let row = row as u64 + shot.first_row;
            expose_row(from, to, tables, &RowSetting { row, shot, sensor });
        });
    levels
}

struct RowSetting<'a> {
    row: u64,
    shot: &'a Shot,
    sensor: &'a Sensor,
}

fn expose_row(
    from: ArrayView2<f32>,
    mut to: ArrayViewMut2<f32>,
    tables: &[Vec<f32>],
    set: &RowSetting,
) {
    let sensor = set.sensor;
    let mut draws = Draws::new(set.shot.seed, set.row);
    let mut pattern = (sensor.prnu > 0.0).then(|| Draws::new(!sensor.pattern_seed, set.row));
    let (gain, top) = (sensor.gain(), sensor.top_code());
    let thermal = sensor.dark_electrons * set.shot.relative_exposure;
    for ((column, channel), &radiance) in from.indexed_iter() {
        let scale = set.shot.relative_exposure * sensor.full_well / sensor.white_balance[channel];
        let uneven = pattern
            .as_mut()
            .map_or(1.0, |p| 1.0 + sensor.prnu * p.normal());
        let mean = f64::from(radiance) * scale * uneven.max(0.0) + thermal;
        // Far beyond a full well the draw does not matter; the bound keeps it finite.
        let electrons = draws
            .poisson(mean.min(4.0 * sensor.full_well + 1e4))
            .min(sensor.full_well);
        let voltage = electrons + sensor.read_noise * draws.normal();
        let code = (gain * voltage + sensor.black).round().clamp(0.0, top);
        to[[column, channel]] = tables[channel][code as usize];
    }
}

/// Level of every converter code: black subtracted, white balance, response.
fn level_table(sensor: &Sensor, white_balance: f64) -> Vec<f32> {
    let top = sensor.top_code();
    let span = top - sensor.black;
    (0..=top as usize)
        .map(|code| {
            let exposure = (code as f64 - sensor.black) / span * white_balance;
            sensor.response.level(exposure) as f32
        })
        .collect()
}

/// Rounds levels to codes of 8 or 16 bits.
pub(super) fn quantise(levels: &Array3<f32>, bits: u32) -> Pixels {
    if bits == 16 {
        Pixels::U16(levels.mapv(|v| (v * 65535.0).round().clamp(0.0, 65535.0) as u16))
    } else {
        Pixels::U8(levels.mapv(|v| (v * 255.0).round().clamp(0.0, 255.0) as u8))
    }
}
