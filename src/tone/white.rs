//! Where every frame clips, the map knows a least radiance and no more; the picture shows it white, as any photograph does.
use super::default_look::tone_of;
use super::scene::{Metering, log2};
use stopspan_core::model::{RadianceMap, flag};

/// Pixels looked at, about.
const SAMPLES: usize = 40_000;
/// Least number of these that clip.
const FEWEST: usize = 40;
/// Share of the pixels that clip whose luminance lies below white: a coloured light clips in one channel and is darker.
const COLOURED: f64 = 0.9;
/// Stops below the luminance of white over which tones rise to it.
const RISE: f32 = 0.3;
/// L* of white.
const LIGHTNESS: f64 = 97.5;

/// Tones at and above the luminance at which every frame clips.
#[derive(Debug, Clone, Copy)]
pub(super) struct White {
    /// Log2 luminance from which pixels are clipped in every frame.
    from: f32,
    /// Tone of white.
    tone: f32,
}

impl White {
    /// `None` where hardly a pixel is clipped in all frames.
    pub fn of(map: &RadianceMap, metering: Metering) -> Option<White> {
        let (rows, columns, channels) = map.radiance.dim();
        let (light, flags) = (map.radiance.as_slice()?, map.flags.as_slice()?);
        if flags.len() != rows * columns {
            return None;
        }
        let pixels = light.chunks_exact(channels).zip(flags);
        let mut logs: Vec<f32> = pixels
            .step_by((rows * columns).div_ceil(SAMPLES).max(1))
            .filter(|(_, flags)| **flags & flag::CLIPPED_IN_ALL != 0)
            .map(|(pixel, _)| log2(metering.luminance(pixel).min(1e30)))
            .collect();
        if logs.len() < FEWEST {
            return None;
        }
        let at = (COLOURED * (logs.len() - 1) as f64) as usize;
        let (_, from, _) = logs.select_nth_unstable_by(at, f32::total_cmp);
        Some(White {
            // Radiance is that of the frame it was last seen in, with its noise.
            from: *from - 0.5 * RISE,
            tone: tone_of(LIGHTNESS) as f32,
        })
    }

    /// Raises tones, of pixels with these log2 luminances, to white.
    pub fn raise(&self, logs: &[f32], tones: &mut [f32]) {
        for (tone, &log) in tones.iter_mut().zip(logs) {
            let way = ((log - self.from) / RISE + 1.0).clamp(0.0, 1.0);
            *tone += way * way * (3.0 - 2.0 * way) * (self.tone - *tone).max(0.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Tones below stay, tones from there on are white, and between them none is darker than one of less light.
    #[test]
    fn only_what_clips_is_white() {
        let white = White {
            from: 4.0,
            tone: 3.5,
        };
        let logs: Vec<f32> = (0..100).map(|i| 3.0 + i as f32 / 50.0).collect();
        let before: Vec<f32> = logs.iter().map(|log| 2.0 + 0.2 * log).collect();
        let mut tones = before.clone();
        white.raise(&logs, &mut tones);
        for ((log, tone), before) in logs.iter().zip(&tones).zip(&before) {
            assert!(*log > 3.7 || tone == before);
            assert!(*log < 4.0 || *tone == 3.5);
        }
        assert!(tones.windows(2).all(|pair| pair[1] >= pair[0]));
    }
}
