//! Exposure from tags against APEX, and nominal markings against the doubling series. See SOURCES.md beside this file.
use stopspan_core::finding::Finding;
use stopspan_core::model::{Header, Rational};
use stopspan_frames::markings::{Scale, Series};
use stopspan_frames::settle::settle;
use stopspan_frames::{ParsedExposure, parse_exposure};

pub(super) fn rational(numerator: i64, denominator: i64) -> Option<Rational> {
    Some(Rational {
        numerator,
        denominator,
    })
}

pub(super) fn parsed(header: &Header) -> ParsedExposure {
    parse_exposure("frame", header, None)
}

fn time_of(header: &Header) -> Option<f64> {
    parsed(header).settings.time.map(|t| t.0)
}

pub(super) fn timed(numerator: i64, denominator: i64) -> Header {
    Header {
        exposure_time: rational(numerator, denominator),
        f_number: rational(4, 1),
        sensitivity: Some(100.0),
        ..Header::default()
    }
}

/// Tag values of a published EXIF dump (SOURCES.md): 8643856/1000000 is 1/400 s, 1695994/1000000 is f/1.8.
#[test]
fn apex_values_of_published_dumps() {
    let header = Header {
        shutter_speed_value: rational(8_643_856, 1_000_000),
        aperture_value: rational(1_695_994, 1_000_000),
        ..Header::default()
    };
    let judged = parsed(&header);
    let (time, aperture) = (
        judged.settings.time.unwrap().0,
        judged.settings.aperture.unwrap().0,
    );
    assert!((1.0 / time - 400.0).abs() < 1e-3, "1/{}", 1.0 / time);
    assert!((aperture - 1.8).abs() < 1e-5, "f/{aperture}");
    let used: Vec<&str> = judged
        .findings
        .iter()
        .filter_map(|f| match f {
            Finding::TagMissing { used, .. } => Some(used.as_str()),
            _ => None,
        })
        .collect();
    assert!(
        used.contains(&"ShutterSpeedValue") && used.contains(&"ApertureValue"),
        "{used:?}"
    );
}

/// The table of APEX (SOURCES.md): Tv 0..10 is 1 s .. 1/1000 s, Av 0..10 is f/1 .. f/32, Ev = Av + Tv; Sv 0..10 in steps of a
/// doubling with Sv 5 at ISO 100, so that a frame's exposure is Sv - 5 - Ev stops from that of Ev 0 at ISO 100.
#[test]
fn apex_table() {
    let times = [
        "1", "1/2", "1/4", "1/8", "1/15", "1/30", "1/60", "1/125", "1/250", "1/500", "1/1000",
    ];
    let apertures = [
        "1", "1.4", "2", "2.8", "4", "5.6", "8", "11", "16", "22", "32",
    ];
    let speeds = [
        "3.125", "6.25", "12.5", "25", "50", "100", "200", "400", "800", "1600", "3200",
    ];
    for tv in 0..11_i32 {
        for av in 0..11_i32 {
            let header = Header {
                shutter_speed_value: rational(i64::from(tv), 1),
                aperture_value: rational(i64::from(av), 1),
                sensitivity: Some(100.0),
                ..Header::default()
            };
            let judged = parsed(&header);
            let ev = judged.settings.exposure_value().unwrap();
            assert!(
                (ev - f64::from(av + tv)).abs() < 1e-9,
                "Tv {tv} Av {av}: Ev {ev}"
            );
            assert!((judged.stated.unwrap().value + ev).abs() < 1e-9);
        }
        let (n, d) = fraction(times[tv as usize]);
        let exact = Scale::Time.marking(n, d, Series::Third).unwrap();
        assert!((exact - f64::from(-tv).exp2()).abs() < 1e-12, "Tv {tv}");
        let (n, d) = fraction(apertures[tv as usize]);
        let exact = Scale::Aperture.marking(n, d, Series::Third).unwrap();
        assert!((2.0 * exact.log2() - f64::from(tv)).abs() < 1e-9, "Av {tv}");
        let header = Header {
            sensitivity: Some(speeds[tv as usize].parse().unwrap()),
            ..timed(1, 1)
        };
        let stated = parsed(&header).stated.unwrap().value;
        // f/4 and 1 s: Ev 4.
        assert!(
            (stated - (f64::from(tv) - 5.0 - 4.0)).abs() < 1e-9,
            "Sv {tv}"
        );
    }
}

fn fraction(text: &str) -> (i64, i64) {
    if let Some((n, d)) = text.split_once('/') {
        return (n.parse().unwrap(), d.parse().unwrap());
    }
    let decimals = text.split_once('.').map_or(0, |(_, d)| d.len() as u32);
    (text.replace('.', "").parse().unwrap(), 10_i64.pow(decimals))
}

#[test]
fn every_marking_stands_for_its_rung() {
    let table = include_str!("exposure_markings.csv");
    let mut rows = 0;
    for record in csv::Reader::from_reader(table.as_bytes()).into_records() {
        let record = record.unwrap();
        let scale = match &record[0] {
            "time" => Scale::Time,
            "aperture" => Scale::Aperture,
            _ => Scale::Speed,
        };
        let series = if &record[1] == "half" {
            Series::Half
        } else {
            Series::Third
        };
        let (n, d) = fraction(&record[2]);
        let exact = scale.marking(n, d, series);
        let exact = exact.unwrap_or_else(|| panic!("{record:?} is not in the table"));
        let wanted: f64 = record[3].parse().unwrap();
        assert!((exact / wanted - 1.0).abs() < 1e-7, "{record:?}: {exact}");
        let off = scale.stops(exact / (n as f64 / d as f64));
        let wanted: f64 = record[4].parse().unwrap();
        assert!((off - wanted).abs() < 6e-5, "{record:?}: {off} stops");
        rows += 1;
    }
    assert_eq!(rows, 189);
}

#[test]
fn numbers_beside_the_markings_are_their_own() {
    for (n, d) in [
        (16_667, 1_000_000),
        (1, 64),
        (1, 128),
        (1, 120),
        (17, 1000),
        (0, 1),
        (1, 0),
        (-1, 60),
    ] {
        for series in [Series::Third, Series::Half] {
            assert_eq!(Scale::Time.marking(n, d, series), None, "{n}/{d}");
        }
    }
    // the same fraction written otherwise is the same marking
    assert_eq!(
        Scale::Time.marking(10, 1250, Series::Third),
        Some(1.0 / 128.0)
    );
}

/// Times as written, and the powers of two they stand for.
type Case = (&'static [(i64, i64)], &'static [f64]);

fn settled(times: &[(i64, i64)]) -> Vec<ParsedExposure> {
    let mut frames: Vec<ParsedExposure> =
        times.iter().map(|(n, d)| parsed(&timed(*n, *d))).collect();
    settle(&mut frames);
    frames
}

pub(super) fn times(frames: &[ParsedExposure]) -> Vec<f64> {
    frames.iter().map(|f| f.settings.time.unwrap().0).collect()
}

#[test]
fn a_series_of_markings_is_replaced_as_a_whole() {
    let close = |a: &[f64], b: &[f64]| a.iter().zip(b).all(|(a, b)| (a / b - 1.0).abs() < 1e-9);
    let exact = |powers: &[f64]| powers.iter().map(|p| p.exp2()).collect::<Vec<f64>>();
    let cases: [Case; 6] = [
        (&[(1, 125), (1, 60), (1, 30)], &[-7.0, -6.0, -5.0]),
        (&[(1, 30), (1, 15), (1, 8)], &[-5.0, -4.0, -3.0]),
        (
            &[(1, 400), (1, 100), (1, 25)],
            &[-26.0 / 3.0, -20.0 / 3.0, -14.0 / 3.0],
        ),
        (
            &[(1, 100), (1, 60), (1, 40)],
            &[-20.0 / 3.0, -6.0, -16.0 / 3.0],
        ),
        (&[(1, 90), (1, 60), (1, 45)], &[-6.5, -6.0, -5.5]),
        (&[(1, 2), (1, 1), (2, 1)], &[-1.0, 0.0, 1.0]),
    ];
    for (stated, powers) in cases {
        let found = times(&settled(stated));
        let wanted = exact(powers);
        // a bracket whose numbers already make whole steps is left as it is written
        let as_written: Vec<f64> = stated.iter().map(|(n, d)| *n as f64 / *d as f64).collect();
        let ratio = |v: &[f64]| v.iter().map(|x| x / v[0]).collect::<Vec<f64>>();
        if close(&ratio(&as_written), &ratio(&wanted)) {
            assert!(close(&found, &as_written), "{stated:?}: {found:?}");
        } else {
            assert!(close(&found, &wanted), "{stated:?}: {found:?}");
        }
    }
}

/// f/5.6, f/4, f/2.8 are whole stops (2^(5/2), 2^2, 2^(3/2)), ISO 200, 125, 80 are 2^1, 2^(1/3), 2^(-1/3) times 100.
#[test]
fn apertures_and_speeds_are_replaced_too() {
    let steps = |settings: [(Option<Rational>, f64); 3]| -> Vec<f64> {
        let header = |(f_number, speed): (Option<Rational>, f64)| Header {
            f_number,
            sensitivity: Some(speed),
            ..timed(1, 60)
        };
        let mut frames: Vec<ParsedExposure> =
            settings.iter().map(|s| parsed(&header(*s))).collect();
        settle(&mut frames);
        let snapped = |f: &Finding| matches!(f, Finding::SettingSnapped { .. });
        assert!(frames.iter().any(|f| f.findings.iter().any(snapped)));
        let stops: Vec<f64> = frames.iter().map(|f| f.stated.unwrap().value).collect();
        vec![stops[1] - stops[0], stops[2] - stops[1]]
    };
    let f = |n, d| rational(n, d);
    let found = steps([(f(56, 10), 100.0), (f(4, 1), 100.0), (f(28, 10), 100.0)]);
    assert!(found.iter().all(|s| (s - 1.0).abs() < 1e-9), "{found:?}");
    let found = steps([(f(8, 1), 200.0), (f(8, 1), 125.0), (f(8, 1), 80.0)]);
    assert!(
        found.iter().all(|s| (s + 2.0 / 3.0).abs() < 1e-9),
        "{found:?}"
    );
}

#[test]
fn what_is_no_series_of_markings_is_left_alone() {
    let cases: [&[(i64, i64)]; 6] = [
        &[(1, 240), (1, 120), (1, 60), (1, 30), (1, 15), (4, 15)],
        &[(1, 240), (1, 60), (1, 15)],
        &[(1, 60), (1, 30), (1, 15)],
        &[(16_667, 1_000_000), (1, 125), (1, 30)],
        &[(1, 64), (1, 125), (1, 30)],
        &[(1, 60), (1, 60), (1, 60)],
    ];
    for stated in cases {
        let frames = settled(stated);
        let as_written: Vec<f64> = stated.iter().map(|(n, d)| *n as f64 / *d as f64).collect();
        assert_eq!(times(&frames), as_written);
        let snapped = |f: &Finding| matches!(f, Finding::NominalSnapped { .. });
        assert!(
            !frames.iter().any(|f| f.findings.iter().any(snapped)),
            "{stated:?}"
        );
    }
}

#[test]
fn uncertainty_says_how_the_time_is_known() {
    let sigma = |frames: Vec<ParsedExposure>| frames[0].stated.unwrap().standard_uncertainty;
    assert_eq!(sigma(settled(&[(1, 240), (1, 60), (1, 15)])), 0.01);
    assert_eq!(sigma(settled(&[(1, 125), (1, 60), (1, 30)])), 0.02);
    assert_eq!(sigma(settled(&[(1, 125), (1, 60), (1, 37)])), 0.05);
    // 33/1000 s: half a unit of the last digit as a rectangular distribution, beside 0.01
    let rounding = 1.0 / 33.0 / std::f64::consts::LN_2 / 12f64.sqrt();
    let found = sigma(settled(&[(33, 1000), (7, 100), (21, 100)]));
    assert!((found - rounding.hypot(0.01)).abs() < 1e-12, "{found}");
}

#[test]
fn the_finer_of_two_times_is_used() {
    let both = |n, d, apex: (i64, i64)| Header {
        shutter_speed_value: rational(apex.0, apex.1),
        ..timed(n, d)
    };
    // 1/125 with Tv 7 exactly: the APEX value is finer
    assert_eq!(
        time_of(&both(1, 125, (7_000_000, 1_000_000))),
        Some(1.0 / 128.0)
    );
    // log2(125) to six decimals is nothing but 1/125 again
    assert_eq!(
        time_of(&both(1, 125, (6_965_784, 1_000_000))),
        Some(1.0 / 125.0)
    );
    // log2(15) cut off to 1/65536, and log2(1000) to 1/100, as cameras write them (common practice, no source)
    for (n, d, apex) in [(15, 1, (-256_041, 65_536)), (1, 1000, (996, 100))] {
        assert_eq!(time_of(&both(n, d, apex)), Some(n as f64 / d as f64));
    }
    // 5.9 is log2(60) in tenths, 6.0 is not: there the shutter ran 1/64 s
    assert_eq!(time_of(&both(1, 60, (59, 10))), Some(1.0 / 60.0));
    assert_eq!(time_of(&both(1, 60, (60, 10))), Some(1.0 / 64.0));
    // Tv 7/1 is 1/125 rounded to whole numbers: not finer
    assert_eq!(time_of(&both(1, 125, (7, 1))), Some(1.0 / 125.0));
    // a photographer's note of a file with 1/80 s and an APEX value of 1/82 s
    let found = time_of(&both(1, 80, (6_357_552, 1_000_000))).unwrap();
    assert!((1.0 / found - 82.0).abs() < 1e-3, "1/{}", 1.0 / found);
    // further apart than 1/6 EV: ExposureTime, and said
    let judged = parsed(&both(1, 60, (7, 1)));
    assert_eq!(judged.settings.time.unwrap().0, 1.0 / 60.0);
    assert!(
        judged
            .findings
            .iter()
            .any(|f| matches!(f, Finding::TimesDisagree { .. }))
    );
    assert_eq!(judged.readings.shutter_speed_value_s, Some(1.0 / 128.0));
}

#[test]
fn zero_infinite_absurd_and_missing_are_told_apart() {
    for (n, d) in [
        (0, 1),
        (0, 0),
        (1, 0),
        (-1, 60),
        (1, 10_000_000),
        (4000, 1),
        (i64::MIN, -1),
    ] {
        let judged = parsed(&timed(n, d));
        assert_eq!(
            (judged.settings.time, judged.stated),
            (None, None),
            "{n}/{d}"
        );
        assert!(
            matches!(&judged.findings[..], [Finding::TagUnusable { tag, value, .. }]
                if tag == "ExposureTime" && *value == format!("{n}/{d}")),
            "{n}/{d}: {:?}",
            judged.findings
        );
    }
    let missing = parsed(&Header {
        exposure_time: None,
        ..timed(1, 1)
    });
    assert!(
        matches!(&missing.findings[..], [Finding::TagMissing { tag, .. }] if tag == "ExposureTime")
    );
    for speed in [0.0, -1.0, f64::NAN, f64::INFINITY, 2e7, 65535.0] {
        let judged = parse_exposure(
            "frame",
            &Header {
                sensitivity: Some(speed),
                ..timed(1, 60)
            },
            None,
        );
        assert_eq!(judged.settings.speed, None, "{speed}");
        assert!(
            matches!(&judged.findings[..], [Finding::TagUnusable { .. }]),
            "{speed}"
        );
    }
    // a lens without contacts: 0/1 in both aperture tags is not f/1
    let header = Header {
        f_number: rational(0, 1),
        aperture_value: rational(0, 1),
        ..timed(1, 60)
    };
    assert_eq!(parsed(&header).settings.aperture, None);
}

#[test]
fn a_setting_missing_in_one_frame_never_counts_as_another_value() {
    let with = |f_number, sensitivity, d| Header {
        f_number,
        sensitivity,
        ..timed(1, d)
    };
    let bracket = |headers: &[Header]| {
        let mut frames: Vec<ParsedExposure> = headers.iter().map(parsed).collect();
        settle(&mut frames);
        frames
    };
    let same = bracket(&[
        with(rational(8, 1), Some(400.0), 240),
        with(None, None, 120),
        with(rational(8, 1), Some(400.0), 60),
    ]);
    let step = same[1].stated.unwrap().value - same[0].stated.unwrap().value;
    assert!((step - 1.0).abs() < 1e-12, "{step}");
    let varied = bracket(&[
        with(rational(8, 1), Some(100.0), 240),
        with(rational(8, 1), None, 120),
        with(rational(8, 1), Some(400.0), 60),
    ]);
    assert!(varied[1].stated.is_none() && varied[2].stated.is_some());
}
