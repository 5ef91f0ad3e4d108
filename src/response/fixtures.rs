//! Brackets of given pixels, for the unit tests of this crate.
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::raster::Pixels;
use stopspan_core::units::{Estimate, ExposureTime};

/// A bracket of lossless frames with these pixels and exposures (stops, increasing); the middle frame is the reference.
pub(super) fn bracket_of(pixels: &[Pixels], stops: &[f64]) -> Bracket {
    let frame = |(pixels, stops): (&Pixels, &f64)| {
        let exposure = Estimate::new(*stops, 0.01);
        let mut frame = Frame::of_pixels(format!("frame{stops}"), pixels.clone(), exposure);
        frame.settings.time = Some(ExposureTime(stops.exp2()));
        frame
    };
    Bracket::new(
        "bracket",
        pixels.iter().zip(stops).map(frame).collect(),
        pixels.len() / 2,
    )
}
