//! DNG files of every variety read, against what LibRaw (through rawpy) and tifffile read; files and answers by dng/make.py.
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use stopspan_core::model::{Limits, Picture, Raw};
use stopspan_core::raster::Pixels;
use stopspan_formats::{read_header, read_picture};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/dng")
}

fn read(name: &str) -> Picture {
    let file = folder().join(format!("{name}.dng"));
    read_picture(&file, &Limits::default()).unwrap_or_else(|e| panic!("{name}: {e}"))
}

fn raw(picture: &Picture) -> &Raw {
    picture.raw.as_deref().expect("a raw picture")
}

/// The codes of the file, orientation taken back, row by row.
fn codes(picture: &Picture) -> ((usize, usize, usize), Vec<u16>) {
    let Pixels::U16(upright) = &picture.pixels else {
        panic!("raw samples have 16 bits")
    };
    let stored = match picture.header.orientation {
        // stored row i, column j is upright row j, column (rows - 1 - i)
        Some(6) => {
            let mut turned = upright.clone().permuted_axes([1, 0, 2]);
            turned.invert_axis(ndarray::Axis(0));
            turned
        }
        _ => upright.clone(),
    };
    let factor = raw(picture).code * 65535.0;
    let values = stored
        .iter()
        .map(|&v| (f64::from(v) / factor).round() as u16);
    (stored.dim(), values.collect())
}

#[test]
fn every_variety_has_the_samples_that_other_readers_find() {
    let table = std::fs::read_to_string(folder().join("expected.csv")).unwrap();
    let mut rows = 0;
    for line in table.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let [name, reader, height, width, samples, digest, first] = cells[..] else {
            panic!("{line}")
        };
        let number = |t: &str| t.parse::<usize>().unwrap();
        let picture = read(name);
        let (dim, codes) = codes(&picture);
        assert_eq!(
            dim,
            (number(height), number(width), number(samples)),
            "{name} by {reader}"
        );
        let start: Vec<String> = codes.iter().take(8).map(u16::to_string).collect();
        assert_eq!(start.join(" "), first, "{name} by {reader}");
        let bytes: Vec<u8> = codes.iter().flat_map(|v| v.to_le_bytes()).collect();
        let sum: String = Sha256::digest(&bytes)
            .iter()
            .map(|b| format!("{b:02x}"))
            .collect();
        assert_eq!(sum, digest, "{name} by {reader}");
        rows += 1;
    }
    assert_eq!(rows, 18);
    let files = std::fs::read_dir(folder()).unwrap();
    let dng = |p: &PathBuf| p.extension().is_some_and(|e| e == "dng");
    assert_eq!(files.map(|f| f.unwrap().path()).filter(dng).count(), rows);
}

/// The tags that make.py wrote.
#[test]
fn tags_arrive_where_they_belong() {
    let picture = read("active-area");
    let (header, known) = (&picture.header, raw(&picture));
    assert_eq!((header.columns, header.rows), (16, 24));
    assert_eq!(header.sensitivity, Some(200.0));
    assert_eq!(header.exposure_time.unwrap().value(), 1.0 / 60.0);
    assert_eq!(header.captured.as_deref(), Some("2026:05:04 10:30:00"));
    assert_eq!(header.model.as_deref(), Some("Simulated Camera S1"));
    let alone = read_header(&folder().join("active-area.dng"), &Limits::default()).unwrap();
    assert_eq!(alone, *header);
    // Stored crop begins at row 1, column 3 of the active area, whose sites are R G / G B with black 64.25, 65 / 66, 67.5:
    // at the crop B G / G R. Orientation 6 turns the first column up, from below: G(65) B(67.5) / R(64.25) G(66) in rows.
    let factor = known.code * 65535.0;
    let black: Vec<f64> = known.black.iter().map(|b| b * 65535.0 / factor).collect();
    let mosaic = known.mosaic.unwrap();
    let sites = [(0, 0), (0, 1), (1, 0), (1, 1)].map(|(r, c)| mosaic.colour(r, c));
    assert_eq!(sites, [1, 2, 0, 1]);
    let wanted = [64.25, 65.0, 66.0, 67.5];
    // Red rows are the lower ones now, where the green of black 66 stands beside red.
    let by_plane = [wanted[0], wanted[1], wanted[2], wanted[3]];
    for plane in [0, 3] {
        assert!((black[plane] - by_plane[plane]).abs() < 1e-6, "{black:?}");
    }
    let mut greens = [black[1], black[2]];
    greens.sort_by(f64::total_cmp);
    assert!((greens[0] - 65.0).abs() < 1e-6 && (greens[1] - 66.0).abs() < 1e-6);
    assert!(
        known
            .white
            .iter()
            .all(|w| (w * 65535.0 / factor - 4000.0).abs() < 1e-6)
    );
    assert_eq!(known.noise_profile, [(2e-4, 1e-6); 3]);
    assert_eq!(known.baseline_exposure, Some(-0.5));
    assert_eq!(known.colour.neutral, Some([0.5, 1.0, 0.66]));
    assert_eq!(known.colour.calibrations.len(), 1);
    assert_eq!(known.colour.calibrations[0].from_xyz[4], 1.2);
    assert_eq!(known.colour.calibrations[0].illuminant, 21);
}

/// Two illuminants (A and D65), with and without forward matrices and a calibration of the very camera, three lights: the
/// answers of dng/camera_space.py, which uses colour-science. The last digit there is 1e-7 relative; Robertson's table and Bradford's
/// matrix are the same, sRGB's matrix is rounded otherwise.
#[test]
fn camera_colours_are_those_that_colour_science_finds() {
    use stopspan_core::model::{CameraColour, ColourCalibration};
    use stopspan_core::units::Primaries;
    use stopspan_frames::camera_colour::camera_space;
    let calibrations = |forward: bool, own: bool| {
        let diagonal = [1.02, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.97];
        [
            (
                17,
                [1.05, -0.42, -0.06, -0.38, 1.21, 0.19, -0.03, 0.14, 0.52],
                [0.52, 0.31, 0.1342, 0.22, 0.86, -0.08, 0.02, -0.15, 0.9549],
            ),
            (
                21,
                [0.86, -0.27, -0.09, -0.45, 1.26, 0.21, -0.07, 0.18, 0.63],
                [0.60, 0.24, 0.1242, 0.26, 0.79, -0.05, 0.03, -0.09, 0.8849],
            ),
        ]
        .map(|(illuminant, from_xyz, forward_matrix)| ColourCalibration {
            illuminant,
            from_xyz,
            calibration: own.then_some(diagonal),
            forward: forward.then_some(forward_matrix),
        })
        .to_vec()
    };
    let table = std::fs::read_to_string(folder().join("camera_space.csv")).unwrap();
    let mut rows = 0;
    for line in table.lines().skip(1) {
        let v: Vec<f64> = line.split(',').map(|t| t.parse().unwrap()).collect();
        let colour = CameraColour {
            neutral: Some([v[0], v[1], v[2]]),
            calibrations: calibrations(v[3] == 1.0, v[4] == 1.0),
            ..CameraColour::default()
        };
        let space = camera_space(&colour).unwrap();
        assert!((space.light[0] - v[5]).abs() < 1e-5, "{line}: {space:?}");
        assert!((space.light[1] - v[6]).abs() < 1e-5, "{line}: {space:?}");
        assert!(
            (space.temperature / v[7] - 1.0).abs() < 1e-4,
            "{line}: {space:?}"
        );
        let matrix = space.primaries.to(&Primaries::SRGB);
        for (k, found) in matrix.iter().flatten().enumerate() {
            assert!((found - v[8 + k]).abs() < 1e-3, "{line}: {matrix:?}");
        }
        rows += 1;
    }
    assert_eq!(rows, 12);
}

/// The simulator's raw files, made anew, against what rawpy and tifffile read of them (dng/simulated.py): samples, levels,
/// filters and white. The simulator draws the same on every machine, so that the samples must be the same to the bit.
#[test]
fn files_of_the_simulator_are_what_other_readers_find() {
    use stopspan_formats::staged::Outputs;
    use stopspan_simulate::{FileKind, Scenario, write_scenario};
    let text = std::fs::read_to_string(folder().join("simulated.json")).unwrap();
    let table = std::fs::read_to_string(folder().join("simulated.csv")).unwrap();
    let mut rows = 0;
    for line in table.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let mut scenario: Scenario = serde_json::from_str(&text).unwrap();
        scenario.files = FileKind::Dng {
            deflate: cells[0] == "dng-deflate",
            mono: cells[0] == "dng-mono",
        };
        let scratch = tempfile::tempdir().unwrap();
        write_scenario(&scenario, scratch.path(), &Outputs::default()).unwrap();
        let picture = read_picture(&scratch.path().join("s_one.dng"), &Limits::default()).unwrap();
        let (dim, codes) = codes(&picture);
        let number = |i: usize| cells[i].parse::<f64>().unwrap();
        assert_eq!(
            (dim.0 as f64, dim.1 as f64),
            (number(2), number(3)),
            "{line}"
        );
        let bytes: Vec<u8> = codes.iter().flat_map(|v| v.to_le_bytes()).collect();
        let sum = Sha256::digest(&bytes);
        let sum: String = sum.iter().map(|b| format!("{b:02x}")).collect();
        assert_eq!(sum, cells[4], "{line}");
        let known = raw(&picture);
        let code = |level: f64| level / known.code;
        assert!((code(known.black[0]) - number(5)).abs() < 1e-6, "{line}");
        assert!((code(known.white[0]) - number(6)).abs() < 1e-6, "{line}");
        let sites = [(0, 0), (0, 1), (1, 0), (1, 1)];
        let filters = known.mosaic.map_or("mono".to_owned(), |m| {
            sites.map(|(r, c)| ["R", "G", "B"][m.colour(r, c)]).concat()
        });
        assert_eq!(filters, cells[7], "{line}");
        for (k, told) in known.colour.neutral.iter().flatten().enumerate() {
            assert!((told - number(8 + k)).abs() < 1e-5, "{line}");
        }
        rows += 1;
    }
    assert_eq!(rows, 3);
}
