//! Light that flickers from row to row: the ripple that lamps on the mains and dimmed LEDs leave down the rows of a frame that
//! are read one after another.
//!
//! The median over a row of the log ratio of two frames through the response, free of what hangs on the level alone and of slow
//! change, is searched for a sine by least squares (Lomb 1976); it counts where it stands far out of its neighbourhood.
use rayon::prelude::*;
use stopspan_core::finding::Finding;
use stopspan_core::model::Bracket;
use stopspan_core::model::main_channel;
use stopspan_core::model::{Response, ResponseCurve};
use stopspan_core::raster::{Pixels, Point, Transform};
use stopspan_core::statistics::robust::median;

/// Bands of rows at most, and samples across a band, about.
const BANDS: usize = 1024;
const ACROSS: usize = 160;
/// Samples a band needs.
const ENOUGH: usize = 30;
/// Codes of 255 above the floor and below the clip level that are not used.
const MARGIN: f64 = 8.0;
/// Bins of level whose medians are taken out.
const LEVELS: usize = 48;
/// Degree of the slow change that is taken out.
const SLOW: usize = 4;
/// Cycles down the frame at least; rows a cycle at least.
const LEAST: (f64, f64) = (2.0, 12.0);
/// Smallest amplitude (share of light) that is said: 0.008 stop. What registration leaves of texture reaches 0.006.
const SEEN: f64 = 0.008;
/// Power over the mean of its neighbourhood: noise comes there once in e^25.
const ABOVE: f64 = 25.0;
/// Power of a line of the scene over what is beside it, and its amplitude over that of the ripple, from which it is the scene's.
const LINE: f64 = 4.0;
const STRONGER: f64 = 3.0;
/// Rows of a unit of coding of JPEG with halved chroma, whose ripple is not the light's.
const CODED: f64 = 16.0;

/// Ripple of one frame's light against the reference's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Banding {
    /// Amplitude, share of the light (0.03: 3 % up and down).
    pub amplitude: f64,
    /// Cycles over the height of the frame.
    pub cycles: f64,
}

impl Banding {
    /// Standard deviation of a row's exposure, stops.
    pub fn stops(&self) -> f64 {
        self.amplitude / std::f64::consts::SQRT_2 / std::f64::consts::LN_2
    }
}

/// Adds the ripple of every frame to the uncertainty of its exposure, and a finding.
pub fn account_for(bracket: &mut Bracket, response: &Response) {
    let found = measure(bracket, response);
    for (frame, banding) in bracket.frames.iter_mut().zip(found) {
        let Some(banding) = banding else { continue };
        let used = &mut frame.exposure.used;
        used.standard_uncertainty = used.standard_uncertainty.hypot(banding.stops());
        bracket.findings.push(Finding::Banding {
            frame: frame.name(),
            amplitude_percent: 100.0 * banding.amplitude,
            cycles: banding.cycles,
            widened_stops: banding.stops(),
        });
    }
}

/// Ripple of every frame against the reference, in the bracket's order; `None` where there is none, or where it cannot be seen.
pub fn measure(bracket: &Bracket, response: &Response) -> Vec<Option<Banding>> {
    let channel = main_channel(response.curves.len());
    let Some(light) = response.curves.get(channel).map(Light::new) else {
        return vec![None; bracket.frames.len()];
    };
    let of = |j: usize| {
        let (frame, reference) = (&bracket.frames[j], bracket.reference_frame());
        let pair = Pair {
            pixels: [&reference.picture.pixels, &frame.picture.pixels],
            transform: frame.transform,
            light: &light,
            channel,
        };
        if j == bracket.reference {
            return None;
        }
        let found = ripple(&pair.profile()?, frame.picture.pixels.rows())?;
        // The scene is looked at only where something was found.
        (!of_the_scene(&pair.scene(), &found)).then_some(Banding {
            amplitude: found.amplitude,
            cycles: found.cycles,
        })
    };
    (0..bracket.frames.len()).into_par_iter().map(of).collect()
}

/// Natural logarithm of exposure by level.
struct Light {
    table: Vec<f64>,
    low: f64,
    high: f64,
    /// By 8-bit code; no number where that is not used.
    by_code: [f64; 256],
}

impl Light {
    fn new(curve: &ResponseCurve) -> Self {
        let entry = |i: usize| curve.exposure_at(i as f64 / 4095.0).max(1e-12).ln();
        let mut light = Light {
            table: (0..4096).map(entry).collect(),
            low: curve.floor_level + MARGIN / 255.0,
            high: curve.clip_level - MARGIN / 255.0,
            by_code: [f64::NAN; 256],
        };
        light.by_code = std::array::from_fn(|code| light.at(code as f64 / 255.0));
        light
    }

    /// No number where the level is not used.
    fn at(&self, level: f64) -> f64 {
        if level > self.low && level < self.high {
            self.within(level)
        } else {
            f64::NAN
        }
    }

    /// The same for any level, the nearest that is used where it is not.
    fn within(&self, level: f64) -> f64 {
        let place = level.clamp(self.low, self.high) * 4095.0;
        let i = (place as usize).min(4094);
        let (a, b) = (self.table[i], self.table[i + 1]);
        a + (place - i as f64) * (b - a)
    }

    /// Level and log light of a pixel.
    #[inline]
    fn of(&self, pixels: &Pixels, at: [usize; 3]) -> (f64, f64) {
        if let Pixels::U8(codes) = pixels {
            let code = codes[at];
            return (f64::from(code) / 255.0, self.by_code[usize::from(code)]);
        }
        let level = f64::from(pixels.level(at[0], at[1], at[2]));
        (level, self.at(level))
    }
}

struct Pair<'a> {
    /// Of the reference, of the frame.
    pixels: [&'a Pixels; 2],
    transform: Option<Transform>,
    light: &'a Light,
    channel: usize,
}

impl Pair<'_> {
    /// The reference's level and the log ratio at a pixel of the reference, where both see it well.
    fn at(&self, row: usize, column: usize) -> Option<(f64, f64)> {
        let [fixed, moving] = self.pixels;
        let (r, c) = match self.transform {
            None => (row, column),
            Some(map) => {
                let at = map.apply(Point {
                    x: column as f64 + 0.5,
                    y: row as f64 + 0.5,
                })?;
                let inside = at.x >= 0.0 && at.y >= 0.0;
                inside.then_some((at.y as usize, at.x as usize))?
            }
        };
        if r >= moving.rows() || c >= moving.columns() {
            return None;
        }
        let (here, light) = self.light.of(fixed, [row, column, self.channel]);
        let ratio = self.light.of(moving, [r, c, self.channel]).1 - light;
        (!ratio.is_nan()).then_some((here, ratio))
    }

    /// Calls `look` with row and column at places spread over every band of rows, and gives what it finds by band, with the place
    /// of the band down the frame, 0..1.
    fn bands<T>(&self, look: impl Fn(usize, usize) -> Option<T>) -> Vec<(f64, Vec<T>)> {
        let (rows, columns) = (self.pixels[0].rows(), self.pixels[0].columns());
        let high = rows.div_ceil(BANDS).max(1);
        let apart = (columns * high / ACROSS).max(1);
        let band = |band: usize| {
            let pixels = (0..columns * high).step_by(apart);
            let places = pixels.map(|i| (band * high + i % high, i / high));
            let found = places.filter_map(|(r, c)| look(r, c)).collect();
            ((band as f64 + 0.5) * high as f64 / rows as f64, found)
        };
        (0..rows / high).map(band).collect()
    }

    /// Median log light of the reference by band of rows, whether the other frame sees it or not.
    fn scene(&self) -> Profile {
        let light = |r, c| {
            let level = f64::from(self.pixels[0].level(r, c, self.channel));
            Some(self.light.within(level))
        };
        let bands = self.bands(light).into_iter();
        Profile::new(bands.filter_map(|(t, v)| Some((t, median(&v)?))).collect())
    }

    /// Median log ratio by band of rows, of the bands where it is seen well.
    fn profile(&self) -> Option<Profile> {
        let bands: Vec<(f64, Vec<(f64, f64)>)> = self.bands(|r, c| self.at(r, c));
        let bin = |level: f64| ((level * LEVELS as f64) as usize).min(LEVELS - 1);
        let mut by_level = vec![Vec::new(); LEVELS];
        for &(level, ratio) in bands.iter().flat_map(|b| &b.1) {
            by_level[bin(level)].push(ratio);
        }
        let usual: Vec<f64> = by_level.iter().map(|v| median(v).unwrap_or(0.0)).collect();
        let of_band = |(place, band): &(f64, Vec<(f64, f64)>)| {
            let left: Vec<f64> = band.iter().map(|(l, v)| v - usual[bin(*l)]).collect();
            (left.len() >= ENOUGH).then_some((*place, median(&left)?))
        };
        let points: Vec<_> = bands.iter().filter_map(of_band).collect();
        (points.len() >= 64 && 2 * points.len() >= bands.len()).then(|| Profile::new(points))
    }
}

/// Values down the frame.
struct Profile {
    /// Places, 0..1.
    places: Vec<f64>,
    /// Values without slow change.
    values: Vec<f64>,
    /// An orthonormal basis of slow change.
    slow: Vec<Vec<f64>>,
}

/// Eight sums side by side, so that none waits for the one before.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 8];
    let (a, b) = (a.as_chunks::<8>(), b.as_chunks::<8>());
    for (a, b) in a.0.iter().zip(b.0) {
        for (sum, (a, b)) in sums.iter_mut().zip(a.iter().zip(b)) {
            *sum += a * b;
        }
    }
    let rest = a.1.iter().zip(b.1).map(|(a, b)| a * b);
    sums.iter().copied().chain(rest).sum()
}

/// What of `values` the orthonormal `basis` does not hold.
fn beside(mut values: Vec<f64>, basis: &[Vec<f64>]) -> Vec<f64> {
    for part in basis {
        let size = dot(&values, part);
        values
            .iter_mut()
            .zip(part)
            .for_each(|(v, p)| *v -= size * p);
    }
    values
}

impl Profile {
    /// Of (place, value).
    fn new(points: Vec<(f64, f64)>) -> Self {
        let (places, values): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
        let mut slow: Vec<Vec<f64>> = Vec::new();
        for degree in 0..=SLOW {
            let power = places.iter().map(|t| (2.0 * t - 1.0).powi(degree as i32));
            let new = beside(power.collect(), &slow);
            let length = dot(&new, &new).sqrt();
            slow.push(new.iter().map(|v| v / length).collect());
        }
        Profile {
            values: beside(values, &slow),
            places,
            slow,
        }
    }

    /// The waves of one frequency at the places: cosines, sines.
    fn waves(&self, cycles: f64) -> Waves {
        let wave = |t: &f64| (std::f64::consts::TAU * cycles * t).sin_cos();
        let (sines, cosines) = self.places.iter().map(wave).unzip();
        Waves {
            cycles,
            cosines,
            sines,
        }
    }

    /// The sine of one frequency fitted to the values.
    fn line(&self, cycles: f64) -> Line {
        self.fit(&self.waves(cycles))
    }

    /// The same at `count` frequencies from `first` on, `step` apart; each one's waves are those before, turned.
    fn lines(&self, first: f64, step: f64, count: usize) -> Vec<Line> {
        let (mut waves, turn) = (self.waves(first), self.waves(step));
        let each = |_| {
            let line = self.fit(&waves);
            waves.turn(&turn);
            line
        };
        (0..count).map(each).collect()
    }

    fn fit(&self, waves: &Waves) -> Line {
        let (a, b) = (&waves.cosines, &waves.sines);
        // Products of what the slow change does not hold, of which the values have nothing.
        let held: Vec<(f64, f64)> = self.slow.iter().map(|s| (dot(s, a), dot(s, b))).collect();
        let beside =
            |all: f64, part: fn(&(f64, f64)) -> f64| all - held.iter().map(part).sum::<f64>();
        let u = beside(dot(a, a), |h| h.0 * h.0).max(1e-12);
        let turned = beside(dot(a, b), |h| h.0 * h.1) / u;
        let v = (beside(dot(b, b), |h| h.1 * h.1) - turned * turned * u).max(1e-12);
        let (ya, yb) = (dot(&self.values, a), dot(&self.values, b));
        let (x, y) = (ya / u, (yb - turned * ya) / v);
        Line {
            cycles: waves.cycles,
            power: x * x * u + y * y * v,
            amplitude: (x - turned * y).hypot(y),
        }
    }
}

/// Cosines and sines of one frequency at the places of a profile.
struct Waves {
    cycles: f64,
    cosines: Vec<f64>,
    sines: Vec<f64>,
}

impl Waves {
    /// On to the sum of both frequencies.
    fn turn(&mut self, by: &Waves) {
        self.cycles += by.cycles;
        let turns = by.cosines.iter().zip(&by.sines);
        for ((c, s), (cos, sin)) in self.cosines.iter_mut().zip(&mut self.sines).zip(turns) {
            (*c, *s) = (*c * cos - *s * sin, *c * sin + *s * cos);
        }
    }
}

/// The sine that stands far out of a profile of a frame of so many rows.
fn ripple(profile: &Profile, rows: usize) -> Option<Line> {
    let most = (rows as f64 / LEAST.1).min(profile.places.len() as f64 / 4.0);
    let count = (2.0 * (most - LEAST.0)).max(0.0) as usize;
    let lines = profile.lines(LEAST.0, 0.5, count + 1);
    let coded = |f: f64| (rows as f64 / f / CODED - 1.0).abs() < 0.04;
    let highest = lines
        .iter()
        .filter(|l| !coded(l.cycles))
        .max_by(|a, b| a.power.total_cmp(&b.power))?;
    let around = |f: f64| {
        let best = highest.cycles;
        f > best / 3.0 && f < 3.0 * best + 8.0 && (f - best).abs() > 1.5
    };
    let others = lines.iter().filter(|l| around(l.cycles));
    let others: Vec<f64> = others.map(|l| l.power).collect();
    // The powers of noise are exponential: their median is ln 2 of their mean.
    let usual = median(&others)? / std::f64::consts::LN_2;
    if highest.power <= ABOVE * usual {
        return None;
    }
    let finer = (-8..=8).map(|i| (highest.cycles + 0.05 * f64::from(i)).max(LEAST.0));
    let best = finer
        .map(|f| profile.line(f))
        .max_by(|a, b| a.power.total_cmp(&b.power))?;
    (best.amplitude >= SEEN).then_some(best)
}

/// True where the scene has a line of its own down the rows at that frequency, as blinds and shelves do, and a strong one: what
/// compression and clipping leave of it then ripples from frame to frame too. A scene that is smooth has most at the
/// lowest frequencies, but no line there; and ripple of the reference's own light is no stronger than the ratio's.
fn of_the_scene(scene: &Profile, ripple: &Line) -> bool {
    let f = ripple.cycles;
    let strongest = |from: f64, to: f64| {
        let from = from.max(LEAST.0);
        let count = ((to - from) / 0.25 + 1.0).floor().max(0.0) as usize;
        let lines = scene.lines(from, 0.25, count).into_iter();
        lines.max_by(|a, b| a.power.total_cmp(&b.power))
    };
    let (below, above) = (strongest(0.6 * f, f - 1.5), strongest(f + 1.5, 1.6 * f));
    let (Some(line), Some(below)) = (strongest(f - 0.5, f + 0.5), below) else {
        return false;
    };
    let beside = above.map_or(0.0, |l| l.power).max(below.power);
    line.power > LINE * beside && line.amplitude > STRONGER * ripple.amplitude
}

/// A sine of one frequency.
struct Line {
    cycles: f64,
    /// What it takes of the sum of squares.
    power: f64,
    amplitude: f64,
}
