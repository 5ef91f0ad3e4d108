//! Huffman codes of limited length (RFC 1951, 3.2.2), and the bits they are written as.

/// Longest code of the literal and length alphabet.
pub(super) const LONGEST: usize = 15;

/// Lengths of a Huffman code for these counts, none longer than `longest`; 0 for symbols that do not occur.
pub(super) fn code_lengths(counts: &[u32], longest: usize) -> Vec<u8> {
    let mut used: Vec<(u64, usize)> = counts
        .iter()
        .enumerate()
        .filter(|(_, n)| **n > 0)
        .map(|(symbol, &n)| (u64::from(n), symbol))
        .collect();
    let mut lengths = vec![0u8; counts.len()];
    // a code of one symbol is incomplete, which not every decoder takes: another one joins it
    let others = (0..counts.len()).filter(|k| counts[*k] == 0);
    let wanted = 2usize.saturating_sub(used.len());
    used.extend(others.take(wanted).map(|symbol| (0, symbol)));
    used.sort_unstable();
    let mut depths = depths(&used);
    limit(&mut depths, longest);
    // rarest first, longest first
    depths.sort_unstable_by(|a, b| b.cmp(a));
    for ((_, symbol), depth) in used.iter().zip(depths) {
        lengths[*symbol] = depth as u8;
    }
    lengths
}

/// Depth of each leaf, the leaves sorted by count: two queues, leaves and joints.
fn depths(leaves: &[(u64, usize)]) -> Vec<usize> {
    let count = leaves.len();
    let mut weights: Vec<u64> = leaves.iter().map(|l| l.0).collect();
    let mut parents = vec![0usize; 2 * count - 1];
    let (mut leaf, mut joint) = (0, count);
    while weights.len() < 2 * count - 1 {
        let mut smallest = || {
            let node =
                if joint >= weights.len() || (leaf < count && weights[leaf] <= weights[joint]) {
                    &mut leaf
                } else {
                    &mut joint
                };
            *node += 1;
            *node - 1
        };
        let (a, b) = (smallest(), smallest());
        let parent = weights.len();
        parents[a] = parent;
        parents[b] = parent;
        weights.push(weights[a] + weights[b]);
    }
    let mut depth = vec![0; 2 * count - 1];
    for node in (0..2 * count - 2).rev() {
        depth[node] = depth[parents[node]] + 1;
    }
    depth.truncate(count);
    depth
}

/// Shortens what is too long and lengthens others until the code is complete again (the sum of 2^-depth is 1).
fn limit(depths: &mut [usize], longest: usize) {
    let mut over = 0i64; // in units of 2^-longest
    for depth in depths.iter_mut() {
        *depth = (*depth).min(longest);
        over += 1 << (longest - *depth);
    }
    over -= 1 << longest;
    while over > 0 {
        // the deepest leaf that can still go down gives up least
        let candidates = depths.iter_mut().filter(|d| **d < longest);
        if let Some(depth) = candidates.max_by_key(|d| **d) {
            over -= 1 << (longest - *depth - 1);
            *depth += 1;
        } else {
            return;
        }
    }
    while over < 0 {
        // and room left over goes to leaves that fit in it
        let fits = depths
            .iter_mut()
            .filter(|d| **d > 1 && (1i64 << (longest - **d)) <= -over);
        if let Some(depth) = fits.min_by_key(|d| **d) {
            over += 1 << (longest - *depth);
            *depth -= 1;
        } else {
            return;
        }
    }
}

/// The codes for lengths, bits reversed as they are written (RFC 1951, 3.2.2), with their lengths.
pub(super) fn codes(lengths: &[u8]) -> Vec<(u16, u32)> {
    let mut counts = [0u32; LONGEST + 1];
    lengths.iter().for_each(|&l| counts[usize::from(l)] += 1);
    counts[0] = 0;
    let mut first = [0u32; LONGEST + 1];
    for bits in 1..=LONGEST {
        first[bits] = (first[bits - 1] + counts[bits - 1]) << 1;
    }
    lengths
        .iter()
        .map(|&length| {
            if length == 0 {
                return (0, 0);
            }
            let code = first[usize::from(length)];
            first[usize::from(length)] += 1;
            let reversed = (code as u16).reverse_bits() >> (16 - u16::from(length));
            (reversed, u32::from(length))
        })
        .collect()
}

/// Bits, the lowest first.
pub(super) struct Bits {
    pub bytes: Vec<u8>,
    held: u64,
    count: u32,
}

impl Bits {
    pub fn with_capacity(bytes: usize) -> Self {
        Bits {
            bytes: Vec::with_capacity(bytes),
            held: 0,
            count: 0,
        }
    }

    /// At most 16 bits.
    #[inline(always)]
    pub fn put(&mut self, bits: u64, count: u32) {
        self.held |= bits << self.count;
        self.count += count;
        if self.count >= 32 {
            self.bytes
                .extend_from_slice(&(self.held as u32).to_le_bytes());
            self.held >>= 32;
            self.count -= 32;
        }
    }

    pub fn to_whole_byte(&mut self) {
        let bytes = self.count.div_ceil(8) as usize;
        let held = self.held.to_le_bytes();
        self.bytes.extend_from_slice(&held[..bytes]);
        (self.held, self.count) = (0, 0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_make_a_complete_code_within_the_limit() {
        let mut fibonacci = vec![1u32, 1];
        for k in 2..40 {
            fibonacci.push(fibonacci[k - 1] + fibonacci[k - 2]);
        }
        for longest in [7, 15] {
            let counts = &fibonacci[..if longest == 7 { 19 } else { 40 }];
            let lengths = code_lengths(counts, longest);
            let sum: f64 = lengths.iter().map(|&l| 0.5f64.powi(l.into())).sum();
            assert_eq!(sum, 1.0);
            assert!(lengths.iter().all(|&l| (1..=longest as u8).contains(&l)));
        }
    }
}
