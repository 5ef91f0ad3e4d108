//! Deflate (RFC 1951) for samples that a filter has made small numbers: one Huffman code a stripe, runs of equal bytes,
//! no search for repeats. Stripes are coded side by side and joined to one zlib stream (RFC 1950).
mod huffman;

use huffman::{Bits, LONGEST, code_lengths, codes};

/// Symbols of the literal and length alphabet in use: bytes, end of block, lengths.
const SYMBOLS: usize = 286;
/// Longest code of the alphabet that describes the lengths of the others.
const LONGEST_OF_LENGTHS: usize = 7;
/// Order in which the lengths of the code for code lengths are stated (RFC 1951, 3.2.7).
const ORDER: [usize; 19] = [
    16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15,
];
const END: usize = 256;
/// Runs shorter than this are cheaper as literals.
const SHORTEST_RUN: usize = 6;
const LONGEST_RUN: usize = 258;
/// Modulus of Adler-32.
const ADLER: u64 = 65521;

/// A stripe of data, coded.
pub(super) struct Stripe {
    bytes: Vec<u8>,
    sum: u32,
    length: u64,
}

impl Stripe {
    /// Codes one stripe of a stream; `last` says that none follows.
    pub fn of(data: &[u8], last: bool) -> Self {
        Stripe {
            bytes: block(data, last),
            sum: adler(data),
            length: data.len() as u64,
        }
    }
}

/// The stripes of one zlib stream in order, to be written one behind another.
pub(super) fn join(stripes: Vec<Stripe>) -> Vec<Vec<u8>> {
    let sum = stripes
        .iter()
        .fold(1, |sum, next| joined(sum, next.sum, next.length));
    let mut parts: Vec<Vec<u8>> = stripes.into_iter().map(|s| s.bytes).collect();
    if let Some(first) = parts.first_mut() {
        first.splice(0..0, [0x78, 0x01]);
    }
    if let Some(end) = parts.last_mut() {
        end.extend(sum.to_be_bytes());
    }
    parts
}

/// A zlib stream of one piece.
pub(super) fn zlib(data: &[u8]) -> Vec<u8> {
    join(vec![Stripe::of(data, true)]).concat()
}

/// Adler-32 (RFC 1950, 9).
fn adler(bytes: &[u8]) -> u32 {
    let (mut a, mut b) = (1u32, 0u32);
    for piece in bytes.chunks(5552) {
        for &byte in piece {
            a += u32::from(byte);
            b += a;
        }
        a %= ADLER as u32;
        b %= ADLER as u32;
    }
    b << 16 | a
}

/// Adler-32 of two pieces behind each other, `length` being that of the second.
fn joined(first: u32, second: u32, length: u64) -> u32 {
    let (a1, b1) = (u64::from(first & 0xffff), u64::from(first >> 16));
    let (a2, b2) = (u64::from(second & 0xffff), u64::from(second >> 16));
    let a = (a1 + a2 + ADLER - 1) % ADLER;
    let b = (b1 + b2 + (length % ADLER) * (a1 + ADLER - 1)) % ADLER;
    (b << 16 | a) as u32
}

/// One block with a code of its own, and an empty stored block behind it that ends on a whole byte.
fn block(data: &[u8], last: bool) -> Vec<u8> {
    let mut counts = [0u32; SYMBOLS];
    for token in Tokens::of(data) {
        match token {
            Token::Literals(bytes) => bytes.iter().for_each(|&b| counts[usize::from(b)] += 1),
            Token::Run(length) => counts[length_symbol(length).0] += 1,
        }
    }
    counts[END] = 1;
    let lengths = code_lengths(&counts, LONGEST);
    let codes = codes(&lengths);
    let mut out = Bits::with_capacity(data.len());
    out.put(0b100, 3); // not the last; dynamic codes
    describe(&lengths, &mut out);
    for token in Tokens::of(data) {
        match token {
            Token::Literals(bytes) => {
                for &byte in bytes {
                    let (code, length) = codes[usize::from(byte)];
                    out.put(u64::from(code), length);
                }
            }
            Token::Run(length) => {
                let (symbol, extra, bits) = length_symbol(length);
                out.put(u64::from(codes[symbol].0), codes[symbol].1);
                out.put(u64::from(extra), bits);
                out.put(0, 1); // the only distance, 1
            }
        }
    }
    out.put(u64::from(codes[END].0), codes[END].1);
    out.put(u64::from(last), 3);
    out.to_whole_byte();
    let mut bytes = out.bytes;
    bytes.extend([0, 0, 0xff, 0xff]);
    bytes
}

/// Literals, or a byte repeated.
enum Token<'a> {
    Literals(&'a [u8]),
    Run(usize),
}

/// Cuts data into literals and repeats of the byte before.
struct Tokens<'a> {
    data: &'a [u8],
    /// Where the next token begins, and where the next run begins and ends if it is known.
    at: usize,
    run: (usize, usize),
}

impl<'a> Tokens<'a> {
    fn of(data: &'a [u8]) -> Self {
        Tokens {
            data,
            at: 0,
            run: (0, 0),
        }
    }

    /// The next place at or after `from` where at least [`SHORTEST_RUN`] bytes repeat the one before them.
    fn next_run(&self, from: usize) -> (usize, usize) {
        let (data, mut at) = (self.data, from.max(1));
        while at + SHORTEST_RUN <= data.len() {
            let before = data[at - 1];
            // look from the far end, so that a differing byte skips all before it
            match (at..at + SHORTEST_RUN).rev().find(|&k| data[k] != before) {
                Some(k) => at = k.max(at) + 1,
                None => {
                    let rest = data[at..].iter().position(|&b| b != before);
                    return (at, rest.map_or(data.len(), |n| at + n));
                }
            }
        }
        (data.len(), data.len())
    }
}

impl<'a> Iterator for Tokens<'a> {
    type Item = Token<'a>;

    fn next(&mut self) -> Option<Token<'a>> {
        if self.at >= self.data.len() {
            return None;
        }
        if self.at >= self.run.1 {
            self.run = self.next_run(self.at);
        }
        let (begin, end) = self.run;
        if self.at < begin {
            let literals = &self.data[self.at..begin];
            self.at = begin;
            return Some(Token::Literals(literals));
        }
        let left = end - self.at;
        if left < 3 {
            let literals = &self.data[self.at..end];
            self.at = end;
            return Some(Token::Literals(literals));
        }
        let length = left.min(LONGEST_RUN);
        self.at += length;
        Some(Token::Run(length))
    }
}

/// Symbol, extra bits and their number for a run of 3..=258 (RFC 1951, 3.2.5).
fn length_symbol(length: usize) -> (usize, u32, u32) {
    if length == LONGEST_RUN {
        return (285, 0, 0);
    }
    let n = length - 3;
    if n < 8 {
        return (257 + n, 0, 0);
    }
    let bits = usize::BITS - 1 - n.leading_zeros() - 2;
    let step = n >> bits;
    let symbol = 257 + 4 * bits as usize + step;
    (symbol, (n - (step << bits)) as u32, bits)
}

/// The header of a dynamic block: all lengths of the literal code, and one distance code of one bit.
fn describe(lengths: &[u8], out: &mut Bits) {
    let all: Vec<u8> = lengths.iter().copied().chain([1]).collect();
    let mut counts = [0u32; 19];
    all.iter().for_each(|&l| counts[usize::from(l)] += 1);
    let own = code_lengths(&counts, LONGEST_OF_LENGTHS);
    let codes = codes(&own);
    out.put((SYMBOLS - 257) as u64, 5);
    out.put(0, 5); // one distance code
    out.put(15, 4); // all 19 lengths follow
    for symbol in ORDER {
        out.put(u64::from(own[symbol]), 3);
    }
    for length in all {
        let (code, bits) = codes[usize::from(length)];
        out.put(u64::from(code), bits);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn back(stripes: &[Vec<u8>]) -> Vec<u8> {
        let last = stripes.len() - 1;
        let coded = stripes.iter().enumerate();
        let coded = coded.map(|(k, s)| Stripe::of(s, k == last)).collect();
        fdeflate::decompress_to_vec(&join(coded).concat()).unwrap()
    }

    /// The decoder is another's; it checks the sum too.
    #[test]
    fn any_stripes_come_back() {
        let noise: Vec<u8> = (0..70_000u32)
            .map(|i| (i.wrapping_mul(2_654_435_761) >> 21) as u8)
            .collect();
        let skewed: Vec<u8> = (0..70_000u32)
            .map(|i| i.wrapping_mul(2_654_435_761).leading_zeros() as u8)
            .collect();
        let steep: Vec<u8> = (0..30u32)
            .flat_map(|k| vec![k as u8; 1 << (k / 2)])
            .collect();
        for stripes in [
            vec![vec![]],
            vec![vec![7]],
            vec![vec![0; 100_000], vec![0], vec![5; 300]],
            vec![noise.clone(), skewed.clone(), vec![], noise],
            vec![skewed, steep],
            (0..=600).map(|n| vec![9; n]).collect(),
        ] {
            assert_eq!(back(&stripes), stripes.concat());
        }
    }

    proptest! {
        #[test]
        fn small_alphabets_with_runs_come_back(
            runs in prop::collection::vec((0u8..5, 1usize..40), 0..60),
            cut in 0usize..200,
        ) {
            let data: Vec<u8> = runs.iter().flat_map(|&(b, n)| vec![b; n]).collect();
            let (a, b) = data.split_at(cut.min(data.len()));
            prop_assert_eq!(back(&[a.to_vec(), b.to_vec()]), data);
        }
    }

    #[test]
    fn every_length_has_the_symbol_of_the_table() {
        // RFC 1951, 3.2.5: first length of each symbol
        let first = [
            3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 15, 17, 19, 23, 27, 31, 35, 43, 51, 59, 67, 83, 99,
            115, 131, 163, 195, 227, 258,
        ];
        assert_eq!(first.len(), 29);
        for length in 3..=258 {
            let symbol = first.iter().rposition(|&f| f <= length).unwrap();
            let (found, extra, _) = length_symbol(length);
            assert_eq!(found, 257 + symbol, "{length}");
            assert_eq!(first[symbol] + extra as usize, length);
        }
    }
}
