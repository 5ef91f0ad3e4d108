//! Cars before a sky that the reference frame clips: the map shows one moment of them, whole, without a hole or a second image.
use super::motion::{COLUMNS, READ, ROWS, SHOT, bracket, found, known, scene};
use stopspan_core::model::flag;
use stopspan_merge::{Merger, MotionSettings};

/// Rows of sky, twice what clips the reference; below it the ground of every other test.
const SKY: usize = 240;
const BRIGHT: f64 = 2.0;
const CAR: f64 = 0.3;

/// Radiance at a moment: a car 160 pixels long, `step` pixels on in each frame.
fn light(moment: usize, step: usize, (r, c): (usize, usize)) -> f64 {
    let left = 60 + step * moment;
    if (80..150).contains(&r) && (left..left + 160).contains(&c) {
        CAR
    } else if r < SKY {
        BRIGHT * (1.0 + 0.1 * (c as f64 / 90.0).sin())
    } else {
        scene(r, c).exp2()
    }
}

#[test]
fn a_car_before_a_clipped_sky_is_shown_once() {
    for (seed, step) in [(0, 60), (1, 110), (2, 170)] {
        let change = |j: usize, r: usize, c: usize| light(j, step, (r, c)) / scene(r, c).exp2();
        let bracket = bracket(&[-2.0, 0.0, 2.0], 500 + seed, change);
        let (response, noise) = known();
        let motion = found(&bracket, &MotionSettings::default());
        assert!(motion.as_ref().unwrap().by_frame[1] > 0.0, "{step}");
        let map = Merger::new(&bracket, &response, &noise)
            .leaving_out(motion.as_ref())
            .whole();
        // Of the three only the first, two stops darker, sees the sky: it shows its own moment, and a frame two stops darker has
        // 16 times the variance of radiance that the noise model gives it at a quarter of the light.
        let (mut squares, mut wanted, mut strange, mut count) = (0.0, 0.0, 0usize, 0.0);
        for r in 0..SKY - 8 {
            for c in 0..COLUMNS {
                let truth = light(0, step, (r, c));
                let flags = map.flags[[r, c]];
                assert_eq!(flags & flag::CLIPPED_IN_ALL, 0, "{step}: {r} {c}");
                let off = f64::from(map.radiance[[r, c, 0]]) - truth;
                let deviation = 4.0 * (SHOT * truth / 4.0 + READ).sqrt();
                if flags & flag::OTHER_MOMENT == 0 {
                    continue;
                }
                strange += usize::from(off.abs() > 5.5 * deviation);
                squares += off * off;
                wanted += deviation * deviation;
                count += 1.0;
                let stated = f64::from(map.statistical[[r, c, 0]]);
                assert!(
                    (0.8..1.25).contains(&(stated / deviation)),
                    "{step}: {stated} {deviation}"
                );
            }
        }
        let ratio: f64 = f64::sqrt(squares / wanted);
        println!(
            "step {step}: {count} pixels by another frame, r.m.s. error {ratio:.3} of what knows all, {strange} strange"
        );
        assert!(count > 10_000.0 && strange == 0 && ratio < 1.05, "{step}");
        // Nowhere in the sky is the car a second time.
        let dark = (0..SKY - 8).flat_map(|r| (0..COLUMNS).map(move |c| (r, c)));
        let cars = dark.filter(|&(r, c)| map.radiance[[r, c, 0]] < 1.0).count();
        assert_eq!(cars, 70 * 160, "{step}");
        assert_eq!(map.radiance.dim().0, ROWS);
    }
}

/// Half before the sky and half before the ground, which the reference does show: once and whole all the same.
#[test]
fn a_car_partly_before_a_clipped_sky_is_shown_once() {
    for (seed, (top, step)) in [(185, 110), (205, 60), (205, 170), (220, 110)]
        .into_iter()
        .enumerate()
    {
        let at = |moment: usize, r: usize, c: usize| {
            let left = 60 + step * moment;
            let car = (top..top + 70).contains(&r) && (left..left + 160).contains(&c);
            if car { CAR } else { light(9, 1000, (r, c)) }
        };
        let change = |j: usize, r: usize, c: usize| at(j, r, c) / scene(r, c).exp2();
        let bracket = bracket(&[-2.0, 0.0, 2.0], 520 + seed as u64, change);
        let (response, noise) = known();
        let motion = found(&bracket, &MotionSettings::default());
        let map = Merger::new(&bracket, &response, &noise)
            .leaving_out(motion.as_ref())
            .whole();
        // The first frame alone sees the sky, so that its moment it is, in sky and on the ground.
        let (mut strange, mut count) = (0, 0);
        for (r, c) in (0..ROWS).flat_map(|r| (0..COLUMNS).map(move |c| (r, c))) {
            let truth = at(0, r, c);
            let off = f64::from(map.radiance[[r, c, 0]]) - truth;
            strange += usize::from(off.abs() > 5.5 * 4.0 * (SHOT * truth / 4.0 + READ).sqrt());
            count += usize::from(map.flags[[r, c]] & flag::OTHER_MOMENT != 0);
        }
        println!("top {top}, step {step}: {count} pixels by another frame, {strange} strange");
        // At least where that moment differs from the reference's.
        let differing = 2 * 70 * step.min(160);
        assert!(
            strange == 0 && count >= differing,
            "{top} {step}: {strange} strange"
        );
    }
}

/// Where the reference shows the thing and what is around it, its own moment stands.
#[test]
fn an_unclipped_reference_keeps_its_moment() {
    let change = |j: usize, r: usize, c: usize| {
        let thing = (300..360).contains(&r) && (100 + 90 * j..200 + 90 * j).contains(&c);
        if thing { 0.4 } else { 1.0 }
    };
    let bracket = bracket(&[-2.0, 0.0, 2.0], 510, change);
    let motion = found(&bracket, &MotionSettings::default()).unwrap();
    assert_eq!(motion.by_frame[1], 0.0);
    assert!(motion.share > 0.0);
}
