//! A gain map JPEG of a real camera (Ultra HDR samples by Mishaal Rahman, CC BY 4.0).
use super::file;
use crate::published::srgb::to_linear;
use stopspan_core::model::Limits;
use stopspan_core::raster::Pixels;
use stopspan_formats::{gain_map, read_picture};

/// Its metadata (XMP alone) state 0 to 2.656715 stops without offsets, gamma 1; the lightest place of its map has that gain, and
/// no place less than none.
#[test]
#[ignore = "needs outside data: gain_map_sample.jpg"]
fn a_cameras_file_has_the_gain_its_metadata_state() {
    let path = file("gain_map_sample.jpg");
    let back = gain_map::read(&path, &Limits::default()).unwrap().unwrap();
    let channel = back.metadata.channels[0];
    assert_eq!(
        (channel.min, channel.max, channel.gamma),
        (0.0, 2.656_715, 1.0)
    );
    assert_eq!(back.metadata.alternate_headroom, 2.656_715);
    let Pixels::U8(plain) = read_picture(&path, &Limits::default()).unwrap().pixels else {
        panic!("not 8 bits");
    };
    let (mut low, mut high) = (f64::MAX, f64::MIN);
    for (light, code) in back.light.iter().zip(&plain) {
        if *code > 20 {
            let stops = (f64::from(*light) / to_linear(f64::from(*code) / 255.0)).log2();
            low = low.min(stops);
            high = high.max(stops);
        }
    }
    println!("gain {low:.4} to {high:.4} stops");
    assert!(low > -1e-4 && high < 2.656_8);
    assert!(high > 2.5, "{high}");
}
