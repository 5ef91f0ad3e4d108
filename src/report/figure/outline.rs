//! Outline of a quadrilateral drawn into a picture, dashed black and white to be visible on any background.
use ndarray::Array3;
use stopspan_core::raster::Quad;

/// Length of a black or white dash, pixels.
const DASH: usize = 5;

/// Draws the outline of `quad` into `picture`, two pixels wide. `quad` is in pixels of a picture `scale` times as large. Parts
/// outside the picture are omitted.
pub(crate) fn outline(picture: &mut Array3<u8>, quad: &Quad, scale: f64) {
    let (rows, columns, _) = picture.dim();
    let mut step = 0usize;
    for i in 0..4 {
        let (a, b) = (quad[i], quad[(i + 1) % 4]);
        let (ax, ay, bx, by) = (a.x / scale, a.y / scale, b.x / scale, b.y / scale);
        let length = (bx - ax).hypot(by - ay);
        // Omits sides that are not finite or far longer than the picture.
        if !length.is_finite() || length > 10.0 * (rows + columns) as f64 {
            continue;
        }
        for k in 0..=length.ceil() as usize {
            let t = k as f64 / length.ceil().max(1.0);
            let (x, y) = (ax + t * (bx - ax), ay + t * (by - ay));
            let colour = if (step / DASH).is_multiple_of(2) {
                255
            } else {
                0
            };
            step += 1;
            for (dx, dy) in [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)] {
                let (c, r) = ((x + dx).floor(), (y + dy).floor());
                if c >= 0.0 && r >= 0.0 && c < columns as f64 && r < rows as f64 {
                    let at = ndarray::s![r as usize, c as usize, ..];
                    picture.slice_mut(at).fill(colour);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stopspan_core::raster::Point;

    #[test]
    fn draws_the_sides_and_nothing_else() {
        let mut picture = Array3::from_elem((40, 60, 3), 100u8);
        let p = |x: f64, y: f64| Point { x, y };
        let quad = [p(20.0, 20.0), p(100.0, 20.0), p(100.0, 60.0), p(20.0, 60.0)];
        outline(&mut picture, &quad, 2.0);
        assert_ne!(picture[[10, 30, 0]], 100);
        assert_ne!(picture[[20, 50, 0]], 100);
        assert_eq!(picture[[20, 30, 0]], 100);
        let drawn = picture.iter().filter(|v| **v != 100).count() / 3;
        assert!((200..=300).contains(&drawn), "{drawn}");
        outline(&mut picture, &[p(f64::NAN, 0.0); 4], 1.0);
        outline(
            &mut picture,
            &[
                p(-50.0, -50.0),
                p(500.0, -9.0),
                p(500.0, 900.0),
                p(0.0, 1e3),
            ],
            1.0,
        );
    }
}
