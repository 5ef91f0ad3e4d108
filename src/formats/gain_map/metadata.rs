//! Gain map metadata (ISO 21496-1): its formulas and its encoding.

/// Denominator of the fractions written: precise enough for values in stops, and 1/64 is exact.
const PARTS: f64 = 1_048_576.0;

/// Parameters of one channel of a gain map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChannelGain {
    /// Log2 gain of map value 0, stops.
    pub min: f64,
    /// Log2 gain of map value 1, stops.
    pub max: f64,
    /// Exponent applied to the normalised log gain, > 0.
    pub gamma: f64,
    /// Offset added to the light of the base picture, relative to reference white.
    pub base_offset: f64,
    /// Offset added to the light of the alternate picture, relative to reference white.
    pub alternate_offset: f64,
}

/// Metadata of a gain map. A headroom is log2 of a display's peak luminance over its reference white.
#[derive(Debug, Clone, PartialEq)]
pub struct GainMetadata {
    /// Headroom that the base picture was made for, stops.
    pub base_headroom: f64,
    /// Headroom that the alternate picture was made for, stops.
    pub alternate_headroom: f64,
    /// True if the gain applies in the primaries of the base picture.
    pub base_primaries: bool,
    /// One entry for all channels, or one each for R, G, B.
    pub channels: Vec<ChannelGain>,
}

impl ChannelGain {
    /// Log2 gain of a map value 0..=1.
    pub fn stops(&self, value: f64) -> f64 {
        self.min + (self.max - self.min) * value.clamp(0.0, 1.0).powf(1.0 / self.gamma)
    }

    /// Map value 0..=1 for a log2 gain, clamped.
    pub fn value(&self, stops: f64) -> f64 {
        let span = self.max - self.min;
        if span <= 0.0 {
            return 0.0;
        }
        ((stops - self.min) / span).clamp(0.0, 1.0).powf(self.gamma)
    }

    /// Light of the alternate picture at full weight, from that of the base picture and a log2 gain; relative to
    /// reference white.
    pub fn apply(&self, base: f64, stops: f64) -> f64 {
        (base + self.base_offset) * stops.exp2() - self.alternate_offset
    }

    /// True if all numbers are usable.
    fn sound(&self) -> bool {
        let all = [
            self.min,
            self.max,
            self.gamma,
            self.base_offset,
            self.alternate_offset,
        ];
        all.iter().all(|v| v.is_finite() && v.abs() < 1e4)
            && self.gamma > 0.0
            && self.max >= self.min
    }
}

impl GainMetadata {
    /// Payload of ISO 21496-1: versions, flags, headrooms, channels; big-endian, fractions with denominators.
    pub fn bytes(&self) -> Vec<u8> {
        let mut out = vec![0, 0, 0, 0]; // minimum version, writer version
        let channels = if self.channels.len() == 3 { 3 } else { 1 };
        out.push(u8::from(channels == 3) << 7 | u8::from(self.base_primaries) << 6);
        unsigned(&mut out, self.base_headroom);
        unsigned(&mut out, self.alternate_headroom);
        for channel in self.channels.iter().take(channels) {
            signed(&mut out, channel.min);
            signed(&mut out, channel.max);
            unsigned(&mut out, channel.gamma);
            signed(&mut out, channel.base_offset);
            signed(&mut out, channel.alternate_offset);
        }
        out
    }

    /// Parses the payload; `None` if it requires a later version, is truncated, or has unusable numbers.
    pub fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let (head, mut rest) = bytes.split_at_checked(5)?;
        if head[..2] != [0, 0] {
            return None;
        }
        let mut number = |is_signed: bool| -> Option<f64> {
            let (pair, after) = rest.split_at_checked(8)?;
            rest = after;
            let numerator = u32::from_be_bytes(pair[..4].try_into().ok()?);
            let denominator = u32::from_be_bytes(pair[4..].try_into().ok()?);
            let numerator = match is_signed {
                true => f64::from(numerator as i32),
                false => f64::from(numerator),
            };
            (denominator > 0).then(|| numerator / f64::from(denominator))
        };
        let base_headroom = number(false)?;
        let alternate_headroom = number(false)?;
        let count = if head[4] & 0x80 != 0 { 3 } else { 1 };
        let mut channels = Vec::with_capacity(count);
        for _ in 0..count {
            channels.push(ChannelGain {
                min: number(true)?,
                max: number(true)?,
                gamma: number(false)?,
                base_offset: number(true)?,
                alternate_offset: number(true)?,
            });
        }
        Self {
            base_headroom,
            alternate_headroom,
            base_primaries: head[4] & 0x40 != 0,
            channels,
        }
        .if_sound()
    }

    /// Returns the metadata if all numbers are usable.
    pub(super) fn if_sound(self) -> Option<Self> {
        let headrooms = [self.base_headroom, self.alternate_headroom];
        let sound = headrooms
            .iter()
            .all(|h| h.is_finite() && (0.0..64.0).contains(h))
            && matches!(self.channels.len(), 1 | 3)
            && self.channels.iter().all(ChannelGain::sound);
        sound.then_some(self)
    }
}

fn unsigned(out: &mut Vec<u8>, value: f64) {
    out.extend(((value * PARTS).round() as u32).to_be_bytes());
    out.extend((PARTS as u32).to_be_bytes());
}

fn signed(out: &mut Vec<u8>, value: f64) {
    out.extend(((value * PARTS).round() as i32).to_be_bytes());
    out.extend((PARTS as u32).to_be_bytes());
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channel(min: f64) -> ChannelGain {
        ChannelGain {
            min,
            max: 2.5,
            gamma: 0.75,
            base_offset: 1.0 / 64.0,
            alternate_offset: -1.0 / 64.0,
        }
    }

    /// Payload sizes of ISO 21496-1: 21 + 40 bytes a channel.
    #[test]
    fn the_payload_comes_back_and_has_the_size_of_the_standard() {
        for (count, size) in [(1, 61), (3, 141)] {
            let metadata = GainMetadata {
                base_headroom: 0.0,
                alternate_headroom: 2.25,
                base_primaries: true,
                channels: (0..count).map(|k| channel(f64::from(k) - 0.5)).collect(),
            };
            let bytes = metadata.bytes();
            assert_eq!(bytes.len(), size);
            assert_eq!(GainMetadata::from_bytes(&bytes), Some(metadata));
            for cut in 0..size {
                assert_eq!(GainMetadata::from_bytes(&bytes[..cut]), None);
            }
            let mut later = bytes.clone();
            later[1] = 1;
            assert_eq!(GainMetadata::from_bytes(&later), None);
            let mut nothing = bytes;
            nothing[9..13].fill(0);
            assert_eq!(GainMetadata::from_bytes(&nothing), None);
        }
    }

    /// ISO 21496-1: an 8-bit map over 3 stops has steps of 3/255 stop, so the error is at most half of that.
    #[test]
    fn eight_bits_over_three_stops_are_within_half_a_step() {
        let channel = ChannelGain {
            min: -0.5,
            gamma: 1.0,
            ..channel(0.0)
        };
        for k in 0..3000 {
            let stops = f64::from(k) * 0.001 - 0.5;
            let code = (channel.value(stops) * 255.0).round();
            let back = channel.stops(code / 255.0);
            assert!((back - stops).abs() <= 1.5 / 255.0 + 1e-9, "{stops} {back}");
        }
    }
}
