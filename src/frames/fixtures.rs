//! Brackets made from arrays, for tests.
use stopspan_core::model::{Bracket, Compression, Frame};
use stopspan_core::raster::Pixels;
use stopspan_core::units::{Estimate, ExposureTime};

/// A bracket of these pixels at these exposures (stops, ascending), the reference in the middle.
pub(super) fn bracket_of(pixels: &[Pixels], stops: &[f64], compression: Compression) -> Bracket {
    let frame = |(pixels, stops): (&Pixels, &f64)| {
        let exposure = Estimate::new(*stops, 0.01);
        let mut frame = Frame::of_pixels(format!("frame{stops}"), pixels.clone(), exposure);
        frame.settings.time = Some(ExposureTime(stops.exp2()));
        frame.picture.compression = compression;
        frame
    };
    Bracket::new(
        "bracket",
        pixels.iter().zip(stops).map(frame).collect(),
        pixels.len() / 2,
    )
}
