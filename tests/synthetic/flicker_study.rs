//! Ripple of the light on pictures with structure of their own along the rows, still and hand-held, through JPEG: how often it
//! is said where there is none, and found where there is some.
use super::registration::bracket;
use super::texture::{Texture, frame};
use crate::published::srgb::to_level as srgb;
use ndarray::{Array2, Array3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use std::f64::consts::TAU;
use stopspan_align::{apply, register};
use stopspan_core::model::Limits;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::raster::{Pixels, Point, Transform};
use stopspan_formats::{jpeg, read_picture};
use stopspan_frames::clip_levels;
use stopspan_merge::banding;
use stopspan_merge::banding::Banding;
use stopspan_response::{ResponseRequest, recover};

const SIZE: (usize, usize) = (480, 640);
const FULL_WELL: f64 = 9000.0;
const STOPS: [f64; 3] = [-2.0, 0.0, 2.0];

/// What is in front of the camera.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum View {
    /// Texture of all sizes.
    Texture,
    /// Slats from edge to edge, evenly spaced.
    Blinds,
    /// Boards with things of many widths on them.
    Shelves,
    /// An even sky, and waves below it that grow towards the viewer.
    Sea,
}

pub(super) const VIEWS: [View; 4] = [View::Texture, View::Blinds, View::Shelves, View::Sea];

/// One bracket to be made.
#[derive(Debug, Clone, Copy)]
pub(super) struct Case {
    pub(super) view: View,
    pub(super) seed: u64,
    /// Quality of JPEG with halved chroma; `None` for frames as taken.
    pub(super) quality: Option<u8>,
    pub(super) hand_held: bool,
    /// Amplitude and cycles down the frame of the last frame's light.
    pub(super) ripple: (f64, f64),
}

impl View {
    /// log2 radiance at a point, without texture.
    fn at(self, x: f64, y: f64, seed: u64) -> f64 {
        let own = seed as f64;
        match self {
            View::Texture => -2.5,
            View::Blinds => {
                let period = 13.0 + 4.7 * (own % 6.0);
                let place = ((y + 0.004 * x) / period + 0.37 * own).rem_euclid(1.0);
                if place < 0.7 { -3.5 + place } else { -0.5 }
            }
            View::Shelves => {
                let apart = 47.0 + 5.0 * (own % 5.0);
                let (board, place) = ((y / apart).floor(), y.rem_euclid(apart));
                let width = 9.0 + (7.0 * board + own).rem_euclid(11.0);
                let thing = ((x / width).floor() * 12.9898 + board * 78.233 + own).sin() * 43758.5;
                if place < 6.0 {
                    -6.0
                } else {
                    -4.0 + 3.0 * thing.rem_euclid(1.0)
                }
            }
            View::Sea => {
                let below = y - 190.0;
                if below < 0.0 {
                    return -0.6 + 0.001 * y;
                }
                let wave = (4000.0 / (below + 60.0) + 0.02 * (x * (0.5 + own % 3.0)).sin()).sin();
                -3.0 + 0.8 * wave + 0.3 * (0.11 * x + 0.05 * y).sin()
            }
        }
    }

    /// log2 radiance of a frame seen through `map`, the mean over a pixel of 2 x 2 points.
    fn seen(self, map: &Transform, seed: u64) -> Array2<f64> {
        let stops = if self == View::Texture { 1.2 } else { 0.25 };
        let mut out = Texture::new(900 + seed, 40, 0.25, stops).seen(map, SIZE);
        let back = map.inverse().unwrap();
        for ((r, c), log2) in out.indexed_iter_mut() {
            let light = [(0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)].map(|(x, y)| {
                let (x, y) = (c as f64 + x, r as f64 + y);
                let p = back.apply(Point { x, y }).unwrap();
                self.at(p.x, p.y, seed).exp2()
            });
            *log2 += (light.iter().sum::<f64>() / 4.0).log2();
        }
        out
    }
}

impl Case {
    fn frame(&self, j: usize, map: &Transform) -> Frame {
        let mut random = ChaCha8Rng::seed_from_u64(10 * self.seed + j as u64);
        let normal = Normal::new(0.0, 1.0).unwrap();
        let log2 = self.view.seen(map, self.seed);
        let (amplitude, cycles) = self.ripple;
        let mut codes = Array3::zeros((SIZE.0, SIZE.1, 3));
        for ((r, c), log2) in log2.indexed_iter() {
            let turn = TAU * cycles * (r as f64 + 0.5) / SIZE.0 as f64 + 0.7;
            let light = if j == 2 {
                1.0 + amplitude * turn.sin()
            } else {
                1.0
            };
            for (k, share) in [0.7, 1.0, 0.85].into_iter().enumerate() {
                let electrons = FULL_WELL * share * light * (log2 + STOPS[j]).exp2();
                let noisy = electrons + (electrons + 16.0).sqrt() * normal.sample(&mut random);
                let level = srgb((noisy / FULL_WELL).clamp(0.0, 1.0));
                codes[[r, c, k]] = (255.0 * level).round() as u8;
            }
        }
        frame(codes, STOPS[j].exp2())
    }

    fn bracket(&self) -> Bracket {
        let folder = tempfile::tempdir().unwrap();
        let mut random = ChaCha8Rng::seed_from_u64(77 + self.seed);
        let centre = Point {
            x: SIZE.1 as f64 / 2.0,
            y: SIZE.0 as f64 / 2.0,
        };
        let mut frames = Vec::new();
        for j in 0..3 {
            let mut by = || random.random_range(-8.0..8.0f64);
            let (x, y, turn) = (by(), by(), by() / 20.0);
            let map = if self.hand_held && j != 1 {
                Transform::turn(centre, turn, x, y)
            } else {
                Transform::IDENTITY
            };
            let mut taken = self.frame(j, &map);
            if let (Some(quality), Pixels::U8(codes)) = (self.quality, &taken.picture.pixels) {
                let half = jpeg::Subsampling::Half;
                let bytes = jpeg::encode(codes.view(), quality, half, None, None).unwrap();
                let file = folder.path().join("frame.jpg");
                std::fs::write(&file, bytes).unwrap();
                taken.picture = read_picture(&file, &Limits::default()).unwrap();
            }
            frames.push(taken);
        }
        let taken = bracket(frames, 1);
        let registration = register(&taken);
        apply(taken, registration).0
    }

    /// Ripple as said of every frame; `None` if a frame could not be placed or the response not be fitted.
    pub(super) fn found(&self) -> Option<Vec<Option<Banding>>> {
        let bracket = self.bracket();
        let fitted = recover(&bracket, &clip_levels(&bracket), None, ResponseRequest::Fit).ok()?;
        (bracket.frames.len() == 3).then(|| banding::measure(&bracket, &fitted.response))
    }
}

fn name(case: &Case) -> String {
    let held = if case.hand_held { "hand-held" } else { "still" };
    let quality = case.quality.map_or("lossless".into(), |q| format!("q{q}"));
    format!("{:?} {quality} {held}", case.view)
}

/// Slats, boards and waves through JPEG leave lines in the ratio of two frames where the scene itself has them; those are the scene's.
#[test]
fn structure_along_the_rows_is_not_taken_for_ripple() {
    for view in [View::Blinds, View::Shelves, View::Sea] {
        for seed in 0..2 {
            let case = Case {
                view,
                seed,
                quality: Some(85),
                hand_held: false,
                ripple: (0.0, 1.0),
            };
            let found = case.found().unwrap();
            assert!(
                found.iter().all(Option::is_none),
                "{view:?} {seed} {found:?}"
            );
        }
    }
}

/// 5 % at 15.6 cycles down the frame, boards 47 and 52 rows apart (10.2 and 9.2 cycles): found to a fifth of its amplitude.
#[test]
fn ripple_is_found_beside_structure() {
    for (view, seed) in [(View::Texture, 0), (View::Shelves, 0), (View::Shelves, 1)] {
        let case = Case {
            view,
            seed,
            quality: Some(95),
            hand_held: false,
            ripple: (0.05, 15.6),
        };
        let found = case.found().unwrap()[2].unwrap();
        assert!((found.cycles - 15.6).abs() < 0.3, "{view:?} {found:?}");
        assert!(
            (found.amplitude / 0.05 - 1.0).abs() < 0.2,
            "{view:?} {found:?}"
        );
    }
}

/// `cargo test --release study_of_ripple -- --ignored --nocapture`
#[test]
#[ignore = "some minutes"]
fn study_of_ripple() {
    let mut wrong = Vec::new();
    let mut made = 0;
    for (view, quality, hand_held) in settings() {
        for seed in 0..5 {
            let case = Case {
                view,
                seed,
                quality,
                hand_held,
                ripple: (0.0, 1.0),
            };
            let Some(found) = case.found() else {
                println!("{} seed {seed}: not placed", name(&case));
                continue;
            };
            made += 1;
            for (j, banding) in found.iter().enumerate() {
                if let Some(b) = banding {
                    let said = format!(
                        "{} seed {seed} frame {j}: {:.4} {:.2}",
                        name(&case),
                        b.amplitude,
                        b.cycles
                    );
                    println!("FALSE {said}");
                    wrong.push(said);
                }
            }
        }
    }
    println!(
        "false alarms: {} in {made} brackets without ripple",
        wrong.len()
    );
    for amplitude in [0.005, 0.01, 0.02, 0.05] {
        sensitivity(amplitude);
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

fn settings() -> impl Iterator<Item = (View, Option<u8>, bool)> {
    let qualities = [None, Some(95), Some(85), Some(75)];
    VIEWS.into_iter().flat_map(move |view| {
        qualities
            .into_iter()
            .flat_map(move |q| [false, true].map(|held| (view, q, held)))
    })
}

/// Prints how often ripple of an amplitude is found, by view and handling, and what is found of the amplitude.
fn sensitivity(amplitude: f64) {
    for view in VIEWS {
        for hand_held in [false, true] {
            let (mut made, mut right, mut other, mut ratios) = (0, 0, 0, Vec::new());
            for seed in 0..8 {
                let cycles = 2.7 + 4.3 * seed as f64;
                let quality = [None, Some(95), Some(85), Some(75)][seed as usize % 4];
                let case = Case {
                    view,
                    seed,
                    quality,
                    hand_held,
                    ripple: (amplitude, cycles),
                };
                let Some(found) = case.found() else { continue };
                made += 1;
                match found[2] {
                    Some(b) if (b.cycles - cycles).abs() < 0.5 => {
                        right += 1;
                        ratios.push(b.amplitude / amplitude);
                    }
                    Some(_) => other += 1,
                    None => {}
                }
            }
            let mean = ratios.iter().sum::<f64>() / ratios.len().max(1) as f64;
            let spread = ratios.iter().map(|r| (r - mean).powi(2)).sum::<f64>();
            let spread = (spread / ratios.len().max(1) as f64).sqrt();
            println!(
                "{:.1} % {view:?} {}: found {right} of {made}, at another frequency {other}; amplitude over truth {mean:.3}, spread {spread:.3}",
                100.0 * amplitude,
                if hand_held { "hand-held" } else { "still" }
            );
        }
    }
}
