//! Camera settings and exposure from one header; tags that are zero, infinite, absurd or missing are recognised.
//!
//! APEX (EXIF 2.32, annex on APEX units): `Tv = -log2 t`, `Av = 2 log2 N`, `Sv = log2(S / 3.125)`, `Ev = Av + Tv`.
use super::overrides::ExposureOverride;
use serde::Serialize;
use stopspan_core::finding::Finding;
use stopspan_core::model::ExposureSource;
use stopspan_core::model::{Header, Rational};
use stopspan_core::units::{Estimate, ExposureSettings, ExposureTime, FNumber, IsoSpeed};

/// Range of believable exposure times, seconds.
pub const TIME_BELIEVED: (f64, f64) = (1e-6, 3600.0);
/// Range of believable f-numbers.
pub const APERTURE_BELIEVED: (f64, f64) = (0.5, 128.0);
/// Range of believable ISO speeds.
pub const SPEED_BELIEVED: (f64, f64) = (1.0, 1e7);
/// Largest difference at which ExposureTime and ShutterSpeedValue agree, EV.
pub const TIMES_AGREE: f64 = 1.0 / 6.0;
/// Largest difference at which ShutterSpeedValue repeats ExposureTime, stops: an eleventh of the smallest difference
/// (0.0114) between a marking and the power of two it denotes, where the two are not equal.
pub const TIME_REPEATED: f64 = 1e-3;
/// Standard uncertainty of a time that is not a nominal marking, stops (electronic shutter; judgement).
pub const TRUE_TIME_STOPS: f64 = 0.01;

/// Values of the tags of one file, as far as they are believable. Both forms of a quantity are kept, whichever is
/// used.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct Readings {
    /// ExposureTime, seconds.
    pub exposure_time_s: Option<f64>,
    /// ShutterSpeedValue as seconds, `2^-Tv`.
    pub shutter_speed_value_s: Option<f64>,
    /// FNumber.
    pub f_number: Option<f64>,
    /// ApertureValue as an f-number, `2^(Av/2)`.
    pub aperture_value_f: Option<f64>,
    /// PhotographicSensitivity, ISO speed.
    pub speed: Option<f64>,
}

/// A value in use, with the fraction it was written as if that may be a nominal marking.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stated {
    pub value: f64,
    pub written: Option<(i64, i64)>,
    /// Standard uncertainty of its log2 from rounding as written, stops.
    pub rounding_stops: f64,
}

/// Exposure of one file, from its own tags. [`settle`](super::settle::settle) revises it in the context of the
/// bracket.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ParsedExposure {
    /// File name, as findings name the frame.
    pub frame: String,
    /// Time, aperture, speed in use.
    pub settings: ExposureSettings,
    /// log2(t S / (100 N^2)), stops, with its standard uncertainty; `None` if no exposure is known.
    pub stated: Option<Estimate>,
    /// Source of the exposure.
    pub source: ExposureSource,
    /// ExposureBiasValue, EV.
    pub bias: Option<f64>,
    /// Values of all tags.
    pub readings: Readings,
    /// Findings about this file's tags.
    pub findings: Vec<Finding>,
    #[serde(skip)]
    pub(crate) time: Option<Stated>,
    #[serde(skip)]
    pub(crate) aperture: Option<Stated>,
    #[serde(skip)]
    pub(crate) speed: Option<Stated>,
    /// Stops on the user's own scale, if the user stated them.
    #[serde(skip)]
    pub(crate) plain_stops: Option<f64>,
}

/// Exposure from the tags of one file. What the user states takes precedence and is taken literally.
pub fn parse_exposure(
    frame: &str,
    header: &Header,
    said: Option<&ExposureOverride>,
) -> ParsedExposure {
    let mut doubts = Doubts {
        frame,
        said: said.is_some(),
        findings: Vec::new(),
    };
    let mut readings = Readings::default();
    let said_time = said.and_then(|s| s.time).map(|t| user(t.0));
    let said_aperture = said.and_then(|s| s.aperture).map(|n| user(n.0));
    let said_speed = said.and_then(|s| s.speed).map(|s| user(s.0));
    let plain_stops = said.and_then(|s| s.stops).map(|s| s.0);
    let time = time(header, &mut readings, &mut doubts);
    let aperture = aperture(header, &mut readings, &mut doubts);
    let speed = speed(header, &mut readings, &mut doubts);
    let bias = doubts.believed(
        "ExposureBiasValue",
        header.exposure_bias,
        (-20.0, 20.0),
        |v| v,
    );
    let said_any = said.is_some();
    let mut judged = ParsedExposure {
        frame: frame.to_owned(),
        settings: ExposureSettings::default(),
        stated: None,
        source: if said_any {
            ExposureSource::User
        } else {
            ExposureSource::Metadata
        },
        bias,
        readings,
        findings: doubts.findings,
        time: said_time.or(time),
        aperture: said_aperture.or(aperture),
        speed: said_speed.or(speed),
        plain_stops,
    };
    judged.restate(TRUE_TIME_STOPS);
    judged
}

impl ParsedExposure {
    /// Updates settings and stated exposure from the values in use; `sigma` is the standard uncertainty, stops.
    pub(crate) fn restate(&mut self, sigma: f64) {
        self.settings = ExposureSettings {
            time: self.time.map(|t| ExposureTime(t.value)),
            aperture: self.aperture.map(|n| FNumber(n.value)),
            speed: self.speed.map(|s| IsoSpeed(s.value)),
        };
        let stops = self.plain_stops.or(self.settings.exposure().map(|s| s.0));
        self.stated = stops.map(|value| Estimate::new(value, sigma));
    }
}

/// A value stated by the user, exact.
fn user(value: f64) -> Stated {
    Stated {
        value,
        written: None,
        rounding_stops: 0.0,
    }
}

/// Collects the findings about one file.
struct Doubts<'a> {
    frame: &'a str,
    /// True if the user stated something about this file; missing tags are then no finding.
    said: bool,
    findings: Vec<Finding>,
}

impl Doubts<'_> {
    fn unusable(&mut self, tag: &str, value: String) {
        self.findings.push(Finding::TagUnusable {
            frame: self.frame.to_owned(),
            tag: tag.to_owned(),
            value,
        });
    }

    fn missing(&mut self, tag: &str, used: &str) {
        if self.said {
            return;
        }
        self.findings.push(Finding::TagMissing {
            frame: self.frame.to_owned(),
            tag: tag.to_owned(),
            used: used.to_owned(),
        });
    }

    /// The tag's value after `convert`, if it is within `range`; otherwise adds a finding.
    fn believed(
        &mut self,
        tag: &str,
        value: Option<Rational>,
        range: (f64, f64),
        convert: fn(f64) -> f64,
    ) -> Option<f64> {
        let raw = value?;
        let number = convert(raw.value());
        if raw.denominator != 0 && number >= range.0 && number <= range.1 {
            return Some(number);
        }
        self.unusable(tag, format!("{}/{}", raw.numerator, raw.denominator));
        None
    }
}

fn time(header: &Header, readings: &mut Readings, doubts: &mut Doubts) -> Option<Stated> {
    let direct = doubts.believed("ExposureTime", header.exposure_time, TIME_BELIEVED, |v| v);
    let apex = doubts.believed(
        "ShutterSpeedValue",
        believable_zero(header.shutter_speed_value, header.exposure_time, direct),
        TIME_BELIEVED,
        |v| (-v).exp2(),
    );
    readings.exposure_time_s = direct;
    readings.shutter_speed_value_s = apex;
    match (direct, apex) {
        (Some(direct), Some(apex)) => Some(finer_time(header, direct, apex, doubts)),
        (Some(direct), None) => Some(as_written(direct, header.exposure_time)),
        (None, Some(apex)) => {
            if header.exposure_time.is_none() {
                doubts.missing("ExposureTime", "ShutterSpeedValue");
            }
            Some(from_apex(apex, header.shutter_speed_value))
        }
        (None, None) => {
            if header.exposure_time.is_none() {
                doubts.missing("ExposureTime", "nothing");
            }
            None
        }
    }
}

/// An APEX value of exactly 0 means 1 s or f/1. Next to a plain tag that is present but not believable it rather
/// means that the writer did not know the value, and it is ignored.
fn believable_zero(
    apex: Option<Rational>,
    plain: Option<Rational>,
    believed: Option<f64>,
) -> Option<Rational> {
    apex.filter(|a| !(a.numerator == 0 && plain.is_some() && believed.is_none()))
}

/// Time in use if both ExposureTime and ShutterSpeedValue are present. If they agree, the APEX value is the more
/// precise one, unless it is merely the other rounded or cut off to its last digit.
fn finer_time(header: &Header, direct: f64, apex: f64, doubts: &mut Doubts) -> Stated {
    let apart = (apex / direct).log2().abs();
    if apart > TIMES_AGREE {
        doubts.findings.push(Finding::TimesDisagree {
            frame: doubts.frame.to_owned(),
            exposure_time_s: direct,
            shutter_speed_value_s: apex,
        });
        return as_written(direct, header.exposure_time);
    }
    let repeats = header
        .shutter_speed_value
        .is_some_and(|tag| apart <= TIME_REPEATED || is_written(-direct.log2(), tag));
    if repeats {
        as_written(direct, header.exposure_time)
    } else {
        from_apex(apex, header.shutter_speed_value)
    }
}

/// True if `tag` is `value` rounded to the nearest multiple of the tag's unit, or cut off towards zero.
fn is_written(value: f64, tag: Rational) -> bool {
    let units = value * tag.denominator as f64;
    let written = tag.numerator as f64;
    (units - written).abs() <= 0.5 + 1e-9 || units.trunc() == written
}

fn aperture(header: &Header, readings: &mut Readings, doubts: &mut Doubts) -> Option<Stated> {
    let direct = doubts.believed("FNumber", header.f_number, APERTURE_BELIEVED, |v| v);
    let apex = doubts.believed(
        "ApertureValue",
        believable_zero(header.aperture_value, header.f_number, direct),
        APERTURE_BELIEVED,
        |v| (v / 2.0).exp2(),
    );
    readings.f_number = direct;
    readings.aperture_value_f = apex;
    match (direct, apex) {
        (Some(direct), _) => Some(as_written(direct, header.f_number)),
        (None, Some(apex)) => {
            if header.f_number.is_none() {
                doubts.missing("FNumber", "ApertureValue");
            }
            Some(from_apex(apex, header.aperture_value))
        }
        (None, None) => {
            if header.f_number.is_none() {
                doubts.missing("FNumber", "an aperture held constant over the bracket");
            }
            None
        }
    }
}

fn speed(header: &Header, readings: &mut Readings, doubts: &mut Doubts) -> Option<Stated> {
    let Some(speed) = header.sensitivity else {
        doubts.missing(
            "PhotographicSensitivity",
            "a sensitivity held constant over the bracket",
        );
        return None;
    };
    // 65535 is the largest value of the tag and means "more than that" (EXIF 2.32).
    if !(speed >= SPEED_BELIEVED.0 && speed <= SPEED_BELIEVED.1) || speed == 65535.0 {
        doubts.unusable("PhotographicSensitivity", speed.to_string());
        return None;
    }
    readings.speed = Some(speed);
    let whole = speed.fract() == 0.0;
    Some(Stated {
        value: speed,
        written: whole.then_some((speed as i64, 1)),
        rounding_stops: 0.0,
    })
}

/// Value of a plain tag. The fraction is kept for the table of markings; decimals are uncertain by half a unit of the
/// last digit.
fn as_written(value: f64, tag: Option<Rational>) -> Stated {
    let written = tag.map(|r| (r.numerator, r.denominator));
    let rounding_stops = match written {
        Some((numerator, denominator)) if is_power_of_ten(denominator) && numerator > 1 => {
            rectangular(1.0 / (numerator as f64 * std::f64::consts::LN_2))
        }
        _ => 0.0,
    };
    Stated {
        value,
        written,
        rounding_stops,
    }
}

/// An APEX value, which is never a marking; uncertain by half a unit of its last digit.
fn from_apex(value: f64, tag: Option<Rational>) -> Stated {
    let denominator = tag.map_or(1, |r| r.denominator).unsigned_abs().max(1);
    Stated {
        value,
        written: None,
        rounding_stops: rectangular(1.0 / denominator as f64),
    }
}

/// Standard uncertainty of a rectangular distribution of full width `width` (GUM 4.3.7): width / sqrt(12).
fn rectangular(width: f64) -> f64 {
    width / 12f64.sqrt()
}

fn is_power_of_ten(mut number: i64) -> bool {
    while number >= 10 && number % 10 == 0 {
        number /= 10;
    }
    number == 1
}
