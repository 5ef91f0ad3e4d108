//! Deflates stripes in parallel and joins them to one zlib stream (RFC 1950, RFC 1951).
use super::huffman::{Counts, Stream};
use miniz_oxide::deflate::core::{CompressorOxide, create_comp_flags_from_zip_params};
use miniz_oxide::deflate::stream::deflate;
use miniz_oxide::{MZFlush, MZStatus};

/// Modulus of Adler-32.
const ADLER: u64 = 65521;
/// Fast: photographs contain next to no repeats.
const LEVEL: u8 = 1;
/// Raw deflate (no zlib header), window of 2^15 bytes.
const RAW: i32 = -15;
/// Strategy for filtered samples, which are mostly small.
const FILTERED: i32 = 1;

/// A compressed stripe of data.
pub(super) struct Stripe {
    bytes: Vec<u8>,
    sum: u32,
    length: u64,
}

impl Stripe {
    /// Compresses one stripe of a stream; `last` marks the final one.
    pub fn of(data: &[u8], last: bool) -> Self {
        let zeros = data.iter().filter(|&&byte| byte == 0).count();
        if zeros < data.len() / FLAT {
            return Stripe::of_noise(data, last);
        }
        Stripe {
            bytes: raw(data, last),
            sum: simd_adler32::adler32(&data),
            length: data.len() as u64,
        }
    }

    /// As [`Stripe::of`] for the noise of 16-bit samples, which has no repeats to find: takes a fifth of the time.
    pub fn of_noise(data: &[u8], last: bool) -> Self {
        let pieces = (0..data.len()).step_by(PIECE);
        let pieces = pieces.map(|start| start..data.len().min(start + PIECE));
        let mut stream = Stream::without_head(data.len());
        for range in pieces {
            let mut counts = Counts::new();
            counts.add(&data[range.clone()]);
            let code = counts.code();
            stream.write(
                &data[range.clone()],
                std::iter::once((0..range.len(), code.as_ref())),
            );
        }
        let (bytes, sum) = stream.end(last);
        Stripe {
            bytes,
            sum,
            length: data.len() as u64,
        }
    }
}

/// A stripe in which less than one byte in so many is zero is coded as noise: such data are differences of a
/// photograph, not a drawing.
const FLAT: usize = 2;
/// Bytes coded with one Huffman code if noise is coded.
const PIECE: usize = 1 << 17;

/// Joins stripes to one zlib stream.
#[derive(Default)]
pub(super) struct Joint {
    /// Adler-32 of the stripes so far; `None` before the first.
    sum: Option<u32>,
}

impl Joint {
    /// Bytes of the next stripe for the stream; `last` as given for the stripe.
    pub fn part(&mut self, stripe: Stripe, last: bool) -> Vec<u8> {
        let mut bytes = stripe.bytes;
        if self.sum.is_none() {
            bytes.splice(0..0, [0x78, 0x01]);
        }
        let sum = joined(self.sum.unwrap_or(1), stripe.sum, stripe.length);
        self.sum = Some(sum);
        if last {
            bytes.extend(sum.to_be_bytes());
        }
        bytes
    }
}

/// A zlib stream of a single stripe.
pub(super) fn zlib(data: &[u8]) -> Vec<u8> {
    miniz_oxide::deflate::compress_to_vec_zlib(data, LEVEL)
}

/// Deflate that ends on a byte boundary and contains no reference to earlier data.
fn raw(data: &[u8], last: bool) -> Vec<u8> {
    let flags = create_comp_flags_from_zip_params(LEVEL.into(), RAW, FILTERED);
    let mut state = CompressorOxide::new(flags);
    let flush = if last { MZFlush::Finish } else { MZFlush::Full };
    let mut out = vec![0; data.len() / 2 + 1024];
    let (mut read, mut written) = (0, 0);
    loop {
        let step = deflate(&mut state, &data[read..], &mut out[written..], flush);
        read += step.bytes_consumed;
        written += step.bytes_written;
        // Output space left over means that all input is consumed.
        let ended = matches!(step.status, Ok(MZStatus::StreamEnd) | Err(_));
        if ended || (read == data.len() && written < out.len()) {
            break;
        }
        out.resize(out.len() + data.len() / 2 + 1024, 0);
    }
    out.truncate(written);
    out
}

/// Adler-32 of the concatenation of two pieces; `length` is that of the second.
fn joined(first: u32, second: u32, length: u64) -> u32 {
    let (a1, b1) = (u64::from(first & 0xffff), u64::from(first >> 16));
    let (a2, b2) = (u64::from(second & 0xffff), u64::from(second >> 16));
    let a = (a1 + a2 + ADLER - 1) % ADLER;
    let b = (b1 + b2 + (length % ADLER) * (a1 + ADLER - 1)) % ADLER;
    (b << 16 | a) as u32
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Decodes the stream with another implementation.
    fn back(stripes: &[Vec<u8>]) -> Vec<u8> {
        let last = stripes.len() - 1;
        let [plain, noise] = [Stripe::of, Stripe::of_noise].map(|coding| {
            let mut joint = Joint::default();
            let coded = stripes.iter().enumerate();
            let coded = coded.flat_map(|(k, s)| joint.part(coding(s, k == last), k == last));
            fdeflate::decompress_to_vec(&coded.collect::<Vec<u8>>()).unwrap()
        });
        assert_eq!(plain, noise);
        noise
    }

    /// The decoder is another implementation, which also verifies the checksum.
    #[test]
    fn any_stripes_come_back() {
        let noise: Vec<u8> = (0..70_000u32)
            .map(|i| (i.wrapping_mul(2_654_435_761) >> 21) as u8)
            .collect();
        let skewed: Vec<u8> = (0..70_000u32)
            .map(|i| i.wrapping_mul(2_654_435_761).leading_zeros() as u8)
            .collect();
        for stripes in [
            vec![vec![]],
            vec![vec![7]],
            vec![vec![0; 100_000], vec![0], vec![5; 300]],
            vec![noise.clone(), skewed.clone(), vec![], noise],
            vec![skewed],
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
}
