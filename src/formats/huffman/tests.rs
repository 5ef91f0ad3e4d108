//! Streams come back through decoders of others, and codes are complete and short.
use super::*;
use proptest::prelude::*;

/// Pieces, alternately coded and stored, decoded by another implementation, which also verifies the checksum.
fn there_and_back(pieces: &[Vec<u8>]) -> Vec<u8> {
    let mut stream = Stream::new(100);
    for (k, piece) in pieces.iter().enumerate() {
        let mut counts = Counts::new();
        counts.add(piece);
        let code = counts.code().filter(|_| k % 3 != 2);
        stream.write(piece, std::iter::once((0..piece.len(), code.as_ref())));
    }
    let packed = stream.finish();
    let other = miniz_oxide::inflate::decompress_to_vec_zlib(&packed).unwrap();
    assert_eq!(fdeflate::decompress_to_vec(&packed).unwrap(), other);
    other
}

#[test]
fn planes_of_every_kind_come_back() {
    let noise = |range: u32, n: u32| -> Vec<u8> {
        let mixed = (0..n).map(|i| i.wrapping_mul(2_654_435_761) >> 16);
        mixed.map(|v| (v % range) as u8).collect()
    };
    let runs = |n: usize| [vec![0; n], vec![7; 8], vec![0; n + 1], vec![1, 2, 3]].concat();
    for pieces in [
        vec![],
        vec![vec![]],
        vec![vec![9]],
        vec![noise(256, 70_000), noise(3, 5000), noise(256, 70_000)],
        vec![noise(20, 12_345), vec![0; 100_000], vec![255; 1000]],
        (1..300).map(|n| runs(8 * n)).collect(),
        (1..40).map(runs).collect(),
    ] {
        assert_eq!(there_and_back(&pieces), pieces.concat());
    }
}

/// Codes are complete, within the length limit, and within half a bit a byte of the entropy (Shannon 1948).
#[test]
fn codes_are_complete_and_short() {
    let mut counts = [0u32; SYMBOLS];
    for (k, count) in counts.iter_mut().enumerate().take(256) {
        *count = (1e6 * (-(k as f64) / 5.0).exp()) as u32;
    }
    let code = Code::of(&counts);
    let room: u64 = code
        .words
        .iter()
        .map(|w| 1u64 << (LONGEST - u32::from(w.1)))
        .sum();
    assert_eq!(room, 1 << LONGEST);
    let total: f64 = counts.iter().map(|&n| f64::from(n)).sum();
    let (mut bits, mut entropy) = (0.0, 0.0);
    for (&n, word) in counts.iter().zip(&code.words).filter(|(n, _)| **n > 0) {
        let share = f64::from(n) / total;
        bits += share * f64::from(word.1);
        entropy -= share * share.log2();
    }
    assert!(bits >= entropy && bits < entropy + 0.5, "{bits} {entropy}");
}

proptest! {
    #[test]
    fn any_bytes_come_back(
        pieces in prop::collection::vec(prop::collection::vec(prop_oneof![Just(0u8), 0u8..4, any::<u8>()], 0..400), 0..8)
    ) {
        prop_assert_eq!(there_and_back(&pieces), pieces.concat());
    }
}
