//! What can be asked of the sheets: size, look, pictures, places of crops.
use crate::words::kind_name;
use stopspan_core::Error;
use stopspan_core::results::PictureMeasurement;

/// Light or dark ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// Dark ink on a light ground.
    Light,
    /// Light ink on a dark ground.
    Dark,
}

impl Look {
    /// As it stands in file names.
    pub fn word(self) -> &'static str {
        match self {
            Look::Light => "light",
            Look::Dark => "dark",
        }
    }
}

/// The middle of a crop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CropPlace {
    /// Column and row in the reference frame, pixels from the top left.
    Point(f64, f64),
    /// A step of the wedge, 1 = lightest.
    Step(usize),
    /// The lightest step of the wedge.
    Lightest,
    /// The darkest step.
    Darkest,
    /// A slanted edge that was measured, 1 = the first.
    Edge(usize),
    /// A ghost in the camera's own HDR picture, 1 = the largest.
    Ghost(usize),
}

/// How the sheets are made.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetSettings {
    /// Columns and rows, pixels.
    pub size: (usize, usize),
    /// Grounds; none: no sheets are made.
    pub looks: Vec<Look>,
    /// Pictures to show, by file name or by kind (`frame`, `camera-hdr`, `merge`, `rendered`); empty: a choice that fits
    /// the sheet.
    pub pictures: Vec<String>,
    /// Places of crops; empty: the ends of the wedge, or the middle of the picture without one.
    pub crops: Vec<CropPlace>,
}

impl Default for SheetSettings {
    fn default() -> Self {
        SheetSettings {
            size: (1920, 1080),
            looks: vec![Look::Light, Look::Dark],
            pictures: Vec::new(),
            crops: Vec::new(),
        }
    }
}

impl SheetSettings {
    /// Smallest and largest length of a side, pixels.
    pub const SIDES: (usize, usize) = (360, 8192);

    /// A size from `WIDTHxHEIGHT`.
    ///
    /// # Errors
    /// [`Error::Request`] if it is no such text or a side lies outside [`Self::SIDES`].
    pub fn parse_size(text: &str) -> Result<(usize, usize), Error> {
        let (least, most) = Self::SIDES;
        let side = |t: &str| t.trim().parse().ok().filter(|n| (least..=most).contains(n));
        text.split_once(['x', 'X'])
            .and_then(|(w, h)| Some((side(w)?, side(h)?)))
            .ok_or_else(|| {
                let wanted = format!("wants WIDTHxHEIGHT, each {least} to {most}; got \"{text}\"");
                Error::request("--sheet-size", wanted)
            })
    }

    /// A crop's place from `X,Y`, `step:N`, `lightest`, `darkest`, `edge:N` or `ghost:N`.
    ///
    /// # Errors
    /// [`Error::Request`] if it is none of them.
    pub fn parse_crop(text: &str) -> Result<CropPlace, Error> {
        if let Some((name, number)) = text.split_once(':')
            && let Ok(number @ 1..) = number.parse()
        {
            match name {
                "step" => return Ok(CropPlace::Step(number)),
                "edge" => return Ok(CropPlace::Edge(number)),
                "ghost" => return Ok(CropPlace::Ghost(number)),
                _ => {}
            }
        }
        match text {
            "lightest" => return Ok(CropPlace::Lightest),
            "darkest" => return Ok(CropPlace::Darkest),
            _ => {}
        }
        let number = |t: &str| {
            t.trim()
                .parse()
                .ok()
                .filter(|v: &f64| *v >= 0.0 && v.is_finite())
        };
        text.split_once(',')
            .and_then(|(x, y)| Some(CropPlace::Point(number(x)?, number(y)?)))
            .ok_or_else(|| {
                let wanted = format!(
                    "wants X,Y in pixels of the reference frame, step:N, lightest, darkest, edge:N or ghost:N; got \"{text}\""
                );
                Error::request("--crop", wanted)
            })
    }

    /// Whether a picture was asked for; all are where none was named.
    pub fn wants(&self, picture: &PictureMeasurement) -> bool {
        let kind = kind_name(picture.kind);
        let named = |n: &String| *n == picture.file || n == kind;
        self.pictures.is_empty() || self.pictures.iter().any(named)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_and_places_are_read_or_refused() {
        assert_eq!(SheetSettings::parse_size("1280x720").unwrap(), (1280, 720));
        for bad in ["", "1280", "1280x", "10x10", "99999x1080", "-5x700"] {
            assert!(SheetSettings::parse_size(bad).is_err(), "{bad}");
        }
        let step = SheetSettings::parse_crop("step:17").unwrap();
        assert_eq!(step, CropPlace::Step(17));
        for (text, place) in [
            ("lightest", CropPlace::Lightest),
            ("darkest", CropPlace::Darkest),
            ("edge:2", CropPlace::Edge(2)),
            ("ghost:1", CropPlace::Ghost(1)),
        ] {
            assert_eq!(SheetSettings::parse_crop(text).unwrap(), place);
        }
        let point = SheetSettings::parse_crop("12.5, 40").unwrap();
        assert_eq!(point, CropPlace::Point(12.5, 40.0));
        for bad in [
            "step:0", "edge:0", "ghost:", "step:x", "12", "-1,4", "nan,3", "1,2,3",
        ] {
            assert!(SheetSettings::parse_crop(bad).is_err(), "{bad}");
        }
    }
}
