//! Known densities through the whole job: a false span, veiling glare and both together come back from simulated frames.
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use stopspan::pipeline::{Settings, run};
use stopspan_core::finding::Finding;
use stopspan_core::model::ExposureSource;
use stopspan_core::results::BracketReport;
use stopspan_core::results::Calibration;
use stopspan_core::results::Limit;
use stopspan_formats::staged::Outputs;
use stopspan_simulate::{FileKind, Scenario, Truth, write_scenario};

/// What one simulated job gave.
struct Job {
    truth: Truth,
    bracket: BracketReport,
}

impl Job {
    fn calibration(&self) -> &Calibration {
        self.bracket.calibration.as_ref().unwrap()
    }

    /// Glare as the simulator made it: the light on the steps is `c (10^-D + glare)`, so two of them give it.
    fn glare(&self) -> f64 {
        let wedge = self.truth.wedge.as_ref().unwrap();
        let (d, l) = (&wedge.densities, &wedge.light);
        let last = d.len() - 1;
        let light = |i: usize| 10f64.powf(-d[i]);
        let white = (l[0] - l[last]) / (light(0) - light(last));
        l[0] / white - light(0)
    }
}

/// A bench whose stated exposures span `p` times the real ones, a share `spread` of its light veiled, its stated densities
/// wrong by `wrong` D (one standard deviation).
fn job(seed: u64, files: FileKind, (p, spread, wrong): (f64, f64, f64)) -> Job {
    let bits = if matches!(files, FileKind::Jpeg { .. }) {
        8
    } else {
        16
    };
    let text = format!(
        r#"{{ "name": "s", "seed": {seed}, "size": [900, 675], "scene": {{ "kind": "bench" }},
        "sensor": {{ "full_well": 7000.0, "read_noise": 4.0, "output_bits": {bits}, "blur": 0.6, "glare": {spread},
                     "response": {{ "name": "contrast", "amount": 0.3 }} }},
        "frames": [ {{ "name": "half", "ev": -1.0, "exposure_error": {} }}, {{ "name": "nominal", "ev": 0.0 }},
                    {{ "name": "double", "ev": 1.0, "exposure_error": {} }} ] }}"#,
        1.0 - 1.0 / p,
        1.0 / p - 1.0
    );
    let mut scenario: Scenario = serde_json::from_str(&text).unwrap();
    scenario.files = files;
    let folder = tempfile::tempdir().unwrap();
    let input = folder.path().join("in");
    let (_, truth) = write_scenario(&scenario, &input, &Outputs::default()).unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let wedge = truth.wedge.as_ref().unwrap();
    let stated = wedge
        .densities
        .iter()
        .map(|d| format!("{:.4}", d + wrong * rng.sample::<f64, _>(StandardNormal)));
    let mut settings = Settings::new(vec![input], folder.path().join("out"));
    settings.wedge.densities = Some(stated.collect::<Vec<_>>().join(","));
    settings.wedge.density_uncertainty = Some(wrong.max(0.002));
    settings.sheets.looks.clear();
    let outcome = run(&settings, &|_| {}).unwrap();
    let bracket = outcome.report.brackets.into_iter().next().unwrap();
    Job { truth, bracket }
}

fn jpeg(quality: u8) -> FileKind {
    FileKind::Jpeg {
        quality,
        half_chroma: true,
    }
}

#[test]
fn a_false_span_and_glare_come_back_from_exact_densities() {
    let job = job(5, jpeg(95), (1.05, 0.08, 0.0));
    let c = job.calibration();
    let e = &c.exponent;
    assert!((e.exponent.value - 1.05).abs() < 0.01, "{:?}", e.exponent);
    assert!(
        e.used,
        "5 % is beyond what light of unknown evenness allows for"
    );
    let span =
        job.bracket.frames[2].exposure.used.value - job.bracket.frames[0].exposure.used.value;
    assert!((span - 2.0 / 1.05).abs() < 0.02, "{span}");
    assert!(
        job.bracket
            .frames
            .iter()
            .all(|f| f.exposure.source == ExposureSource::Wedge)
    );
    let (glare, truth) = (&c.glare, job.glare());
    assert!(truth > 0.002, "{truth}");
    assert!(
        glare.detected && (glare.share - truth).abs() < 0.002,
        "{glare:?} {truth}"
    );
    // Four standard deviations: one draw, and the interval is a claim of 95 % only.
    assert!((glare.share - truth).abs() < 4.0 * glare.standard_uncertainty + 2e-4);
    let says = |f: &dyn Fn(&Finding) -> bool| job.bracket.findings.iter().any(f);
    assert!(says(&|f| matches!(
        f,
        Finding::SpanByWedge { used: true, .. }
    )));
    assert!(says(&|f| matches!(f, Finding::VeilingGlare { .. })));
    assert!(
        says(&|f| matches!(f, Finding::LightNotSeparable { .. })),
        "one row"
    );
    assert!(!says(&|f| matches!(f, Finding::SpanFromMetadata { .. })));
    for r in &c.glare.ranges {
        assert!(r.after_stops.unwrap() > r.before_stops - 12.0);
    }
    assert!(!c.glare.ranges.is_empty());
    // Where noise leaves more than the glare does, glare is what the dark end is made of: in JPEG files too.
    let merge = job.bracket.pictures.merge.as_ref().unwrap();
    for (usable, range) in merge.usable_stops.iter().zip(&c.glare.ranges) {
        assert_eq!(usable.snr, range.snr);
        let below_glare = usable.stops.is_some_and(|s| s > range.before_stops + 1e-6);
        let said = usable.limited_by == Limit::Glare;
        assert_eq!(said, below_glare, "{usable:?} {range:?}");
    }
    let at_snr = |snr: f64| merge.usable_stops.iter().find(|u| u.snr == snr).unwrap();
    assert_eq!(at_snr(10.0).limited_by, Limit::Glare, "of a JPEG too");
    assert_ne!(at_snr(40.0).limited_by, Limit::Glare);
}

/// Errors over jobs whose stated spans are `spans` times the real ones, turn by turn, densities off by 0.01 D.
#[derive(Default)]
struct Tally {
    ratios: Vec<f64>,
    /// Found less true share.
    glares: Vec<f64>,
    /// True share, of the last job.
    truth: f64,
    held: usize,
    corrected: usize,
}

impl Tally {
    fn of(files: FileKind, spans: &[f64], jobs: std::ops::Range<u64>) -> Self {
        let mut tally = Tally::default();
        for seed in jobs {
            let p = spans[seed as usize % spans.len()];
            let job = job(seed, files, (p, 0.06, 0.01));
            let (e, glare) = (&job.calibration().exponent, &job.calibration().glare);
            // A ratio of two, corrected by the exponent found.
            tally
                .ratios
                .push((p / e.exponent.value).ln().abs() * std::f64::consts::LN_2);
            let truth = job.glare();
            tally.glares.push(glare.share - truth);
            tally.truth = truth;
            tally.held += usize::from((glare.low95..=glare.high95).contains(&truth));
            tally.corrected += usize::from(e.used);
        }
        tally.ratios.sort_by(f64::total_cmp);
        tally.glares.sort_by(f64::total_cmp);
        tally
    }

    fn median_ratio(&self) -> f64 {
        self.ratios[self.ratios.len() / 2]
    }

    fn largest_glare(&self) -> f64 {
        self.glares.iter().fold(0.0, |most, e| most.max(e.abs()))
    }

    /// Mean and standard deviation of the errors of the glare.
    fn bias_and_spread(&self) -> (f64, f64) {
        let n = self.glares.len() as f64;
        let mean = self.glares.iter().sum::<f64>() / n;
        let variance = self.glares.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / (n - 1.0);
        (mean, variance.sqrt())
    }
}

#[test]
fn a_span_that_is_right_is_left_alone_and_the_glare_of_it_found() {
    let tally = Tally::of(FileKind::Png, &[1.0], 50..53);
    assert_eq!(tally.corrected, 0);
    assert!(tally.largest_glare() <= 0.002, "{:?}", tally.glares);
}

/// A run of 48 such jobs: glare of 0.533 % with a bias of at most 0.004 %, a spread of 0.008 % and an error of at most 0.018 % of
/// white, held 48 times; the median error of a ratio is 0.22 % or less.
#[test]
#[ignore = "study of 40 jobs; prints errors of ratio and glare; run by hand before a release"]
fn ratios_to_a_third_of_a_per_cent_and_glare_to_a_fifth() {
    for files in [jpeg(95), FileKind::Png] {
        for spans in [&[0.94, 0.96, 1.04, 1.06][..], &[1.0]] {
            let tally = Tally::of(files, spans, 0..10);
            let (bias, spread) = tally.bias_and_spread();
            let (ratio, glare, held) = (tally.median_ratio(), tally.largest_glare(), tally.held);
            println!(
                "{files:?}, spans {spans:?}: ratio error median {ratio:.5}, glare {:.6}: bias {bias:.6}, spread {spread:.6}, \
                 largest error {glare:.6}, held {held} of 10, corrected {} of 10",
                tally.truth, tally.corrected
            );
            assert!(ratio <= 0.003 && glare <= 0.002);
            // 95 % of 10 less three deviations.
            assert!(held >= 8);
            // A span wrong by 4 % is four standard uncertainties away where light may be uneven: some are left, and said.
            let due = if spans.len() == 1 { 0..=0 } else { 8..=10 };
            assert!(due.contains(&tally.corrected));
        }
    }
}
