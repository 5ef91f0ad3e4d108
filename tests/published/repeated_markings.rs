//! Markings of time that ShutterSpeedValue repeats, rounded or cut off.
use super::apex::{parsed, rational, timed, times};
use stopspan_core::model::Header;
use stopspan_frames::ParsedExposure;
use stopspan_frames::settle::settle;

/// 15 s and 30 s are the markings of 16 s and 32 s (doubling series of ISO 2720), whether the APEX value is missing or repeats
/// them; ShutterSpeedValue as cameras write it, in 1/65536 (common practice, no source).
#[test]
fn markings_that_the_apex_value_repeats_are_markings() {
    let tv = |t: f64| ((-t.log2()) * 65_536.0).trunc() as i64;
    for apex in [false, true] {
        let seconds = [2, 4, 8, 15, 30];
        let mut frames: Vec<ParsedExposure> = seconds
            .iter()
            .map(|&n| {
                let value = rational(tv(n as f64), 65_536).filter(|_| apex);
                parsed(&Header {
                    shutter_speed_value: value,
                    ..timed(n, 1)
                })
            })
            .collect();
        settle(&mut frames);
        assert_eq!(times(&frames), [2.0, 4.0, 8.0, 16.0, 32.0], "{apex}");
    }
}
