//! Brackets made from arrays, for tests.
use stopspan_core::model::{Bracket, Exposure, ExposureSource, Frame};
use stopspan_core::model::{Compression, Format, Header, Picture};
use stopspan_core::raster::Pixels;
use stopspan_core::units::{Estimate, ExposureSettings, ExposureTime};

/// A bracket of these pixels at these exposures (stops, ascending), the reference in the middle.
pub(super) fn bracket_of(pixels: &[Pixels], stops: &[f64], compression: Compression) -> Bracket {
    let frame = |(pixels, stops): (&Pixels, &f64)| {
        let stated = Estimate::new(*stops, 0.01);
        Frame {
            picture: Picture {
                file: format!("frame{stops}").into(),
                format: Format::Png,
                pixels: pixels.clone(),
                compression,
                header: Header::default(),
                file_bytes: 0,
                sha256: None,
                damaged: false,
                raw: None,
            },
            settings: ExposureSettings {
                time: Some(ExposureTime(stops.exp2())),
                ..ExposureSettings::default()
            },
            exposure: Exposure {
                stated,
                used: stated,
                source: ExposureSource::Metadata,
            },
            bias: None,
            balance: stopspan_core::model::UNCHANGED,
            transform: None,
        }
    };
    Bracket {
        name: "bracket".into(),
        frames: pixels.iter().zip(stops).map(frame).collect(),
        reference: pixels.len() / 2,
        camera_hdr: None,
        findings: Vec::new(),
    }
}
