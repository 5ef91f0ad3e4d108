//! Lossless JPEG (ITU-T T.81, annex H) as used by DNG: Huffman coded prediction differences of 2 to 16 bits.
use super::super::fault::Fault;
use super::super::memory;

/// Parameters from the marker segments before the scan.
#[derive(Default)]
struct Frame {
    precision: u32,
    height: usize,
    columns: usize,
    components: usize,
    restart: usize,
    tables: [Option<Table>; 4],
}

/// Decodes a lossless JPEG stream of at most `most` samples: line by line, components interleaved.
pub(super) fn decode(data: &[u8], most: usize) -> Result<Vec<u16>, Fault> {
    let mut frame = Frame::default();
    let mut rest = match data {
        [0xff, 0xd8, rest @ ..] => rest,
        _ => return Err(Fault::damaged("no start of a JPEG stream")),
    };
    loop {
        let (marker, segment, after) = next_segment(rest)?;
        rest = after;
        match marker {
            0xc3 => frame.start(segment, most)?,
            0xc4 => frame.huffman(segment)?,
            0xdd => frame.restart = be16(segment, 0)?,
            0xda => return scan(&frame, segment, rest),
            0xc0..=0xc2 | 0xc5..=0xcf => {
                return Err(Fault::raw_variant("JPEG data that are not lossless"));
            }
            0xd9 => return Err(Fault::damaged("a JPEG stream without data")),
            _ => {}
        }
    }
}

/// Splits off a marker: its code, the content of its segment, and the rest.
fn next_segment(data: &[u8]) -> Result<(u8, &[u8], &[u8]), Fault> {
    let short = || Fault::damaged("a JPEG stream that ends in its header");
    let start = data.iter().position(|&b| b != 0xff).ok_or_else(short)?;
    if start == 0 {
        return Err(Fault::damaged("no marker where one must stand"));
    }
    let (marker, data) = (data[start], &data[start + 1..]);
    if marker == 0xd9 {
        return Ok((marker, &[], data));
    }
    let length = be16(data, 0)?;
    let segment = data.get(2..length).ok_or_else(short)?;
    Ok((marker, segment, &data[length..]))
}

fn be16(data: &[u8], at: usize) -> Result<usize, Fault> {
    match data.get(at..at + 2) {
        Some(&[high, low]) => Ok(usize::from(high) << 8 | usize::from(low)),
        _ => Err(Fault::damaged("a JPEG segment that ends early")),
    }
}

impl Frame {
    /// SOF3, B.2.2.
    fn start(&mut self, segment: &[u8], most: usize) -> Result<(), Fault> {
        let &[precision, _, _, _, _, count, ..] = segment else {
            return Err(Fault::damaged("a JPEG frame header that ends early"));
        };
        self.precision = u32::from(precision);
        self.height = be16(segment, 1)?;
        self.columns = be16(segment, 3)?;
        self.components = usize::from(count);
        let parts = segment[6..].chunks_exact(3);
        if !(2..=16).contains(&self.precision)
            || !(1..=4).contains(&self.components)
            || parts.len() < self.components
            || self.height * self.columns == 0
        {
            return Err(Fault::damaged("a JPEG frame header without sense"));
        }
        if parts.take(self.components).any(|p| p[1] != 0x11) {
            return Err(Fault::raw_variant(
                "lossless JPEG with subsampled components",
            ));
        }
        if self.height * self.columns * self.components > most {
            return Err(Fault::damaged("more JPEG samples than its tile has"));
        }
        Ok(())
    }

    /// DHT, B.2.4.2: one or more tables.
    fn huffman(&mut self, mut segment: &[u8]) -> Result<(), Fault> {
        while let [place, lengths @ ..] = segment {
            let short = || Fault::damaged("a Huffman table that ends early");
            let counts = lengths.get(..16).ok_or_else(short)?;
            let total: usize = counts.iter().map(|&c| usize::from(c)).sum();
            let values = lengths.get(16..16 + total).ok_or_else(short)?;
            let slot = self
                .tables
                .get_mut(usize::from(place & 15))
                .filter(|_| place >> 4 == 0);
            *slot.ok_or(Fault::damaged("a Huffman table of no lossless kind"))? =
                Some(Table::new(counts, values)?);
            segment = &lengths[16 + total..];
        }
        Ok(())
    }
}

/// Bits examined to decode a Huffman code, the length of the longest.
const LOOK: u32 = 16;

/// Difference category and code length, by the next 16 bits; length 0 if they start no code.
struct Table {
    entries: Vec<(u8, u8)>,
}

impl Table {
    /// Generates the codes as in annex C.
    fn new(counts: &[u8], values: &[u8]) -> Result<Self, Fault> {
        let mut entries = vec![(0, 0); 1 << LOOK];
        let (mut next, mut values) = (0usize, values.iter());
        for (length, &count) in (1u8..).zip(counts) {
            let each = 1usize << (LOOK - u32::from(length));
            for &value in values.by_ref().take(usize::from(count)) {
                let codes = entries.get_mut(next..next + each);
                let codes = codes.filter(|_| value <= 16);
                codes
                    .ok_or(Fault::damaged("a Huffman table without sense"))?
                    .fill((value, length));
                next += each;
            }
        }
        Ok(Table { entries })
    }
}

/// Bits of a scan without the stuffed zero bytes (F.1.2.3). Past the end zeros are supplied and counted.
struct Bits<'a> {
    data: &'a [u8],
    at: usize,
    held: u64,
    count: u32,
    lent: u32,
}

impl<'a> Bits<'a> {
    fn new(data: &'a [u8]) -> Self {
        Bits {
            data,
            at: 0,
            held: 0,
            count: 0,
            lent: 0,
        }
    }

    #[inline]
    fn fill(&mut self) {
        while self.count <= 48 {
            let byte = match (self.data.get(self.at), self.data.get(self.at + 1)) {
                (Some(0xff), Some(0)) => {
                    self.at += 2;
                    0xff
                }
                (Some(0xff), _) | (None, _) => {
                    self.lent += 8;
                    0
                }
                (Some(&byte), _) => {
                    self.at += 1;
                    byte
                }
            };
            self.held |= u64::from(byte) << (56 - self.count);
            self.count += 8;
        }
    }

    #[inline]
    fn take(&mut self, bits: u32) {
        self.held <<= bits;
        self.count -= bits;
    }

    /// Decodes one difference (H.1.2.2): its category by Huffman code, then as many additional bits.
    #[inline]
    fn difference(&mut self, table: &Table) -> Option<i32> {
        self.fill();
        let (category, length) = table.entries[(self.held >> (64 - LOOK)) as usize];
        if length == 0 {
            return None;
        }
        self.take(u32::from(length));
        Some(match category {
            0 => 0,
            16 => 32768,
            n => {
                let n = u32::from(n);
                let bits = (self.held >> (64 - n)) as i32;
                self.take(n);
                if bits < 1 << (n - 1) {
                    bits - (1 << n) + 1
                } else {
                    bits
                }
            }
        })
    }

    /// True if more bits were read than the data have.
    fn overdrawn(&self) -> bool {
        self.lent > self.count
    }

    /// Continues after a restart marker (E.2.4).
    fn restart(&mut self) -> Option<()> {
        let rest = self.data.get(self.at..)?;
        let marker = rest
            .windows(2)
            .position(|w| w[0] == 0xff && (0xd0..=0xd7).contains(&w[1]))?;
        let overdrawn = self.overdrawn();
        *self = Bits::new(&rest[marker + 2..]);
        (!overdrawn).then_some(())
    }
}

/// SOS (B.2.3) and the entropy coded data after it.
fn scan(frame: &Frame, segment: &[u8], data: &[u8]) -> Result<Vec<u16>, Fault> {
    let wrong = || Fault::damaged("a JPEG scan header without sense");
    let count = usize::from(*segment.first().ok_or_else(wrong)?);
    let parts = segment.get(1..1 + 2 * count).ok_or_else(wrong)?;
    let &[predictor, _, low] = segment
        .get(1 + 2 * count..4 + 2 * count)
        .ok_or_else(wrong)?
    else {
        return Err(wrong());
    };
    let shift = u32::from(low & 15);
    if frame.height == 0 || shift >= frame.precision || !(1..=7).contains(&predictor) {
        return Err(wrong());
    }
    if count != frame.components {
        return Err(Fault::raw_variant("lossless JPEG in several scans"));
    }
    let tables = parts.chunks_exact(2).map(|p| {
        let table = frame.tables.get(usize::from(p[1] >> 4));
        table.and_then(Option::as_ref).ok_or_else(wrong)
    });
    let prediction = Prediction {
        tables: tables.collect::<Result<_, _>>()?,
        selection: predictor,
        start: 1 << (frame.precision - shift - 1),
    };
    let width = frame.columns * count;
    let mut samples: Vec<u16> = memory::zeroed(width * frame.height)?;
    let mut bits = Bits::new(data);
    // Lines of a restart interval. DNG writers restart only at line ends, as H.1.1 requires.
    let lines = match frame.restart {
        0 => frame.height,
        n if n % frame.columns == 0 => n / frame.columns,
        _ => {
            return Err(Fault::raw_variant(
                "lossless JPEG that restarts within a line",
            ));
        }
    };
    for row in 0..frame.height {
        let fresh = row % lines == 0;
        if fresh && row > 0 {
            bits.restart()
                .ok_or(Fault::damaged("a restart marker is missing"))?;
        }
        let (above, line) = samples.split_at_mut(row * width);
        let above = &above[row.saturating_sub(1) * width..];
        let above = (!fresh).then_some(above);
        let done = prediction.line(&mut bits, above, &mut line[..width]);
        if done.is_none() || bits.overdrawn() {
            return Err(Fault::damaged(
                "the lossless JPEG data end early or make no sense",
            ));
        }
    }
    if shift > 0 {
        samples.iter_mut().for_each(|s| *s <<= shift);
    }
    Ok(samples)
}

/// How the samples of a scan are predicted (H.1.2.1) and their differences coded.
struct Prediction<'a> {
    /// Huffman table of every component.
    tables: Vec<&'a Table>,
    /// Selection value of the predictor, 1..=7 (table H.1).
    selection: u8,
    /// Prediction of the first sample of a line that has none above: half of full scale.
    start: i32,
}

impl Prediction<'_> {
    /// Decodes one line. Its first sample is predicted from the one `above`; in a line with none above the others are
    /// predicted from the left. `None` where the bits are no code.
    fn line(&self, bits: &mut Bits, above: Option<&[u16]>, line: &mut [u16]) -> Option<()> {
        let step = self.tables.len();
        for (c, table) in self.tables.iter().enumerate() {
            let first = above.map_or(self.start, |a| i32::from(a[c]));
            line[c] = (first + bits.difference(table)?) as u16;
        }
        for at in step..line.len() {
            let left = i32::from(line[at - step]);
            let predicted = match above {
                None => left,
                Some(above) => {
                    let (up, corner) = (i32::from(above[at]), i32::from(above[at - step]));
                    match self.selection {
                        1 => left,
                        2 => up,
                        3 => corner,
                        4 => left + up - corner,
                        5 => left + ((up - corner) >> 1),
                        6 => up + ((left - corner) >> 1),
                        _ => (left + up) >> 1,
                    }
                }
            };
            line[at] = (predicted + bits.difference(self.tables[at % step])?) as u16;
        }
        Some(())
    }
}
