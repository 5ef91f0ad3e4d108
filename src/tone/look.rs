//! An operator prepared for one scene: tone of a pixel, local gain and tone curve, also for displays with headroom.
use super::colour::{Film, Mixing};
use super::colour_noise::colour_kept;
use super::curve::curve;
use super::default_look::Print;
use super::gain::{Gain, quantiles};
use super::headroom::Extended;
use super::histogram::Histogram;
use super::neutral::Neutral;
use super::scene::{Metering, Scene};
use super::settings::{Operator, ToneSettings};
use super::table::Table;
use super::tone_scale::{FRAME, tone_scale};
use super::white::White;
use super::{bilateral, default_look, hold_back, local_laplacian, logarithmic, photographic};
use ndarray::{Array2, Zip};
use stopspan_core::model::RadianceMap;
use stopspan_core::units::Primaries;

/// Contrast above mid grey with which the global operators are extended.
const PLAIN: f64 = 1.0;
/// Longest side of the small plane, pixels, for global operators and the bilateral filter, and for the default look.
const SMALL_SIDES: [usize; 2] = [512, 1024];

/// Shares of the scene between which there are grounds.
const GROUND_SHARES: [f64; 2] = [0.001, 0.9995];
/// Tones (see [`ReferenceTones`](stopspan_core::model::ReferenceTones)) of the film where no frame is known, dark and mid, stops:
/// between those of a usual camera and of IEC 61966-2-1.
const PLAIN_FILM: [f64; 2] = [-4.6, -2.7];

type Function = Box<dyn Fn(f64) -> f64 + Send + Sync>;

/// An operator for one scene. The tone of a pixel is its log2 luminance, or what [`Look::scale`] makes of that, plus the
/// local gain.
pub(super) struct Look {
    settings: ToneSettings,
    pub mixing: Mixing,
    pub metering: Metering,
    pub film: Film,
    pub scale: Option<Table>,
    pub gain: Option<Gain>,
    /// Share of colour kept at most, over log2 luminance.
    pub colour: Option<Table>,
    /// What every frame clips.
    pub white: Option<White>,
    /// Tone -> stops of scene light above mid grey.
    stops: Function,
    /// Stops above mid grey -> display luminance 0..=1.
    operator: Function,
    /// Contrast above mid grey on displays with headroom.
    contrast: f64,
    /// Stops above mid grey that hardly any of the scene exceeds.
    top: f64,
}

impl Look {
    /// Prepares the operator from one pass over the map, whose radiance must be in standard layout. `primaries` are
    /// those of the rendering.
    pub fn of(map: &RadianceMap, settings: &ToneSettings, primaries: Primaries) -> Self {
        let mixing = Mixing::new(map.primaries, primaries);
        if settings.operator == Operator::DefaultLook {
            return Look::of_default(map, settings, mixing);
        }
        let metering = Metering {
            weights: mixing.weights,
            floor: 0.0,
        };
        let scene = Scene::survey(map.radiance.view(), metering, SMALL_SIDES[0]);
        let mid = default_look::mid_log(&Histogram::of(&scene.small), settings.reference);
        let global = |operator: Function| Look {
            settings: *settings,
            mixing,
            metering,
            film: film(settings),
            scale: None,
            gain: None,
            colour: None,
            white: None,
            stops: Box::new(move |log| log - mid),
            operator: Box::new(move |stops| operator(stops + mid)),
            contrast: PLAIN,
            top: scene.top_log() - mid,
        };
        match settings.operator {
            Operator::Photographic => global(Box::new(photographic::operator(&scene, mid))),
            Operator::Logarithmic => global(Box::new(logarithmic::operator(&scene, mid))),
            Operator::Bilateral | Operator::DefaultLook => {
                let detail = settings.local_contrast_stops.exp2();
                let (gain, filtered) = filtered(&scene, mid, detail);
                Look {
                    gain: Some(gain),
                    top: top(&filtered) - mid,
                    ..global(Box::new(bilateral::operator(mid)))
                }
            }
        }
    }

    fn of_default(map: &RadianceMap, settings: &ToneSettings, mixing: Mixing) -> Self {
        let metering = Metering {
            weights: mixing.weights,
            floor: hold_back::floor(map, mixing.weights),
        };
        let scene = Scene::survey(map.radiance.view(), metering, SMALL_SIDES[1]);
        let histogram = Histogram::of(&scene.small);
        let mid = default_look::mid_log(&histogram, settings.reference);
        let film = film(settings);
        let tones = FRAME.map(|lightness| film.stops(lightness));
        let scale = tone_scale(&histogram, tones.map(|stops| mid + stops - tones[2]));
        let detail = settings.local_contrast_stops.exp2();
        let grounds = GROUND_SHARES.map(|share| histogram.quantile(share));
        // Blocks of several pixels have no holes.
        let whole = match scene.block {
            1 => hold_back::mended(&scene.small),
            _ => scene.small.clone(),
        };
        let mut boost = local_laplacian::boost(&whole, &scale, grounds, detail);
        if scene.block == 1 {
            let places = Zip::from(&mut boost).and(&whole).and(&scene.small);
            places.par_for_each(|boost, &to, &from| *boost += scale.at(to) - scale.at(from));
        }
        let own = |log: f64| f64::from(scale.slope(log as f32));
        let mut gain = Gain::fit(&whole, &boost, scene.block, local_laplacian::FLAT, own);
        if let Some(kept) = hold_back::kept(map, (metering, mid as f32), scene.block) {
            gain.hold_back(&whole, kept, |log| scale.slope(log));
        }
        let top = f64::from(scale.at(histogram.quantile(0.999) as f32));
        Look {
            settings: *settings,
            mixing,
            metering,
            film,
            scale: Some(scale),
            gain: Some(gain),
            colour: colour_kept(map, metering),
            white: White::of(map, metering),
            stops: Box::new(Print::stops),
            operator: Box::new(Print::luminance),
            contrast: default_look::BRIGHT_CONTRAST,
            top: Print::stops(top),
        }
    }

    /// What makes greys of the reference frame neutral.
    pub fn neutral(&self) -> Option<Neutral> {
        Neutral::of(self.settings.reference)
    }

    /// Saturation relative to what the film gives.
    pub fn saturation(&self) -> f32 {
        self.settings.saturation as f32
    }

    /// Tone curve for a display whose peak is reference white.
    pub fn curve(&self) -> Table {
        curve(&self.settings, 1.0, &self.stops, &self.operator)
    }

    /// Tone curve for a display whose peak is `peak` times reference white.
    pub fn extended(&self, peak: f64) -> Table {
        let top = self.top + self.settings.exposure_stops;
        let extended = Extended::new(&self.operator, self.contrast, top, peak);
        curve(&self.settings, peak, &self.stops, |stops| {
            extended.at(stops)
        })
    }
}

fn film(settings: &ToneSettings) -> Film {
    Film::through(film_tones(settings))
}

/// Tones of the frame, or of [`PLAIN_FILM`].
fn film_tones(settings: &ToneSettings) -> [f64; 2] {
    let tones = settings.reference;
    tones.map_or(PLAIN_FILM, |tones| [tones.dark_stops, tones.mid_stops])
}

fn top(filtered: &Array2<f32>) -> f64 {
    quantiles(filtered, 0.5, 0.999).1 + 0.25
}

/// The local gain of the bilateral operator, which leaves `mid` where it is, and the filtered small plane it produces.
fn filtered(scene: &Scene, mid: f64, detail: f64) -> (Gain, Array2<f32>) {
    // Black blocks would extend the range without being visible.
    let (low, _) = quantiles(&scene.small, 0.005, 1.0);
    let guide = scene.small.mapv(|v| v.max(low as f32 - 2.0));
    let base = bilateral::base(&guide);
    let contrast = bilateral::contrast(&base);
    let compressed = bilateral::compress(&guide, &base, contrast, mid, detail);
    let gain = Gain::fit(
        &guide,
        &(&compressed - &guide),
        scene.block,
        bilateral::FLAT,
        |_| 1.0,
    );
    (gain, compressed)
}
