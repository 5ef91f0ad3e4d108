//! A made-up scene: what the frames of the made-up bracket hold of it, and what they gain.
use super::fixture::FILES;
use stopspan_core::results::BracketGain;
use stopspan_core::results::{
    Advice, AdvisedFrame, BestFrame, BracketReach, Criterion, Histogram, Scene, SharesAtSnr,
};

pub fn gain() -> Vec<BracketGain> {
    [(1.0, 11.1, 2.26, Some(2.31)), (10.0, 6.2, 2.64, None)]
        .map(
            |(snr, frame_stops, predicted, measured_stops)| BracketGain {
                snr,
                best_frame: FILES[1].to_owned(),
                frame_stops,
                spread_stops: 2.0,
                predicted_stops: Some(predicted),
                measured_stops,
            },
        )
        .to_vec()
}

pub fn best_on_wedge() -> BestFrame {
    BestFrame {
        file: FILES[1].to_owned(),
        criterion: Criterion::StopsAtSnr10,
        value: 6.204,
        next: Some(6.198),
        tied: vec![FILES[0].to_owned()],
    }
}

pub fn scene() -> Scene {
    let held = |snr, frames: [f64; 3], merge| SharesAtSnr {
        snr,
        frames: frames.to_vec(),
        merge,
    };
    Scene {
        pixels: 960_000,
        clipped_share: 0.0041,
        lost_share: 0.00002,
        stops: Some(9.25),
        histogram: Histogram {
            lowest_stops: -10.0,
            step_stops: 0.5,
            shares: (0..22)
                .map(|i| f64::from(if i < 11 { i } else { 21 - i }) / 110.0)
                .collect(),
        },
        held: vec![
            held(1.0, [0.981, 0.968, 0.88], 0.9958),
            held(3.0, [0.962, 0.961, 0.88], 0.9951),
            held(10.0, [0.871, 0.934, 0.9336], 0.9926),
            held(40.0, [0.402, 0.7022, 0.702], 0.841),
        ],
        clipped: vec![0.0045, 0.021, 0.0655],
        best: Some(BestFrame {
            file: FILES[1].to_owned(),
            criterion: Criterion::KeepsMost,
            value: 0.934,
            next: Some(0.871),
            tied: vec![FILES[2].to_owned()],
        }),
        reach: Some(BracketReach {
            shadow_share: 0.0133,
            shadow_stops: 1.3,
            shadow_is_lower_bound: false,
            highlight_share: 0.0061,
            add: vec![
                AdvisedFrame {
                    stops: -3.0,
                    time: Some(1.0 / 512.0),
                },
                AdvisedFrame {
                    stops: 2.0,
                    time: Some(1.0 / 16.0),
                },
            ],
        }),
        advice: vec![
            advice(0.99, &[-1.0, 1.6666666666666667], Some(0.934)),
            advice(
                0.999,
                &[-1.3333333333333333, 0.3333333333333333, 2.0],
                Some(0.9962),
            ),
        ],
    }
}

fn advice(wanted_share: f64, stops: &[f64], one_fewer_share: Option<f64>) -> Advice {
    Advice {
        snr: 10.0,
        wanted_share,
        frames: stops
            .iter()
            .map(|s| AdvisedFrame {
                stops: *s,
                time: Some(s.exp2() / 64.0),
            })
            .collect(),
        spacing_stops: stops[1] - stops[0],
        share: wanted_share + 0.0006,
        one_fewer_share,
        taken_share: 0.9967,
    }
}
