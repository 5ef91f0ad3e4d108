//! Radiance maps on the screen: tiles of values, uncertainties and flags, and the look of a reduced map.
use super::kept::{Kept, Memory};
use super::limits::limits;
use super::pictures::{TILE, cannot_be_shown, tile_at};
use super::reduced::{Reduced, averaged};
use super::reply::{Answer, Refusal, Reply};
use super::shared::Shared;
use crate::pipeline::finished_bracket;
use ndarray::{Array2, Array3, Zip};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use stopspan_core::model::{RadianceMap, flag, main_channel};
use stopspan_formats as formats;
use stopspan_tone::{ToneSettings, to_8_bit};

/// Words for the flags, by bit.
const FLAGS: [(u16, &str); 7] = [
    (
        flag::CLIPPED_IN_ALL,
        "clipped in every frame: a lower bound",
    ),
    (flag::DARK_IN_ALL, "below the noise in every frame"),
    (flag::CLIPPED_IN_SOME, "clipped in some frames"),
    (flag::ONE_FRAME, "from one frame only"),
    (flag::UNCOVERED, "not covered by other frames"),
    (flag::MOVED, "something moved here"),
    (flag::OTHER_MOMENT, "of another moment than the reference"),
];

/// Maps kept in memory: the one used last, and no other beside it.
pub(super) struct Maps(Kept<OpenedMap>);

impl Default for Maps {
    fn default() -> Self {
        Maps(Kept::new(0))
    }
}

/// A map from a file, with smaller ones for the screen.
pub(super) struct OpenedMap {
    pub map: RadianceMap,
    tones: ToneSettings,
    /// Relative standard uncertainty of the main channel.
    uncertainty: Array2<f32>,
    levels: Vec<Reduced>,
    /// Averages over squares of the side given, for looks.
    averages: Mutex<Vec<(usize, Arc<RadianceMap>)>>,
}

impl Memory for OpenedMap {
    fn bytes(&self) -> usize {
        1 // one map is kept whatever its size
    }
}

impl OpenedMap {
    fn read(path: &std::path::Path) -> Result<Self, Refusal> {
        let opened = crate::pipeline::opened_map(path, &limits())?;
        let uncertainty = relative_uncertainty(&opened.map);
        let levels = Reduced::halves(&opened.map, &uncertainty, TILE);
        Ok(OpenedMap {
            tones: ToneSettings {
                reference: opened.header.reference_tones,
                ..ToneSettings::default()
            },
            uncertainty,
            levels,
            averages: Mutex::default(),
            map: opened.map,
        })
    }

    /// The map averaged so that it is at most `longest` pixels long.
    fn average(&self, longest: usize) -> Arc<RadianceMap> {
        let (rows, columns, _) = self.map.radiance.dim();
        let side = rows.max(columns).div_ceil(longest.max(64));
        let mut known = self.averages.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, average)) = known.iter().find(|(s, _)| *s == side) {
            return Arc::clone(average);
        }
        let average = Arc::new(averaged(&self.map, side));
        known.clear();
        known.push((side, Arc::clone(&average)));
        average
    }
}

/// Relative standard uncertainty of the main channel, noise and systematic part together; infinite where the value is not above
/// zero, 0 where the map states none.
fn relative_uncertainty(map: &RadianceMap) -> Array2<f32> {
    let channel = main_channel(map.radiance.dim().2);
    let of = |planes: &Array3<f32>| planes.index_axis(ndarray::Axis(2), channel).to_owned();
    let mut out = of(&map.radiance);
    Zip::from(&mut out)
        .and(&of(&map.statistical))
        .and(&of(&map.systematic))
        .par_for_each(|value, &noise, &systematic| {
            *value = match (noise == 0.0, *value > 0.0) {
                (true, _) => systematic,
                (false, true) => (noise / *value).hypot(systematic),
                (false, false) => f32::INFINITY,
            };
        });
    out
}

impl Maps {
    /// The map of an id.
    pub fn get(&self, desk: &Shared, id: &str) -> Result<Arc<OpenedMap>, Refusal> {
        let path = file(desk, id)?;
        self.0.get(&path, || OpenedMap::read(&path))
    }

    /// Size, levels, frames and flags of a map.
    pub fn about(&self, desk: &Shared, id: &str) -> Answer {
        let path = file(desk, id)?;
        let opened = self.get(desk, id)?;
        let (rows, columns, channels) = opened.map.radiance.dim();
        let bracket = path.parent().and_then(finished_bracket);
        let frames = bracket.iter().flat_map(|b| &b.entry.frames);
        let frames: Vec<&String> = frames.map(|f| &f.file).collect();
        let largest = opened.map.radiance.iter().copied().fold(0.0, f32::max);
        let flags = FLAGS.map(|(bit, words)| (bit.to_string(), Value::from(words)));
        Ok(Reply::json(&json!({
            "map": id, "columns": columns, "rows": rows, "tile": TILE, "levels": opened.levels.len() + 1,
            "channels": channels, "frames": frames, "largest": largest,
            "middle_stops": opened.tones.reference.map(|t| t.mid_stops),
            "flags": flags.into_iter().collect::<serde_json::Map<_, _>>(),
        })))
    }

    /// A tile of values: float R, G, B and relative uncertainty of every pixel, then the flags.
    pub fn tile(&self, desk: &Shared, id: &str, [level, x, y]: [usize; 3]) -> Answer {
        let opened = self.get(desk, id)?;
        let level = match level.checked_sub(1) {
            None => None,
            Some(n) => Some(opened.levels.get(n).ok_or_else(Refusal::unknown)?),
        };
        let (radiance, uncertainty, flags) = match level {
            None => (&opened.map.radiance, &opened.uncertainty, &opened.map.flags),
            Some(l) => (&l.radiance, &l.uncertainty, &l.flags),
        };
        let (rows, columns) = tile_at(flags.dim(), (x, y))?;
        let channels = radiance.dim().2;
        let (height, width) = (rows.len(), columns.len());
        let mut bytes = Vec::with_capacity(18 * height * width);
        for row in rows.clone() {
            for column in columns.clone() {
                for k in 0..3 {
                    let value = radiance[[row, column, k.min(channels - 1)]];
                    bytes.extend(value.to_le_bytes());
                }
                bytes.extend(uncertainty[[row, column]].to_le_bytes());
            }
        }
        for row in rows {
            for column in columns.clone() {
                bytes.extend(flags[[row, column]].to_le_bytes());
            }
        }
        let mut reply = Reply::bytes("application/octet-stream", bytes);
        reply.extra = vec![
            ("x-width", width.to_string()),
            ("x-height", height.to_string()),
        ];
        Ok(reply)
    }

    /// The look of the map at the size of a screen.
    pub fn look(&self, desk: &Shared, id: &str, longest: usize, look: ToneSettings) -> Answer {
        let opened = self.get(desk, id)?;
        let map = opened.average(longest);
        let look = ToneSettings {
            reference: opened.tones.reference,
            ..look
        };
        let codes = to_8_bit(&stopspan_tone::render(&map, &look));
        let jpeg = formats::preview_jpeg(codes.view(), u32::MAX, 90);
        Ok(Reply::bytes(
            "image/jpeg",
            jpeg.map_err(|e| cannot_be_shown(&e))?,
        ))
    }

    /// Lets maps go, where a run needs the memory.
    pub fn clear(&self) {
        self.0.clear();
    }
}

fn file(desk: &Shared, id: &str) -> Result<PathBuf, Refusal> {
    let path = desk.maps.path(id).ok_or_else(Refusal::unknown)?;
    desk.places.readable(&path)
}
