//! What the page is shown is what is in the files: tiles of pictures and of maps, held against other readers.
use super::client::{Desk, bench};
use image::{GenericImageView, ImageReader};
use std::io::Cursor;

#[test]
fn tiles_of_a_picture_are_its_pixels() {
    let base = tempfile::tempdir().unwrap();
    let drawn = image::RgbImage::from_fn(700, 300, |x, y| {
        image::Rgb([(x % 251) as u8, (y % 241) as u8, (x * y % 239) as u8])
    });
    drawn.save(base.path().join("a.png")).unwrap();
    let desk = Desk::on(base.path());
    let id = desk.value("/api/folder")["pictures"][0]["picture"].clone();
    let id = id.as_str().unwrap();
    let about = desk.value(&format!("/api/picture/{id}"));
    assert_eq!(
        (&about["columns"], &about["rows"], &about["levels"]),
        (&700.into(), &300.into(), &3.into())
    );
    let tile = |level: u32, x: u32, y: u32| {
        let reply = desk.get(&format!("/api/picture/{id}/tile/{level}/{x}/{y}"));
        assert_eq!(reply.status, 200);
        image::load_from_memory(&reply.body).unwrap().to_rgb8()
    };
    for (x, y) in [(0, 0), (1, 0), (2, 1)] {
        let wanted = drawn
            .view(
                x * 256,
                y * 256,
                256.min(700 - x * 256),
                256.min(300 - y * 256),
            )
            .to_image();
        assert_eq!(tile(0, x, y), wanted, "{x} {y}");
    }
    let half = tile(1, 0, 0);
    let four: u32 = [(4, 6), (5, 6), (4, 7), (5, 7)]
        .map(|(x, y)| u32::from(drawn.get_pixel(x, y)[2]))
        .iter()
        .sum();
    assert_eq!(u32::from(half.get_pixel(2, 3)[2]), (four + 2) / 4);
    assert_eq!(
        desk.get(&format!("/api/picture/{id}/tile/0/3/0")).status,
        404
    );
    assert_eq!(
        desk.get(&format!("/api/picture/{id}/tile/3/0/0")).status,
        404
    );
    // A small copy is reduced by a whole factor: to at most 256 pixels by three.
    for (path, longest) in [("thumb", 234), ("view?longest=350", 350)] {
        let reply = desk.get(&format!("/api/picture/{id}/{path}"));
        let reader = ImageReader::new(Cursor::new(&reply.body))
            .with_guessed_format()
            .unwrap();
        assert_eq!(reader.format(), Some(image::ImageFormat::Jpeg));
        assert_eq!(reader.into_dimensions().unwrap().0, longest, "{path}");
    }
}

/// Read by the `exr` crate.
#[test]
fn tiles_of_a_map_hold_its_values() {
    let desk = Desk::on(&bench());
    desk.opened();
    desk.ran("a");
    let result = desk.value("/api/result/r1");
    let bracket = &result["brackets"][0];
    let id = bracket["map"].as_str().unwrap();
    let about = desk.value(&format!("/api/map/{id}"));
    let (columns, rows) = (
        about["columns"].as_u64().unwrap(),
        about["rows"].as_u64().unwrap(),
    );
    let path = desk
        .results()
        .join("a")
        .join(bracket["name"].as_str().unwrap())
        .join("radiance.exr");
    let file = exr::prelude::read_first_flat_layer_from_file(path).unwrap();
    let channels = &file.layer_data.channel_data.list;
    let plane = |name: &str| -> Vec<f32> {
        let channel = channels.iter().find(|c| c.name.eq(name)).unwrap();
        channel.sample_data.values_as_f32().collect()
    };
    let radiance = ["R", "G", "B"].map(plane);
    let (x, y) = (3, 2);
    let reply = desk.get(&format!("/api/map/{id}/tile/0/{x}/{y}"));
    let number = |name: &str| reply.header(name).unwrap().parse::<usize>().unwrap();
    let (width, height) = (number("x-width"), number("x-height"));
    assert_eq!((width, height), (256, 256));
    assert_eq!(reply.body.len(), 18 * width * height);
    let float = |at: usize| f32::from_le_bytes(reply.body[4 * at..][..4].try_into().unwrap());
    for (row, column) in [(0, 0), (17, 200), (255, 255)] {
        let at = (y * 256 + row) * columns as usize + x * 256 + column;
        for (k, plane) in radiance.iter().enumerate() {
            assert_eq!(float(4 * (row * width + column) + k), plane[at]);
        }
        let uncertainty = float(4 * (row * width + column) + 3);
        assert!(uncertainty > 0.0 && uncertainty < 1.0, "{uncertainty}");
    }
    assert_eq!(rows, 1200);
    let look = desk.value("/api/state")["settings"]["look"].to_string();
    let look: String = look.bytes().map(|b| format!("%{b:02x}")).collect();
    let reply = desk.get(&format!("/api/map/{id}/look?longest=800&look={look}"));
    let shown = image::load_from_memory(&reply.body).unwrap();
    assert_eq!(shown.dimensions(), (800, 600));
    // The look of the whole map, made smaller, is nearly the same: within two codes of 255 on average.
    let rendered = desk.get(&format!(
        "/api/picture/{}/view?longest=800",
        bracket["rendered"].as_str().unwrap()
    ));
    let rendered = image::load_from_memory(&rendered.body).unwrap().to_rgb8();
    let differ: f64 = shown
        .to_rgb8()
        .iter()
        .zip(rendered.iter())
        .map(|(a, b)| f64::from(a.abs_diff(*b)))
        .sum();
    let mean = differ / (800.0 * 600.0 * 3.0);
    assert!(mean < 2.0, "{mean}");
}
