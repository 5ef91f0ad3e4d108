//! Two JPEG pictures in one file: segments, and the Multi-Picture Format index (CIPA DC-007) that locates the second.
use std::ops::Range;

/// Signatures of the XMP segment (ISO 16684-3, 3.3.3), the ISO 21496-1 segment, and the index.
pub(super) const XMP: &[u8] = b"http://ns.adobe.com/xap/1.0/\0";
pub(super) const ISO: &[u8] = b"urn:iso:std:iso:ts:21496:-1\0";
const INDEX: &[u8] = b"MPF\0";

/// An APPn segment: its number n and its content.
pub(super) struct Segment {
    pub number: u8,
    pub payload: Vec<u8>,
}

/// Application segments of a picture with the offsets of their payloads, and the offset of the first other segment.
pub(super) struct Front<'a> {
    pub segments: Vec<(u8, usize, &'a [u8])>,
    pub end: usize,
}

impl<'a> Front<'a> {
    /// `None` if the bytes are no JPEG or end too early.
    pub fn of(jpeg: &'a [u8]) -> Option<Self> {
        if !jpeg.starts_with(&[0xff, 0xd8]) {
            return None;
        }
        let (mut at, mut segments) = (2, Vec::new());
        loop {
            let head = jpeg.get(at..at + 4)?;
            if head[0] != 0xff || !matches!(head[1], 0xe0..=0xef | 0xfe) {
                return Some(Front { segments, end: at });
            }
            let length = usize::from(u16::from_be_bytes([head[2], head[3]]));
            let payload = jpeg.get(at + 4..at + 2 + length.max(2))?;
            if head[1] != 0xfe {
                segments.push((head[1] - 0xe0, at + 4, payload));
            }
            at += 2 + length.max(2);
        }
    }

    /// Content after the signature `name` in a segment APPn.
    pub fn named(&self, number: u8, name: &[u8]) -> Option<&'a [u8]> {
        self.segments
            .iter()
            .filter(|(n, ..)| *n == number)
            .find_map(|(.., payload)| payload.strip_prefix(name))
    }

    /// Byte range of the second picture according to the index, in a file of `length` bytes.
    pub fn second(&self, length: usize) -> Option<Range<usize>> {
        let (_, place, payload) = self
            .segments
            .iter()
            .find(|(n, _, p)| *n == 2 && p.starts_with(INDEX))?;
        let origin = place + INDEX.len();
        let (size, offset) = entry(payload.get(INDEX.len()..)?, 1)?;
        let begin = origin.checked_add(offset)?;
        let end = begin.checked_add(size)?;
        (offset > 0 && end <= length).then_some(begin..end)
    }
}

/// Size and offset of picture `number` (from 0) in an index, a TIFF structure whose tag 0xb002 has 16 bytes for each
/// picture.
fn entry(index: &[u8], number: usize) -> Option<(usize, usize)> {
    let little = index.starts_with(b"II");
    let word = |at: usize| -> Option<u32> {
        let bytes: [u8; 4] = index.get(at..at + 4)?.try_into().ok()?;
        Some(if little {
            u32::from_le_bytes(bytes)
        } else {
            u32::from_be_bytes(bytes)
        })
    };
    let half = |at: usize| -> Option<u16> {
        let bytes: [u8; 2] = index.get(at..at + 2)?.try_into().ok()?;
        Some(if little {
            u16::from_le_bytes(bytes)
        } else {
            u16::from_be_bytes(bytes)
        })
    };
    let directory = word(4)? as usize;
    for k in 0..usize::from(half(directory)?) {
        let at = directory + 2 + 12 * k;
        if half(at)? == 0xb002 {
            let list = word(at + 8)? as usize + 16 * number;
            return Some((word(list + 4)? as usize, word(list + 8)? as usize));
        }
    }
    None
}

/// A picture with further application segments after its own.
pub(super) fn with_segments(jpeg: &[u8], segments: &[Segment]) -> Option<Vec<u8>> {
    let end = Front::of(jpeg)?.end;
    let mut out = jpeg[..end].to_vec();
    for segment in segments {
        let length = u16::try_from(segment.payload.len() + 2).ok()?;
        out.extend([0xff, 0xe0 + segment.number]);
        out.extend(length.to_be_bytes());
        out.extend_from_slice(&segment.payload);
    }
    out.extend_from_slice(&jpeg[end..]);
    Some(out)
}

/// The base picture with additional segments and an index, followed by the second picture.
pub(super) fn joined(base: &[u8], mut segments: Vec<Segment>, second: &[u8]) -> Option<Vec<u8>> {
    const LENGTH: usize = 8 + 2 + 3 * 12 + 4 + 2 * 16;
    let front = Front::of(base)?.end;
    let others: usize = segments.iter().map(|s| 4 + s.payload.len()).sum();
    let origin = front + others + 4 + INDEX.len();
    let size = base.len() + others + 4 + INDEX.len() + LENGTH;
    let index = index(
        u32::try_from(size).ok()?,
        second.len().try_into().ok()?,
        origin as u32,
    );
    segments.push(Segment {
        number: 2,
        payload: [INDEX, &index].concat(),
    });
    let mut out = with_segments(base, &segments)?;
    out.extend_from_slice(second);
    Some(out)
}

/// Index of two consecutive pictures (CIPA DC-007, 5.2): version, number, list of entries.
fn index(first_size: u32, second_size: u32, origin: u32) -> Vec<u8> {
    let mut out = b"MM\0\x2a\0\0\0\x08\0\x03".to_vec();
    let mut field = |tag: u16, kind: u16, count: u32, value: [u8; 4]| {
        out.extend(tag.to_be_bytes());
        out.extend(kind.to_be_bytes());
        out.extend(count.to_be_bytes());
        out.extend(value);
    };
    field(0xb000, 7, 4, *b"0100");
    field(0xb001, 4, 1, 2u32.to_be_bytes());
    field(0xb002, 7, 32, 50u32.to_be_bytes());
    out.extend([0; 4]);
    // the primary picture has offset 0 by definition; offsets count from the start of this structure
    for (kind, size, offset) in [
        (0x0003_0000u32, first_size, 0),
        (0, second_size, first_size - origin),
    ] {
        out.extend(kind.to_be_bytes());
        out.extend(size.to_be_bytes());
        out.extend(offset.to_be_bytes());
        out.extend([0; 4]);
    }
    out
}
