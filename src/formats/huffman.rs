//! Deflate for planes of noisy bytes (RFC 1950, RFC 1951): Huffman codes made for the data, or stored blocks.
//!
//! Noise contains no repeats worth finding except zeros, so none are searched for. The lowest bytes of its samples
//! are close to random, so they are stored, which takes almost no time.
use simd_adler32::Adler32;
use std::ops::Range;
use stopspan_core::raster::{Work, dispatch_simd};

/// Literals, end of block, and lengths.
const SYMBOLS: usize = 286;
const END: usize = 256;
/// Longest code, bits: four codes and the remainder of a byte fit into 64.
const LONGEST: u32 = 14;
/// Length of the longest repeat, and its symbol.
const REPEAT: (usize, usize) = (258, 285);
/// A plane is stored if its codes would take more than this many bits a byte.
const WORTH_IT: f64 = 7.8;

/// Frequencies of the symbols of a plane.
pub(crate) struct Counts {
    symbols: [u32; SYMBOLS],
    bytes: usize,
}

impl Counts {
    pub(crate) fn new() -> Self {
        Counts {
            symbols: [0; SYMBOLS],
            bytes: 0,
        }
    }

    pub(crate) fn add(&mut self, data: &[u8]) {
        self.bytes += data.len();
        visit(data, self);
    }

    /// The code for data with these frequencies; `None` if storing them is better.
    pub(crate) fn code(&self) -> Option<Code> {
        let code = Code::of(&self.symbols);
        let bits = |(n, w): (&u32, &(u16, u8))| f64::from(*n) * f64::from(w.1);
        let total: f64 = self.symbols.iter().zip(&code.words).map(bits).sum();
        (total < WORTH_IT * self.bytes as f64).then_some(code)
    }
}

/// Consumer of a plane as tokens: literals (eight at a time where possible) and runs of zeros whose length is a
/// multiple of eight.
trait Sink {
    fn eight(&mut self, bytes: [u8; 8]);
    fn one(&mut self, byte: u8);
    fn zeros(&mut self, count: usize);
}

#[inline(always)]
fn visit(data: &[u8], sink: &mut impl Sink) {
    let (words, rest) = data.as_chunks::<8>();
    let mut zeros = 0;
    for &word in words {
        if word == [0; 8] {
            zeros += 8;
            continue;
        }
        if zeros > 0 {
            sink.zeros(zeros);
            zeros = 0;
        }
        sink.eight(word);
    }
    if zeros > 0 {
        sink.zeros(zeros);
    }
    rest.iter().for_each(|&byte| sink.one(byte));
}

/// Encodes a run of zeros as one zero and repeats at distance 1. `each` is given the symbol, its extra bits and their
/// number.
#[inline(always)]
fn repeats(count: usize, mut each: impl FnMut(usize, (u32, u32))) {
    each(0, (0, 0));
    let mut left = count - 1;
    while left >= REPEAT.0 {
        each(REPEAT.1, (0, 0));
        left -= REPEAT.0;
    }
    if left < 3 {
        (0..left).for_each(|_| each(0, (0, 0)));
        return;
    }
    let beyond = left as u32 - 3;
    let extra = if beyond < 8 { 0 } else { beyond.ilog2() - 2 };
    let symbol = 257 + 4 * extra + (beyond >> extra);
    each(symbol as usize, (beyond & ((1 << extra) - 1), extra));
}

impl Sink for Counts {
    fn eight(&mut self, bytes: [u8; 8]) {
        bytes.iter().for_each(|&byte| self.one(byte));
    }

    fn one(&mut self, byte: u8) {
        self.symbols[usize::from(byte)] += 1;
    }

    fn zeros(&mut self, count: usize) {
        repeats(count, |symbol, _| self.symbols[symbol] += 1);
    }
}

/// A prefix code in which every symbol has a word.
pub(crate) struct Code {
    /// Word of each symbol, first bit lowest, and its length in bits.
    words: [(u16, u8); SYMBOLS],
}

impl Code {
    /// Code lengths after Shannon (1948); the code space left over shortens the symbols that gain most.
    fn of(counts: &[u32; SYMBOLS]) -> Self {
        let whole = 1u64 << LONGEST;
        let total = counts.iter().map(|&n| u64::from(n)).sum::<u64>().max(1);
        let weight = |n: u32| 1 + u64::from(n) * (whole - SYMBOLS as u64) / total;
        let mut lengths = [0u32; SYMBOLS];
        let mut order: Vec<(u64, usize)> = Vec::with_capacity(SYMBOLS);
        let mut room = whole;
        for (symbol, &count) in counts.iter().enumerate() {
            let weight = weight(count);
            lengths[symbol] = LONGEST - weight.ilog2();
            room -= 1 << weight.ilog2();
            order.push((weight << lengths[symbol], symbol));
        }
        order.sort_unstable_by(|a, b| b.cmp(a));
        while room > 0 {
            for &(_, symbol) in &order {
                let share = 1 << (LONGEST - lengths[symbol]);
                if lengths[symbol] > 1 && share <= room {
                    lengths[symbol] -= 1;
                    room -= share;
                }
            }
        }
        Code {
            words: canonical_words(&lengths),
        }
    }
}

/// The words of a canonical code with these lengths (RFC 1951, 3.2.2).
fn canonical_words(lengths: &[u32; SYMBOLS]) -> [(u16, u8); SYMBOLS] {
    let mut next = [0u16; LONGEST as usize + 1];
    let mut first = 0;
    for length in 1..=LONGEST {
        next[length as usize] = first;
        let count = lengths.iter().filter(|l| **l == length).count() as u16;
        first = (first + count) << 1;
    }
    lengths.map(|length| {
        let word = next[length as usize];
        next[length as usize] += 1;
        (word.reverse_bits() >> (16 - length), length as u8)
    })
}

/// A stream being written.
pub(crate) struct Stream {
    out: Vec<u8>,
    end: End,
    sum: Adler32,
}

/// The end of what is written of a buffer.
#[derive(Debug, Clone, Copy, Default)]
struct End {
    /// Bytes that are written.
    at: usize,
    /// Bits not yet written, first bit lowest, and their number; fewer than eight between calls.
    bits: u64,
    held: u32,
}

impl End {
    /// Appends up to 56 bits; there must be room for eight bytes.
    #[inline(always)]
    fn put(&mut self, out: &mut [u8], bits: u64, count: u32) {
        self.bits |= bits << self.held;
        self.held += count;
        out[self.at..self.at + 8].copy_from_slice(&self.bits.to_le_bytes());
        self.at += (self.held / 8) as usize;
        self.bits >>= self.held & !7;
        self.held &= 7;
    }
}

impl Stream {
    /// A zlib stream of about `expected` bytes.
    pub(super) fn new(expected: usize) -> Self {
        let mut stream = Self::without_head(expected);
        stream.reserve(2);
        stream.put(0x0178, 16);
        stream
    }

    /// Deflate data without the zlib header, to be finished by [`Stream::end`].
    pub(crate) fn without_head(expected: usize) -> Self {
        Stream {
            out: Vec::with_capacity(expected),
            end: End::default(),
            sum: Adler32::new(),
        }
    }

    /// Writes `data` in pieces, each Huffman coded or stored.
    pub(crate) fn write<'c>(
        &mut self,
        data: &[u8],
        pieces: impl Iterator<Item = (Range<usize>, Option<&'c Code>)>,
    ) {
        self.sum.write(data);
        for (range, code) in pieces {
            match code {
                Some(code) => self.coded(&data[range], code),
                None => data[range]
                    .chunks(65535)
                    .for_each(|c| self.stored(c, false)),
            }
        }
    }

    /// The complete zlib stream.
    pub(super) fn finish(self) -> Vec<u8> {
        let (mut out, sum) = self.end(true);
        out.extend(sum.to_be_bytes());
        out
    }

    /// The bytes written, ended on a byte boundary, and the Adler-32 of the data.
    pub(crate) fn end(mut self, last: bool) -> (Vec<u8>, u32) {
        self.stored(&[], last);
        self.out.truncate(self.end.at);
        (self.out, self.sum.finish())
    }

    fn reserve(&mut self, bytes: usize) {
        // Eight bytes more, because `put` always writes eight bytes of which only some count.
        let wanted = self.end.at + bytes + 8;
        if self.out.len() < wanted {
            self.out.resize(wanted, 0);
        }
    }

    /// Appends up to 56 bits; `reserve` must have made room.
    fn put(&mut self, bits: u64, count: u32) {
        self.end.put(&mut self.out, bits, count);
    }

    fn stored(&mut self, data: &[u8], last: bool) {
        self.reserve(data.len() + 8);
        self.put(u64::from(last), 3);
        self.put(0, (8 - self.end.held) % 8);
        let length = data.len() as u64;
        self.put(length | (length ^ 0xffff) << 16, 32);
        self.out[self.end.at..][..data.len()].copy_from_slice(data);
        self.end.at += data.len();
    }

    fn coded(&mut self, data: &[u8], code: &Code) {
        self.reserve(SYMBOLS + data.len() * LONGEST as usize / 8 + 8);
        self.describe(code);
        self.end = dispatch_simd(Coder {
            data,
            code,
            out: &mut self.out,
            end: self.end,
        });
        let (word, length) = code.words[END];
        self.put(word.into(), length.into());
    }

    /// Header of a block with a dynamic code (RFC 1951, 3.2.7): code lengths 1 to 15 and repeat code 16, in four bits
    /// each, and a single distance code.
    fn describe(&mut self, code: &Code) {
        self.put(0b100 | 29 << 3 | 15 << 13, 17);
        // Order of the code lengths: 16, 17, 18 and 0, then from the middle outwards.
        self.put(4, 12);
        (0..15).for_each(|_| self.put(4, 3));
        let symbol = |length: u8| u64::from((length - 1).reverse_bits() >> 4);
        let mut lengths = code.words.iter().map(|w| w.1).chain([1]);
        while let Some(length) = lengths.next() {
            self.put(symbol(length), 4);
            loop {
                let ahead = lengths.clone().take(6);
                let same = ahead.take_while(|next| *next == length).count();
                if same < 3 {
                    break;
                }
                self.put(symbol(16) | (same as u64 - 3) << 4, 6);
                lengths.nth(same - 1);
            }
        }
    }
}

/// Writes the tokens of a block with its code. What it holds stays in registers, and words are shifted in one instruction where the
/// processor has it.
struct Coder<'a> {
    data: &'a [u8],
    code: &'a Code,
    out: &'a mut [u8],
    end: End,
}

impl Work for Coder<'_> {
    type Output = End;

    #[inline(always)]
    fn call(mut self) -> End {
        visit(self.data, &mut self);
        self.end
    }
}

impl Coder<'_> {
    #[inline(always)]
    fn put(&mut self, bits: u64, count: u32) {
        self.end.put(self.out, bits, count);
    }
}

impl Sink for Coder<'_> {
    #[inline(always)]
    fn eight(&mut self, bytes: [u8; 8]) {
        for four in bytes.as_chunks::<4>().0 {
            let (mut bits, mut count) = (0u64, 0u32);
            for &byte in four {
                let (word, length) = self.code.words[usize::from(byte)];
                bits |= u64::from(word) << count;
                count += u32::from(length);
            }
            self.put(bits, count);
        }
    }

    #[inline(always)]
    fn one(&mut self, byte: u8) {
        let (word, length) = self.code.words[usize::from(byte)];
        self.put(word.into(), length.into());
    }

    #[inline(always)]
    fn zeros(&mut self, count: usize) {
        repeats(count, |symbol, (extra, bits)| {
            let (word, length) = self.code.words[symbol];
            let length = u32::from(length);
            // A length is followed by the only distance, one zero bit.
            let distance = u32::from(symbol > END);
            self.put(
                u64::from(word) | u64::from(extra) << length,
                length + bits + distance,
            );
        });
    }
}

#[cfg(test)]
mod tests;
