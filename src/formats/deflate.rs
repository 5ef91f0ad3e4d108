//! A fast writer of deflate streams (RFC 1951) for sample differences: Huffman codes and runs, no search for repeats.
//!
//! Noise hardly ever repeats, so the search that a general compressor spends its time on finds nothing in pictures. The
//! data come in pieces of equal length that take turns in kind (the high bytes of a channel, its low bytes, ...); each
//! kind has one Huffman code for the whole stream, is cut into runs only where one byte dominates, and is stored as it
//! is where a code would not pay.

/// Longest code: four of them and the rest of a byte fit 64 bits.
const LONGEST: u32 = 12;
/// Literals, end of block and match lengths.
const SYMBOLS: usize = 286;
const END: usize = 256;
/// Shortest run written as a match (after its first byte).
const SHORTEST_RUN: usize = 5;

/// Raw deflate stream of `data`, cut into pieces of `piece` bytes of which every `kinds`-th is of the same kind. With
/// `last`, the final block is marked final; without, the stream ends on a byte border and another may follow.
pub(super) fn deflate(data: &[u8], piece: usize, kinds: usize, last: bool) -> Vec<u8> {
    // a stored block holds at most 65535 bytes
    let piece = piece.clamp(1, 1 << 24);
    let codes: Vec<Code> = (0..kinds.max(1))
        .map(|kind| Code::of(data.chunks(piece).skip(kind).step_by(kinds.max(1))))
        .collect();
    let headers: usize = codes.iter().map(|c| c.header.len() * 4).sum();
    let rounds = data.len() / piece / kinds.max(1) + 1;
    let stored = data.len() / 65535 + data.len() / piece + 2;
    let mut out = Bits::with_room(data.len() + rounds * headers + stored * 8 + 64);
    let pieces = data.len().div_ceil(piece);
    for (index, bytes) in data.chunks(piece).enumerate() {
        let code = &codes[index % codes.len()];
        code.write_block(bytes, last && index + 1 == pieces, &mut out);
    }
    if !last || pieces == 0 {
        out.stored(&[], last); // ends on a byte border
    }
    out.finish()
}

/// The same as a zlib stream (RFC 1950).
pub(super) fn zlib(data: &[u8], piece: usize, kinds: usize) -> Vec<u8> {
    let mut stream = vec![0x78, 0x01];
    stream.extend(deflate(data, piece, kinds, true));
    stream.extend(adler32(data).to_be_bytes());
    stream
}

/// Checksum of RFC 1950.
pub(super) fn adler32(data: &[u8]) -> u32 {
    simd_adler32::adler32(&data)
}

/// How pieces of one kind are written.
struct Code {
    /// Code word and, from bit 16 up, its length, for every symbol; reversed as deflate wants it.
    words: Vec<u32>,
    /// The block header after its first three bits: words and lengths as in `words`.
    header: Vec<u32>,
    /// The byte that comes in runs, if one dominates.
    run: Option<u8>,
    /// A code would not pay.
    stored: bool,
}

impl Code {
    fn of<'a>(pieces: impl Iterator<Item = &'a [u8]> + Clone) -> Self {
        let mut counts = [0u32; SYMBOLS];
        let mut total = 0;
        let mut blocks = 0;
        for piece in pieces.clone() {
            count(piece, &mut counts);
            total += piece.len();
            blocks += 1;
        }
        let top = (0..256).max_by_key(|&b| counts[b]).unwrap_or(0);
        let run = (counts[top] as usize > total / 2).then_some(top as u8);
        if let Some(byte) = run {
            for piece in pieces {
                move_runs(piece, byte, &mut counts);
            }
        }
        counts[END] = blocks.max(1);
        let lengths = code_lengths(&counts, LONGEST);
        let words = code_words(&lengths);
        let header = block_header(&lengths);
        let coded: u64 = (0..SYMBOLS)
            .map(|s| u64::from(counts[s]) * u64::from(lengths[s] + extra_bits(s)))
            .sum::<u64>()
            + u64::from(blocks) * header.iter().map(|w| u64::from(w >> 16)).sum::<u64>();
        Code {
            words,
            header,
            run,
            stored: coded >= 8 * total as u64,
        }
    }

    fn write_block(&self, piece: &[u8], last: bool, out: &mut Bits) {
        if self.stored {
            let mut blocks = piece.chunks(65535).peekable();
            while let Some(block) = blocks.next() {
                out.stored(block, last && blocks.peek().is_none());
            }
            return;
        }
        out.put(u64::from(last) | 2 << 1, 3);
        for &word in &self.header {
            out.word(word);
        }
        match self.run {
            None => self.literals(piece, out),
            Some(byte) => each_run(piece, byte, |before, run| {
                self.literals(before, out);
                if run > 0 {
                    out.word(self.words[usize::from(byte)]);
                    self.matches(run - 1, out);
                }
            }),
        }
        out.word(self.words[END]);
    }

    fn literals(&self, bytes: &[u8], out: &mut Bits) {
        let Some(words) = self.words.first_chunk::<256>() else {
            return;
        };
        let mut fours = bytes.chunks_exact(4);
        for four in &mut fours {
            for &byte in four {
                out.add(words[usize::from(byte)]);
            }
            out.spill();
        }
        for &byte in fours.remainder() {
            out.word(words[usize::from(byte)]);
        }
    }

    /// Repeats the byte before `count` times, `count` at least 3, by matches of distance 1.
    fn matches(&self, count: usize, out: &mut Bits) {
        each_match(count, |length| {
            let symbol = length_symbol(length);
            out.word(self.words[symbol]);
            let extra = extra_bits(symbol);
            let value = (length - 3) as u64 & ((1 << extra) - 1);
            out.put(value, extra + 1); // and the one-bit code of distance 1, which is 0
        });
    }
}

/// Counts bytes in four tables, so that equal neighbours do not wait for each other.
fn count(piece: &[u8], counts: &mut [u32; SYMBOLS]) {
    let mut tables = [[0u32; 256]; 4];
    let mut fours = piece.chunks_exact(4);
    for four in &mut fours {
        for (table, &byte) in tables.iter_mut().zip(four) {
            table[usize::from(byte)] += 1;
        }
    }
    for &byte in fours.remainder() {
        tables[0][usize::from(byte)] += 1;
    }
    for (byte, count) in counts[..256].iter_mut().enumerate() {
        *count += tables.iter().map(|t| t[byte]).sum::<u32>();
    }
}

/// Moves runs of `byte` from the literals to the match lengths.
fn move_runs(piece: &[u8], byte: u8, counts: &mut [u32; SYMBOLS]) {
    each_run(piece, byte, |_, run| {
        if run > 0 {
            counts[usize::from(byte)] -= run as u32 - 1;
            each_match(run - 1, |length| counts[length_symbol(length)] += 1);
        }
    });
}

/// Calls `visit` with stretches of bytes and the length of the run of `byte` after each (0 at the end).
fn each_run(piece: &[u8], byte: u8, mut visit: impl FnMut(&[u8], usize)) {
    let pattern = [byte; 8];
    let (mut start, mut i) = (0, 0);
    while i < piece.len() {
        if piece[i] != byte {
            i += 1;
            continue;
        }
        let first = i;
        while piece.get(i..i + 8).is_some_and(|eight| eight == pattern) {
            i += 8;
        }
        while piece.get(i) == Some(&byte) {
            i += 1;
        }
        if i - first >= SHORTEST_RUN {
            visit(&piece[start..first], i - first);
            start = i;
        }
    }
    visit(&piece[start..], 0);
}

/// Cuts `count` (at least 3) into matches of 3 to 258.
fn each_match(mut count: usize, mut visit: impl FnMut(usize)) {
    while count > 0 {
        let length = match count {
            0..=258 => count,
            259 | 260 => 255, // leaves at least 3
            _ => 258,
        };
        visit(length);
        count -= length;
    }
}

/// RFC 1951, 3.2.5.
fn length_symbol(length: usize) -> usize {
    let x = length - 3;
    match x {
        0..8 => 257 + x,
        255 => 285,
        _ => {
            let extra = x.ilog2() as usize - 2;
            257 + 4 * (extra + 1) + ((x >> extra) & 3)
        }
    }
}

fn extra_bits(symbol: usize) -> u32 {
    match symbol {
        265..285 => (symbol as u32 - 261) / 4,
        _ => 0,
    }
}

/// Lengths of a Huffman code (Huffman 1952) for the counts, none longer than `longest`; 0 for symbols that do not occur.
fn code_lengths(counts: &[u32], longest: u32) -> Vec<u32> {
    let mut used: Vec<(u32, usize)> = counts
        .iter()
        .enumerate()
        .filter(|(_, c)| **c > 0)
        .map(|(symbol, &c)| (c, symbol))
        .collect();
    let mut lengths = vec![0; counts.len()];
    if used.len() < 2 {
        // a complete code needs two words: the second is never used
        let only = used.first().map_or(0, |u| u.1);
        lengths[only] = 1;
        lengths[usize::from(only == 0)] = 1;
        return lengths;
    }
    used.sort_unstable();
    let mut at_length = depths(&used.iter().map(|u| u64::from(u.0)).collect::<Vec<_>>());
    shorten(&mut at_length, longest as usize);
    // the rarest symbols take the longest words
    let mut symbols = used.iter();
    for length in (1..=longest as usize).rev() {
        for (_, symbol) in symbols.by_ref().take(at_length[length]) {
            lengths[*symbol] = length as u32;
        }
    }
    lengths
}

/// How many words of each length a Huffman code has, from ascending weights, by the two-queue method.
fn depths(weights: &[u64]) -> Vec<usize> {
    let leaves = weights.len();
    let mut weight = weights.to_vec();
    let mut parent = vec![0; 2 * leaves - 1];
    let (mut leaf, mut inner) = (0, leaves);
    for node in leaves..2 * leaves - 1 {
        let mut sum = 0;
        for _ in 0..2 {
            let take_leaf = leaf < leaves && (inner >= node || weight[leaf] <= weight[inner]);
            let smallest = if take_leaf { &mut leaf } else { &mut inner };
            sum += weight[*smallest];
            parent[*smallest] = node;
            *smallest += 1;
        }
        weight.push(sum);
    }
    let mut depth = vec![0usize; 2 * leaves - 1];
    let mut at_length = vec![0; leaves.max(32) + 1];
    for node in (0..2 * leaves - 2).rev() {
        depth[node] = depth[parent[node]] + 1;
        if node < leaves {
            at_length[depth[node]] += 1;
        }
    }
    at_length
}

/// Brings words longer than `longest` down to it and pays with shorter words, until Kraft's sum is 1 again.
fn shorten(at_length: &mut [usize], longest: usize) {
    for length in longest + 1..at_length.len() {
        at_length[longest] += std::mem::take(&mut at_length[length]);
    }
    let mut kraft: usize = (1..=longest).map(|l| at_length[l] << (longest - l)).sum();
    while kraft > 1 << longest {
        at_length[longest] -= 1;
        if let Some(l) = (1..longest).rev().find(|&l| at_length[l] > 0) {
            at_length[l] -= 1;
            at_length[l + 1] += 2;
        }
        kraft -= 1;
    }
}

/// Code words of the lengths (RFC 1951, 3.2.2), bits reversed, with the length from bit 16 up.
fn code_words(lengths: &[u32]) -> Vec<u32> {
    let mut next = [0u32; 17];
    for length in 1..16 {
        let shorter = lengths.iter().filter(|&&l| l as usize == length).count() as u32;
        next[length + 1] = (next[length] + shorter) << 1;
    }
    lengths
        .iter()
        .map(|&length| {
            if length == 0 {
                return 0;
            }
            let word = next[length as usize];
            next[length as usize] += 1;
            (word.reverse_bits() >> (32 - length)) | length << 16
        })
        .collect()
}

/// Header of a dynamic block after its type (RFC 1951, 3.2.7), with one distance code of one bit.
fn block_header(lengths: &[u32]) -> Vec<u32> {
    const ORDER: [usize; 19] = [
        16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15,
    ];
    let literals = (257..=lengths.len())
        .rev()
        .find(|&n| lengths[n - 1] > 0)
        .unwrap_or(257);
    let mut all = lengths[..literals].to_vec();
    all.push(1);
    let tokens = length_tokens(&all);
    let mut counts = [0u32; 19];
    tokens.iter().for_each(|t| counts[t.0] += 1);
    let code = code_lengths(&counts, 7);
    let words = code_words(&code);
    let sent = (4..=19)
        .rev()
        .find(|&n| code[ORDER[n - 1]] > 0)
        .unwrap_or(4);
    let mut header = vec![
        (literals as u32 - 257) | 5 << 16,
        5 << 16, // one distance code
        (sent as u32 - 4) | 4 << 16,
    ];
    header.extend(ORDER[..sent].iter().map(|&symbol| code[symbol] | 3 << 16));
    for (symbol, extra, bits) in tokens {
        header.push(words[symbol]);
        if bits > 0 {
            header.push(extra | bits << 16);
        }
    }
    header
}

/// Code lengths as symbols 0..=18 with extra bits: 16 repeats the last 3 to 6 times, 17 and 18 stand for zeros.
fn length_tokens(lengths: &[u32]) -> Vec<(usize, u32, u32)> {
    let mut tokens = Vec::new();
    let mut rest = lengths;
    while let Some(&length) = rest.first() {
        let run = rest.iter().take_while(|&&l| l == length).count();
        let taken = match (length, run) {
            (0, 11..) => {
                let n = run.min(138);
                tokens.push((18, n as u32 - 11, 7));
                n
            }
            (0, 3..) => {
                tokens.push((17, run as u32 - 3, 3));
                run
            }
            (_, 4..) if length > 0 => {
                let n = (run - 1).min(6);
                tokens.push((length as usize, 0, 0));
                tokens.push((16, n as u32 - 3, 2));
                n + 1
            }
            _ => {
                tokens.push((length as usize, 0, 0));
                1
            }
        };
        rest = &rest[taken..];
    }
    tokens
}

/// Bits into bytes, least significant first.
struct Bits {
    out: Vec<u8>,
    end: usize,
    held: u64,
    count: u32,
}

impl Bits {
    fn with_room(bytes: usize) -> Self {
        Bits {
            out: vec![0; bytes + 16],
            end: 0,
            held: 0,
            count: 0,
        }
    }

    /// Adds a word without spilling: at most 56 bits may be held.
    #[inline(always)]
    fn add(&mut self, word: u32) {
        self.held |= u64::from(word & 0xffff) << self.count;
        self.count += word >> 16;
    }

    /// Moves whole bytes out.
    #[inline(always)]
    fn spill(&mut self) {
        if self.end + 8 > self.out.len() {
            self.out.resize(self.out.len() + (1 << 16), 0);
        }
        self.out[self.end..self.end + 8].copy_from_slice(&self.held.to_le_bytes());
        self.end += (self.count >> 3) as usize;
        self.held >>= self.count & !7;
        self.count &= 7;
    }

    fn word(&mut self, word: u32) {
        self.add(word);
        self.spill();
    }

    /// At most 16 bits.
    fn put(&mut self, value: u64, bits: u32) {
        self.held |= value << self.count;
        self.count += bits;
        self.spill();
    }

    /// A stored block of at most 65535 bytes, RFC 1951, 3.2.4.
    fn stored(&mut self, bytes: &[u8], last: bool) {
        self.put(u64::from(last), 3);
        if self.count > 0 {
            self.put(0, 8 - self.count);
        }
        let length = bytes.len() as u16;
        let start = self.end + 4;
        if start + bytes.len() + 8 > self.out.len() {
            self.out.resize(start + bytes.len() + (1 << 16), 0);
        }
        self.out[self.end..self.end + 2].copy_from_slice(&length.to_le_bytes());
        self.out[self.end + 2..start].copy_from_slice(&(!length).to_le_bytes());
        self.out[start..start + bytes.len()].copy_from_slice(bytes);
        self.end = start + bytes.len();
    }

    fn finish(mut self) -> Vec<u8> {
        if self.count > 0 {
            let bits = 8 - self.count;
            self.put(0, bits);
        }
        self.out.truncate(self.end);
        self.out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn inflated(stream: &[u8]) -> Vec<u8> {
        miniz_oxide::inflate::decompress_to_vec_zlib(stream).unwrap()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// The reader is another library's: miniz_oxide.
        #[test]
        fn another_library_inflates_any_mixture(
            parts in prop::collection::vec((0u8..4, any::<u8>(), 0usize..3000), 0..12),
            seed in any::<u64>(), piece in 1usize..5000, kinds in 1usize..6,
        ) {
            let mut state = seed | 1;
            let mut noise = || { state ^= state << 13; state ^= state >> 7; state ^= state << 17; state };
            let mut data = Vec::new();
            for (kind, byte, length) in parts {
                for _ in 0..length {
                    data.push(match kind {
                        0 => byte,
                        1 => noise() as u8,
                        2 => (noise().leading_zeros() as u8).wrapping_add(byte),
                        _ => if noise().is_multiple_of(50) { noise() as u8 } else { byte },
                    });
                }
            }
            prop_assert_eq!(inflated(&zlib(&data, piece, kinds)), data);
        }
    }

    #[test]
    fn very_skewed_counts_keep_to_the_longest_word() {
        // Fibonacci weights make the deepest Huffman trees
        let mut counts = vec![1u32, 1];
        while counts.len() < 30 {
            counts.push(counts[counts.len() - 1] + counts[counts.len() - 2]);
        }
        let lengths = code_lengths(&counts, LONGEST);
        let kraft: f64 = lengths.iter().map(|&l| 0.5f64.powi(l as i32)).sum();
        assert_eq!(kraft, 1.0);
        assert!(lengths.iter().all(|&l| l <= LONGEST));
    }

    #[test]
    fn streams_without_their_last_block_can_be_joined() {
        let (a, b) = (vec![7u8; 1000], (0..=255u8).collect::<Vec<_>>());
        let mut stream = deflate(&a, 1000, 1, false);
        stream.extend(deflate(&b, 100, 1, true));
        let whole = miniz_oxide::inflate::decompress_to_vec(&stream).unwrap();
        assert_eq!(whole, [a, b].concat());
    }

    #[test]
    fn nothing_and_runs_of_every_length_survive() {
        assert_eq!(inflated(&zlib(&[], 10, 1)), Vec::<u8>::new());
        for n in 1..800 {
            let data = vec![9u8; n];
            assert_eq!(inflated(&zlib(&data, 1 << 20, 1)), data, "{n}");
        }
    }
}
