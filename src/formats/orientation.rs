//! Applies EXIF orientation 1..=8 to decoded pixels.
use super::fault::Fault;
use image::{ImageBuffer, Luma, Pixel, Primitive, Rgb, imageops};
use ndarray::Array3;
use stopspan_core::model::Raw;
use stopspan_core::raster::{Mosaic, Pixels};

/// True if orientation exchanges rows and columns (orientations 5 to 8).
pub(super) fn swaps_sides(orientation: u32) -> bool {
    (5..=8).contains(&orientation)
}

/// The pixels upright. `orientation` is the value of EXIF tag 0x0112: the sides where the stored first row and first
/// column belong (Exif 2.32, 4.6.4 A). Values outside 2..=8 return the pixels unchanged, without a copy.
pub(super) fn upright(pixels: Pixels, orientation: u32) -> Result<Pixels, Fault> {
    if !(2..=8).contains(&orientation) {
        return Ok(pixels);
    }
    Ok(match pixels {
        Pixels::U8(a) => Pixels::U8(turn(a, orientation)?),
        Pixels::U16(a) => Pixels::U16(turn(a, orientation)?),
        Pixels::F32(a) => Pixels::F32(turn(a, orientation)?),
    })
}

/// Raw metadata after the same rotation or reflection: the sites of the mosaic change places, and its planes with
/// them. A mosaic must have an even number of rows and columns.
pub(super) fn turned(mut raw: Box<Raw>, orientation: u32) -> Result<Box<Raw>, Fault> {
    let Some(stored) = raw.mosaic else {
        return Ok(raw);
    };
    let sites = Array3::from_shape_fn((2, 2, 1), |(r, c, _)| (2 * r + c) as u8);
    let Pixels::U8(sites) = upright(Pixels::U8(sites), orientation)? else {
        return Ok(raw);
    };
    let sites: Vec<usize> = sites.iter().map(|&s| usize::from(s)).collect();
    let colours = std::array::from_fn(|k| stored.colour(sites[k] / 2, sites[k] % 2) as u8);
    let mosaic = Mosaic::new(colours).ok_or(Fault::damaged("a mosaic without sense"))?;
    let (before, after) = (stored.planes(), mosaic.planes());
    let (black, white) = (raw.black.clone(), raw.white.clone());
    for (k, plane) in after.into_iter().enumerate() {
        raw.black[plane] = black[before[sites[k]]];
        raw.white[plane] = white[before[sites[k]]];
    }
    raw.mosaic = Some(mosaic);
    Ok(raw)
}

fn turn<T: Primitive + 'static>(samples: Array3<T>, orientation: u32) -> Result<Array3<T>, Fault>
where
    Luma<T>: Pixel<Subpixel = T>,
    Rgb<T>: Pixel<Subpixel = T>,
{
    if samples.dim().2 == 1 {
        turn_as::<Luma<T>>(samples, orientation)
    } else {
        turn_as::<Rgb<T>>(samples, orientation)
    }
}

fn turn_as<P: Pixel + 'static>(
    samples: Array3<P::Subpixel>,
    orientation: u32,
) -> Result<Array3<P::Subpixel>, Fault> {
    let (rows, columns, channels) = samples.dim();
    let (data, _) = samples.into_raw_vec_and_offset();
    let width = u32::try_from(columns).map_err(Fault::damaged)?;
    let height = u32::try_from(rows).map_err(Fault::damaged)?;
    let mut buffer = ImageBuffer::<P, Vec<P::Subpixel>>::from_raw(width, height, data)
        .ok_or(Fault::damaged("fewer samples than pixels"))?;
    match orientation {
        2 => imageops::flip_horizontal_in_place(&mut buffer),
        3 => imageops::rotate180_in_place(&mut buffer),
        4 => imageops::flip_vertical_in_place(&mut buffer),
        5 => {
            buffer = imageops::rotate90(&buffer);
            imageops::flip_horizontal_in_place(&mut buffer);
        }
        6 => buffer = imageops::rotate90(&buffer),
        7 => {
            buffer = imageops::rotate270(&buffer);
            imageops::flip_horizontal_in_place(&mut buffer);
        }
        _ => buffer = imageops::rotate270(&buffer),
    }
    let (width, height) = buffer.dimensions();
    let shape = (height as usize, width as usize, channels);
    Array3::from_shape_vec(shape, buffer.into_raw()).map_err(Fault::damaged)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sides of the upright picture where stored row 0 and stored column 0 belong, Exif 2.32 table for tag 0x0112: 1
    /// top/left, 2 top/right, 3 bottom/right, 4 bottom/left, 5 left/top, 6 right/top, 7 right/bottom, 8 left/bottom.
    #[test]
    fn stored_corner_and_its_neighbours_land_where_the_standard_says() {
        // stored: 2 rows x 3 columns, samples 10 * row + column
        let stored = Array3::from_shape_fn((2, 3, 1), |(r, c, _)| (10 * r + c) as u8);
        let expected: [(u32, [&[u8]; 3]); 8] = [
            (1, [&[0, 1, 2], &[10, 11, 12], &[]]),
            (2, [&[2, 1, 0], &[12, 11, 10], &[]]),
            (3, [&[12, 11, 10], &[2, 1, 0], &[]]),
            (4, [&[10, 11, 12], &[0, 1, 2], &[]]),
            (5, [&[0, 10], &[1, 11], &[2, 12]]),
            (6, [&[10, 0], &[11, 1], &[12, 2]]),
            (7, [&[12, 2], &[11, 1], &[10, 0]]),
            (8, [&[2, 12], &[1, 11], &[0, 10]]),
        ];
        for (orientation, rows) in expected {
            let Pixels::U8(turned) = upright(Pixels::U8(stored.clone()), orientation).unwrap()
            else {
                panic!("the sample type changed")
            };
            let flat: Vec<u8> = rows.concat();
            assert_eq!(
                turned.iter().copied().collect::<Vec<_>>(),
                flat,
                "{orientation}"
            );
            assert_eq!(
                turned.dim().0,
                rows.iter().filter(|r| !r.is_empty()).count()
            );
            assert_eq!(swaps_sides(orientation), orientation >= 5);
        }
    }

    /// After rotation the mosaic gives the right colour for every pixel.
    #[test]
    fn a_mosaic_turns_with_its_pixels() {
        let stored = Mosaic::new([0, 1, 1, 2]).unwrap();
        // the value of a sample is the index of its plane
        let plane = |r: usize, c: usize| stored.planes()[r % 2 * 2 + c % 2];
        let pixels = Array3::from_shape_fn((4, 6, 1), |(r, c, _)| plane(r, c) as u8);
        for orientation in 1..=8 {
            let raw = Box::new(Raw {
                mosaic: Some(stored),
                black: vec![0.0, 1.0, 2.0, 3.0],
                white: vec![4.0, 5.0, 6.0, 7.0],
                ..Raw::default()
            });
            let raw = turned(raw, orientation).unwrap();
            let Pixels::U8(samples) = upright(Pixels::U8(pixels.clone()), orientation).unwrap()
            else {
                panic!("the sample type changed")
            };
            let planes = raw.mosaic.unwrap().planes();
            for ((r, c, _), &was) in samples.indexed_iter() {
                let is = planes[r % 2 * 2 + c % 2];
                assert_eq!(raw.black[is], f64::from(was), "{orientation}");
                assert_eq!(raw.white[is], f64::from(was) + 4.0, "{orientation}");
            }
        }
    }

    #[test]
    fn colours_stay_together_in_float_and_16_bit() {
        let stored = Array3::from_shape_fn((2, 3, 3), |(r, c, k)| (100 * r + 10 * c + k) as f32);
        let Pixels::F32(turned) = upright(Pixels::F32(stored.clone()), 6).unwrap() else {
            panic!("the sample type changed")
        };
        // orientation 6: stored row 0 is the right side, stored column 0 the top
        assert_eq!(turned.dim(), (3, 2, 3));
        assert_eq!(turned[[2, 1, 2]], stored[[0, 2, 2]]);
        assert_eq!(turned[[0, 0, 1]], stored[[1, 0, 1]]);
    }
}
