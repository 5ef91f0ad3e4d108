//! Small ICC profiles for files written.
//!
//! They are ICC.1:2001-04, version 2, display class, matrix and curve: sRGB (IEC 61966-2-1) and
//! Display P3 (SMPTE EG 432-1), which share the transfer function. Colorants are the primaries adapted from D65 to
//! D50 by the Bradford transform, as ICC profiles require.
use stopspan_core::units::{Primaries, srgb_exposure};

/// Colorants X, Y, Z of sRGB, adapted to D50 by the Bradford transform.
const COLORANTS: [(&[u8; 4], [f64; 3]); 3] = [
    (b"rXYZ", [0.436_065_7, 0.222_488_4, 0.013_916_0]),
    (b"gXYZ", [0.385_147_1, 0.716_873_2, 0.097_076_4]),
    (b"bXYZ", [0.143_066_4, 0.060_607_9, 0.714_096_1]),
];
/// White of the profile connection space, XYZ.
const D50: [f64; 3] = [0.9642, 1.0, 0.8249];
/// Entries of the curve table.
const CURVE: usize = 1024;
const NAME: &str = "sRGB IEC61966-2-1";

/// An sRGB profile; always the same bytes.
pub fn srgb_profile() -> Vec<u8> {
    profile(NAME, COLORANTS)
}

/// A Display P3 profile; always the same bytes.
pub fn display_p3_profile() -> Vec<u8> {
    let [x, y, z] = Primaries::DISPLAY_P3.to_d50();
    let colorant = |k: usize| [x[k], y[k], z[k]];
    let named = [
        (b"rXYZ", colorant(0)),
        (b"gXYZ", colorant(1)),
        (b"bXYZ", colorant(2)),
    ];
    profile("Display P3", named)
}

fn profile(name: &str, colorants: [(&[u8; 4], [f64; 3]); 3]) -> Vec<u8> {
    let mut tags: Vec<([u8; 4], Vec<u8>)> = vec![
        (*b"desc", description(name)),
        (*b"cprt", [&b"text\0\0\0\0"[..], b"No copyright\0"].concat()),
        (*b"wtpt", xyz(D50)),
    ];
    tags.extend(colorants.map(|(name, values)| (*name, xyz(values))));
    tags.push((*b"rTRC", curve()));

    let count = tags.len() + 2; // green and blue share the red curve
    let mut table = (count as u32).to_be_bytes().to_vec();
    let mut data = Vec::new();
    let begin = 128 + 4 + 12 * count;
    for (tag, mut bytes) in tags {
        let entry = [
            ((begin + data.len()) as u32).to_be_bytes(),
            (bytes.len() as u32).to_be_bytes(),
        ]
        .concat();
        let names: &[[u8; 4]] = match &tag {
            b"rTRC" => &[*b"rTRC", *b"gTRC", *b"bTRC"],
            other => &[*other],
        };
        for name in names {
            table.extend_from_slice(name);
            table.extend_from_slice(&entry);
        }
        bytes.resize(bytes.len().next_multiple_of(4), 0);
        data.extend(bytes);
    }
    [header((begin + data.len()) as u32), table, data].concat()
}

/// ICC.1:2001-04, 6.1.
fn header(length: u32) -> Vec<u8> {
    let mut header = vec![0; 128];
    header[0..4].copy_from_slice(&length.to_be_bytes());
    header[8..12].copy_from_slice(&[2, 0x20, 0, 0]); // version 2.2
    header[12..24].copy_from_slice(b"mntrRGB XYZ ");
    let date: [u16; 6] = [1999, 10, 1, 0, 0, 0]; // of the standard, so that the bytes are always the same
    for (k, part) in date.iter().enumerate() {
        header[24 + 2 * k..26 + 2 * k].copy_from_slice(&part.to_be_bytes());
    }
    header[36..40].copy_from_slice(b"acsp");
    header[68..80].copy_from_slice(&xyz(D50)[8..]);
    header
}

fn description(name: &str) -> Vec<u8> {
    let mut tag = b"desc\0\0\0\0".to_vec();
    tag.extend((name.len() as u32 + 1).to_be_bytes());
    tag.extend_from_slice(name.as_bytes());
    tag.push(0);
    tag.extend([0; 4 + 4 + 2 + 1 + 67]); // no Unicode, no script code
    tag
}

/// `XYZType` with s15Fixed16 numbers.
fn xyz(values: [f64; 3]) -> Vec<u8> {
    let mut tag = b"XYZ \0\0\0\0".to_vec();
    for value in values {
        tag.extend(((value * 65536.0).round() as i32).to_be_bytes());
    }
    tag
}

/// `curveType`: linear light in 1/65535 at equally spaced levels, IEC 61966-2-1.
fn curve() -> Vec<u8> {
    let mut tag = b"curv\0\0\0\0".to_vec();
    tag.extend((CURVE as u32).to_be_bytes());
    for k in 0..CURVE {
        let level = k as f64 / (CURVE - 1) as f64;
        tag.extend(((srgb_exposure(level) * 65535.0).round() as u16).to_be_bytes());
    }
    tag
}

#[cfg(test)]
mod tests {
    use super::*;
    use stopspan_core::model::profile_primaries;

    #[test]
    fn our_own_profiles_say_what_they_are() {
        for (profile, space) in [
            (srgb_profile(), Primaries::SRGB),
            (display_p3_profile(), Primaries::DISPLAY_P3),
        ] {
            assert_eq!(profile_primaries(&profile), Ok(Some(space)));
            for cut in [0, 20, 127, 140, 200] {
                assert!(profile_primaries(&profile[..cut]).is_err(), "{cut}");
            }
        }
    }
}
