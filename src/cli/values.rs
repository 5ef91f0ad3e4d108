//! Values as they are written on the command line: corners, grids, sizes, places, parts.
//!
//! The fuzzer includes this file, so it uses nothing else of the program.
use std::path::PathBuf;
use stopspan::pipeline::Part;
use stopspan_core::raster::{Point, Quad, Region};
use stopspan_core::{Error, Setting};
use stopspan_measure::wedge::{MOST_STEPS, numbers};
use stopspan_report::sheet::{Crop, CropPlace, SheetSettings};

/// Corners of the wedge from `X0,Y0,X1,Y1,X2,Y2,X3,Y3`: top-left, top-right, bottom-right, bottom-left, in pixels of the
/// reference frame from its top-left corner. The geometry is not checked.
pub fn corners(text: &str) -> Result<Quad, Error> {
    let v = numbers(Setting::WedgeCorners, text, ',')?;
    if v.len() != 8 {
        let problem = format!(
            "{} numbers, but four corners need 8: X0,Y0,...,X3,Y3",
            v.len()
        );
        return Err(Error::request(Setting::WedgeCorners, problem));
    }
    Ok([0, 2, 4, 6].map(|i| Point {
        x: v[i],
        y: v[i + 1],
    }))
}

/// Rows and columns of the wedge from `ROWSxCOLS`: both at least 1, from 2 to [`MOST_STEPS`] patches.
pub fn grid(text: &str) -> Result<(usize, usize), Error> {
    let wrong = || {
        let problem = format!("\"{text}\" is not of the form ROWSxCOLS, such as 1x21");
        Error::request(Setting::WedgeGrid, problem)
    };
    let (rows, columns) = text.trim().split_once(['x', 'X']).ok_or_else(wrong)?;
    let rows: usize = rows.trim().parse().map_err(|_| wrong())?;
    let columns: usize = columns.trim().parse().map_err(|_| wrong())?;
    let steps = rows.saturating_mul(columns);
    if !(2..=MOST_STEPS).contains(&steps) {
        let problem = format!("{rows} x {columns} patches; from 2 to {MOST_STEPS} can be measured");
        return Err(Error::request(Setting::WedgeGrid, problem));
    }
    Ok((rows, columns))
}

/// Files from `FILE,FILE,...`.
pub fn files(text: &str) -> Vec<PathBuf> {
    let names = text.split(',').map(str::trim).filter(|n| !n.is_empty());
    names.map(PathBuf::from).collect()
}

/// Columns and rows of the sheets, pixels, from `WIDTHxHEIGHT`, each within [`SheetSettings::SIDES`].
pub fn sheet_size(text: &str) -> Result<(usize, usize), Error> {
    let (least, most) = SheetSettings::SIDES;
    let side = |t: &str| t.trim().parse().ok().filter(|n| (least..=most).contains(n));
    text.split_once(['x', 'X'])
        .and_then(|(w, h)| Some((side(w)?, side(h)?)))
        .ok_or_else(|| {
            let wanted = format!("wants WIDTHxHEIGHT, each {least} to {most}; got \"{text}\"");
            Error::request(Setting::SheetSize, wanted)
        })
}

/// A place for a row of crops from `[NAME=][FILE@]X,Y`, the same with `X0,Y0,X1,Y1`, `step:N`, `lightest`, `darkest`, `edge:N` or
/// `ghost:N`.
pub fn crop(text: &str) -> Result<Crop, Error> {
    let wrong = || {
        let wanted = format!(
            "wants [NAME=][FILE@]X,Y or X0,Y0,X1,Y1 in pixels, step:N, lightest, darkest, edge:N or ghost:N; got \"{text}\""
        );
        Error::request(Setting::Crop, wanted)
    };
    let (before, place) = match text.rsplit_once('@') {
        Some((before, place)) => (Some(before), place),
        None => (None, text),
    };
    let part = |t: &str| Some(t.trim().to_owned()).filter(|t| !t.is_empty());
    let (name, picture, place) = match (before, place.split_once('=')) {
        (Some(before), _) => match before.split_once('=') {
            Some((name, file)) => (part(name), Some(part(file).ok_or_else(wrong)?), place),
            None => (None, Some(part(before).ok_or_else(wrong)?), place),
        },
        (None, Some((name, place))) => (part(name), None, place),
        (None, None) => (None, None, place),
    };
    let place = crop_place(place).ok_or_else(wrong)?;
    if picture.is_some() && place.middle().is_none() {
        return Err(wrong());
    }
    Ok(Crop {
        name,
        picture,
        place,
    })
}

fn crop_place(text: &str) -> Option<CropPlace> {
    if let Some((name, number)) = text.split_once(':') {
        let number = number.parse().ok().filter(|n| *n >= 1)?;
        return match name {
            "step" => Some(CropPlace::Step(number)),
            "edge" => Some(CropPlace::Edge(number)),
            "ghost" => Some(CropPlace::Ghost(number)),
            _ => None,
        };
    }
    match text {
        "lightest" => return Some(CropPlace::Lightest),
        "darkest" => return Some(CropPlace::Darkest),
        _ => {}
    }
    let numbers: Vec<f64> = text
        .split(',')
        .map(|t| {
            t.trim()
                .parse()
                .ok()
                .filter(|v: &f64| *v >= 0.0 && v.is_finite())
        })
        .collect::<Option<_>>()?;
    match numbers[..] {
        [x, y] => Some(CropPlace::Point(x, y)),
        [left, top, right, bottom] if left < right && top < bottom => {
            Some(CropPlace::Rectangle([left, top, right, bottom]))
        }
        _ => None,
    }
}

/// A straight edge's rectangle from the columns and rows, whole pixels, of two opposite corners, `X0,Y0,X1,Y1`.
pub fn edge(text: &str) -> Result<Region, Error> {
    let numbers: Option<Vec<usize>> = text.split(',').map(|n| n.trim().parse().ok()).collect();
    match numbers.as_deref() {
        Some(&[left, top, right, bottom]) if left < right && top < bottom => Ok(Region {
            top,
            left,
            height: bottom - top,
            width: right - left,
        }),
        _ => {
            let problem = format!(
                "\"{text}\" is not of the form X0,Y0,X1,Y1 in whole pixels with X0 < X1 and Y0 < Y1"
            );
            Err(Error::request(Setting::Edge, problem))
        }
    }
}

/// A part of the brackets from `K/N` with 1 <= K <= N.
pub fn part(text: &str) -> Result<Part, Error> {
    let number = |t: &str| t.trim().parse().ok();
    text.split_once('/')
        .and_then(|(k, n)| Part::new(number(k)?, number(n)?))
        .ok_or_else(|| {
            let problem = format!("\"{text}\" is not of the form K/N with 1 <= K <= N");
            Error::request(Setting::Part, problem)
        })
}

/// A column and a row.
pub fn place(text: &str) -> Result<(f64, f64), String> {
    let parts = text.split_once(',');
    let numbers = parts.map(|(x, y)| (x.trim().parse::<f64>(), y.trim().parse::<f64>()));
    match numbers {
        Some((Ok(x), Ok(y))) if x >= 0.0 && y >= 0.0 => Ok((x, y)),
        _ => Err("wanted column and row in pixels, as in 640,480".into()),
    }
}

/// An amount of memory, bytes: a number with B, kB, MB, GB or TB (powers of 1000) or KiB, MiB, GiB or TiB (of 1024).
pub fn memory(text: &str) -> Result<u64, String> {
    const UNITS: [(&str, f64); 9] = [
        ("kb", 1e3),
        ("mb", 1e6),
        ("gb", 1e9),
        ("tb", 1e12),
        ("kib", 1024.0),
        ("mib", 1_048_576.0),
        ("gib", 1_073_741_824.0),
        ("tib", 1_099_511_627_776.0),
        ("b", 1.0),
    ];
    let low = text.trim().to_ascii_lowercase();
    let found = UNITS.iter().find_map(|(unit, factor)| {
        let number: f64 = low.strip_suffix(unit)?.trim().parse().ok()?;
        Some(number * factor)
    });
    match found {
        Some(bytes) if (1.0..1e18).contains(&bytes) => Ok(bytes as u64),
        _ => Err("wanted a number and a unit, as in 4GB or 800MB".into()),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn reads_corners() {
        let q = corners("1,2, 3,4,5,6,7.5,8").unwrap();
        assert_eq!((q[0].x, q[3].x, q[3].y), (1.0, 7.5, 8.0));
        for bad in [
            "",
            "1,2,3",
            "1,2,3,4,5,6,7,x",
            "1,2,3,4,5,6,7,nan",
            "1,2,3,4,5,6,7,8,9",
        ] {
            let e = corners(bad).unwrap_err().to_string();
            assert!(e.starts_with("--wedge-corners"), "{e}");
        }
    }

    #[test]
    fn reads_amounts_of_memory() {
        for (text, bytes) in [
            ("4GB", 4_000_000_000),
            ("1.5 gb", 1_500_000_000),
            ("800MB", 800_000_000),
            ("2GiB", 1 << 31),
            ("7B", 7),
        ] {
            assert_eq!(memory(text), Ok(bytes), "{text}");
        }
        for bad in ["", "4", "GB", "-1GB", "nanGB", "infGB", "0B", "4XB"] {
            assert!(memory(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn reads_grids() {
        assert_eq!(grid("4x6").unwrap(), (4, 6));
        for bad in [
            "",
            "4",
            "0x5",
            "1x1",
            "-1x5",
            "99999999999x9",
            "4x6x2",
            "1000x1000",
        ] {
            assert!(grid(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn sizes_and_places_are_read_or_refused() {
        assert_eq!(sheet_size("1280x720").unwrap(), (1280, 720));
        for bad in ["", "1280", "1280x", "10x10", "99999x1080", "-5x700"] {
            assert!(sheet_size(bad).is_err(), "{bad}");
        }
        assert_eq!(crop("step:17").unwrap(), Crop::of(CropPlace::Step(17)));
        for (text, place) in [
            ("lightest", CropPlace::Lightest),
            ("darkest", CropPlace::Darkest),
            ("edge:2", CropPlace::Edge(2)),
            ("ghost:1", CropPlace::Ghost(1)),
        ] {
            assert_eq!(crop(text).unwrap(), Crop::of(place));
        }
        let point = CropPlace::Point(12.5, 40.0);
        assert_eq!(crop("12.5, 40").unwrap(), Crop::of(point));
        let named = crop("face=a b@c.jpg@12.5,40").unwrap();
        assert_eq!(named.name.as_deref(), Some("face"));
        assert_eq!(named.picture.as_deref(), Some("a b@c.jpg"));
        assert_eq!(named.place, point);
        let region = crop("A.jpg@1,2,30,40").unwrap();
        assert_eq!(region.place, CropPlace::Rectangle([1.0, 2.0, 30.0, 40.0]));
        assert_eq!(crop("lamp=step:3").unwrap().name.as_deref(), Some("lamp"));
        for bad in [
            "step:0",
            "edge:0",
            "ghost:",
            "step:x",
            "12",
            "-1,4",
            "nan,3",
            "1,2,3",
            "@1,2",
            "a=@1,2",
            "A.jpg@step:1",
            "A.jpg@9,2,3,4",
            "A.jpg@",
        ] {
            assert!(crop(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn parts_that_make_no_sense_are_refused() {
        assert_eq!(part("2/3").unwrap(), Part::new(2, 3).unwrap());
        for text in ["", "1", "0/3", "4/3", "a/b", "1/0", "-1/2", "1/2/3"] {
            assert!(part(text).is_err(), "{text}");
        }
    }
}
