//! Sorts pictures into clusters: by folder, camera, size and format, then by time, then by exposure, and across pauses again by
//! exposure and view.
use super::camera_hdr::{strong_mark, weak_mark};
use super::exposure::ParsedExposure;
use super::joining::join;
use super::listing::by_folder_and_name;
use super::overrides::Overrides;
use super::sequence::{Burst, SAME, Shot, bursts};
use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::path::PathBuf;
use stopspan_core::model::{Format, Header};

/// Largest gap between pictures of one burst, s, even if taken slowly by hand.
const LONGEST_GAP: f64 = 15.0;
/// Largest gap if there is no neighbouring gap to compare with, s.
const LONE_GAP: f64 = 10.0;
/// A gap separates bursts if it exceeds this (s; two clock ticks and the handling) ...
pub(crate) const SHORT_GAP: f64 = 2.5;
/// ... plus this many times the shorter neighbouring gap.
const GAP_RATIO: f64 = 3.0;
/// Largest distance of a finished picture from its burst, s; cameras take a while to compute it.
const FINISHED_GAP: f64 = 60.0;

/// A picture whose header was read.
#[derive(Debug, Clone)]
pub(crate) struct Candidate {
    pub file: PathBuf,
    pub format: Format,
    pub header: Header,
    pub judged: ParsedExposure,
    /// Capture time, seconds by the camera's clock.
    pub moment: Option<f64>,
}

impl Candidate {
    fn seconds(&self) -> f64 {
        self.judged.settings.time.map_or(0.0, |t| t.0)
    }

    /// Stated exposure, stops.
    pub fn stops(&self) -> Option<f64> {
        self.judged.stated.map(|s| s.value)
    }

    /// Seconds to the next picture, less their exposure: the clock may be read before or after it, and a long exposure may be
    /// followed by a dark frame of the same length. 0 where a time is not known.
    pub fn pause_before(&self, next: &Candidate) -> f64 {
        match (self.moment, next.moment) {
            (Some(a), Some(b)) => (b - a - 2.0 * self.seconds() - next.seconds()).max(0.0),
            _ => 0.0,
        }
    }
}

/// A finished picture and the evidence for it.
pub(crate) type FinishedCandidate = (Candidate, String);

/// Pictures that belong together: a bracket if they have at least two exposures.
#[derive(Debug, Default)]
pub(crate) struct Cluster {
    pub frames: Vec<Candidate>,
    pub finished: Option<FinishedCandidate>,
}

impl Cluster {
    /// True if this is a bracket: two different known exposures, or at least two frames of unknown exposure.
    pub fn is_bracket(&self) -> bool {
        let known: Vec<f64> = self.frames.iter().filter_map(Candidate::stops).collect();
        let differ = known.iter().any(|s| (s - known[0]).abs() >= SAME);
        differ || (known.is_empty() && self.frames.len() >= 2)
    }
}

/// Result of sorting.
#[derive(Debug, Default)]
pub(crate) struct Sorted {
    pub clusters: Vec<Cluster>,
    /// Finished pictures that belong to no cluster.
    pub finished: Vec<FinishedCandidate>,
}

/// Properties shared by all frames of a bracket.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Kind {
    folder: Option<PathBuf>,
    camera: [Option<String>; 3],
    size: (usize, usize),
    format: u8,
    timed: bool,
}

fn kind(candidate: &Candidate) -> Kind {
    let header = &candidate.header;
    let clean = |text: &Option<String>| text.as_deref().map(|t| t.trim().to_owned());
    Kind {
        folder: candidate.file.parent().map(PathBuf::from),
        camera: [
            clean(&header.maker),
            clean(&header.model),
            clean(&header.serial),
        ],
        size: (header.columns, header.rows),
        format: candidate.format as u8,
        timed: candidate.moment.is_some(),
    }
}

/// Sorts candidates into clusters. The result does not depend on the order of `candidates`.
pub(crate) fn sort(candidates: Vec<Candidate>, overrides: &Overrides) -> Sorted {
    let (mut finished, frames) = said_finished(candidates, overrides);
    let (groups, frames) = said_together(frames, overrides);
    let mut clusters = Vec::new();
    for group in groups {
        let (frames, marked) = pull_strong(group, overrides);
        finished.extend(marked);
        clusters.push(Cluster {
            frames,
            finished: None,
        });
    }
    if overrides.one_bracket {
        let (frames, marked) = pull_strong(frames, overrides);
        finished.extend(marked);
        clusters.push(Cluster {
            frames,
            finished: None,
        });
    } else {
        let mut groups: BTreeMap<Kind, Vec<Candidate>> = BTreeMap::new();
        for candidate in frames {
            groups.entry(kind(&candidate)).or_default().push(candidate);
        }
        for group in groups.into_values() {
            let mut of_group = Vec::new();
            for run in runs(group) {
                let (run, marked) = pull_strong(run, overrides);
                finished.extend(marked);
                of_group.extend(split(run, overrides));
            }
            clusters.extend(join(of_group, &overrides.limits));
        }
    }
    clusters.retain(|c| !c.frames.is_empty() || c.finished.is_some());
    for cluster in &mut clusters {
        cluster.frames.sort_by(in_order);
    }
    attach(clusters, finished, overrides.one_bracket)
}

/// Separates the pictures that the user states to be finished.
fn said_finished(
    candidates: Vec<Candidate>,
    overrides: &Overrides,
) -> (Vec<FinishedCandidate>, Vec<Candidate>) {
    let (named, others): (Vec<_>, Vec<_>) = candidates
        .into_iter()
        .partition(|c| overrides.says_hdr(&c.file));
    let evidence = "named by the user".to_owned();
    (
        named.into_iter().map(|c| (c, evidence.clone())).collect(),
        others,
    )
}

/// Separates the pictures that the user states to be a bracket each.
fn said_together(
    candidates: Vec<Candidate>,
    overrides: &Overrides,
) -> (Vec<Vec<Candidate>>, Vec<Candidate>) {
    let mut groups = vec![Vec::new(); overrides.groups.len()];
    let mut others = Vec::new();
    for candidate in candidates {
        match overrides.group_of(&candidate.file) {
            Some(group) => groups[group].push(candidate),
            None => others.push(candidate),
        }
    }
    (groups, others)
}

/// Separates pictures whose tags state that they are finished. If all pictures of several different exposures have
/// the tag, it is a habit of the camera and no evidence.
fn pull_strong(
    run: Vec<Candidate>,
    overrides: &Overrides,
) -> (Vec<Candidate>, Vec<FinishedCandidate>) {
    let mark = |c: &Candidate| {
        (!overrides.says_not_hdr(&c.file))
            .then(|| strong_mark(&c.header))
            .flatten()
    };
    let marks: Vec<Option<String>> = run.iter().map(mark).collect();
    let all = marks.len() >= 2 && marks.iter().all(Option::is_some);
    let (mut frames, mut finished) = (Vec::new(), Vec::new());
    for (candidate, mark) in run.into_iter().zip(marks) {
        match mark {
            Some(evidence) if !all => finished.push((candidate, evidence)),
            _ => frames.push(candidate),
        }
    }
    (frames, finished)
}

/// Compares by capture time, by name if times are equal or missing.
fn in_order(a: &Candidate, b: &Candidate) -> Ordering {
    let by_time = match (a.moment, b.moment) {
        (Some(a), Some(b)) => a.total_cmp(&b),
        _ => Ordering::Equal,
    };
    by_time.then_with(|| by_folder_and_name(&a.file, &b.file))
}

/// Splits pictures of one kind into runs without a break in time.
fn runs(mut group: Vec<Candidate>) -> Vec<Vec<Candidate>> {
    group.sort_by(in_order);
    let gaps: Vec<f64> = group
        .windows(2)
        .map(|pair| pair[0].pause_before(&pair[1]))
        .collect();
    let mut runs = vec![Vec::new()];
    for (index, candidate) in group.into_iter().enumerate() {
        if index > 0
            && is_break(&gaps, index - 1)
            && runs.last().is_some_and(|r: &Vec<_>| !r.is_empty())
        {
            runs.push(Vec::new());
        }
        if let Some(run) = runs.last_mut() {
            run.push(candidate);
        }
    }
    runs
}

fn is_break(gaps: &[f64], index: usize) -> bool {
    let before = index.checked_sub(1).and_then(|i| gaps.get(i)).copied();
    let beside = before
        .into_iter()
        .chain(gaps.get(index + 1).copied())
        .filter(|g| *g <= LONGEST_GAP)
        .reduce(f64::min);
    let limit = beside.map_or(LONE_GAP, |b| (SHORT_GAP + GAP_RATIO * b).min(LONGEST_GAP));
    gaps[index] > limit
}

/// Splits a run into clusters by exposure.
fn split(run: Vec<Candidate>, overrides: &Overrides) -> Vec<Cluster> {
    let shots = shots(&run, overrides);
    let mut pictures: Vec<Option<Candidate>> = run.into_iter().map(Some).collect();
    let mut take = |index: usize| pictures.get_mut(index).and_then(Option::take);
    let mut clusters = Vec::new();
    for Burst { frames, finished } in bursts(&shots) {
        clusters.push(Cluster {
            frames: frames.into_iter().filter_map(&mut take).collect(),
            finished: finished.and_then(|(i, evidence)| take(i).map(|c| (c, evidence))),
        });
    }
    clusters
}

/// The run as input for splitting: by exposure bias if that varies with the exposure, else by stated exposure.
fn shots(run: &[Candidate], overrides: &Overrides) -> Vec<Shot> {
    let biases: Vec<f64> = run.iter().filter_map(|c| c.judged.bias).collect();
    let by_bias = biases.iter().any(|b| (b - biases[0]).abs() >= SAME) && !set_by_hand(run);
    let all_marked = run.iter().all(|c| weak_mark(&c.file, &c.header).is_some());
    run.iter()
        .map(|c| {
            let surely_frame = overrides.says_not_hdr(&c.file);
            Shot {
                stops: if by_bias { c.judged.bias } else { c.stops() },
                mark: (!surely_frame && !all_marked)
                    .then(|| weak_mark(&c.file, &c.header))
                    .flatten(),
                surely_frame,
            }
        })
        .collect()
}

/// True if exposures change at the same bias in more than a third of the steps: the bias is not what was varied then.
fn set_by_hand(run: &[Candidate]) -> bool {
    let apart = |a: Option<f64>, b: Option<f64>| a.zip(b).map(|(a, b)| (a - b).abs() >= SAME);
    let unbiased = run.windows(2).filter(|p| {
        let biases = apart(p[0].judged.bias, p[1].judged.bias);
        biases == Some(false) && apart(p[0].stops(), p[1].stops()) == Some(true)
    });
    3 * unbiased.count() > run.len() - 1
}

/// Attaches every finished picture to the nearest cluster of its folder and camera that has none yet.
fn attach(clusters: Vec<Cluster>, finished: Vec<FinishedCandidate>, anywhere: bool) -> Sorted {
    let mut sorted = Sorted {
        clusters,
        finished: Vec::new(),
    };
    let places = ranks(&sorted.clusters, &finished);
    let mut pairs = Vec::new();
    for (f, (picture, _)) in finished.iter().enumerate() {
        for (c, cluster) in sorted.clusters.iter().enumerate() {
            if cluster.is_bracket() || anywhere {
                let far = distance(cluster, picture, &places, anywhere);
                pairs.extend(far.map(|d| (d, f, c)));
            }
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)).then(a.2.cmp(&b.2)));
    let mut finished: Vec<Option<FinishedCandidate>> = finished.into_iter().map(Some).collect();
    for (_, f, c) in pairs {
        let slot = &mut sorted.clusters[c].finished;
        if slot.is_none() {
            *slot = finished[f].take();
        }
    }
    sorted.finished = finished.into_iter().flatten().collect();
    sorted
}

/// Rank of every file by folder and name.
fn ranks(clusters: &[Cluster], finished: &[FinishedCandidate]) -> BTreeMap<PathBuf, usize> {
    let frames = clusters.iter().flat_map(|c| &c.frames);
    let mut files: Vec<PathBuf> = frames
        .chain(finished.iter().map(|f| &f.0))
        .map(|c| c.file.clone())
        .collect();
    files.sort_by(|a, b| by_folder_and_name(a, b));
    files.into_iter().enumerate().map(|(i, f)| (f, i)).collect()
}

/// Distance of a finished picture from a cluster: seconds if both have capture times, else places in the order of
/// names; slightly larger for a cluster taken after it. `None` if it cannot belong there.
fn distance(
    cluster: &Cluster,
    picture: &Candidate,
    places: &BTreeMap<PathBuf, usize>,
    anywhere: bool,
) -> Option<f64> {
    const AFTER: f64 = 1.5;
    let far = |f: &Candidate| -> Option<f64> {
        let same_folder = f.file.parent() == picture.file.parent();
        let same_camera =
            |a: &Option<String>, b: &Option<String>| a.is_none() || b.is_none() || a == b;
        let (a, b) = (&f.header, &picture.header);
        if anywhere {
            return Some(0.0);
        }
        if !same_folder || !same_camera(&a.maker, &b.maker) || !same_camera(&a.model, &b.model) {
            return None;
        }
        let signed = match (f.moment, picture.moment) {
            (Some(a), Some(b))
                if (b - a).abs() > FINISHED_GAP + f.seconds() + picture.seconds() =>
            {
                return None;
            }
            (Some(a), Some(b)) => b - a,
            _ => *places.get(&picture.file)? as f64 - *places.get(&f.file)? as f64,
        };
        Some(if signed < 0.0 {
            AFTER * -signed
        } else {
            signed
        })
    };
    cluster.frames.iter().filter_map(far).reduce(f64::min)
}
