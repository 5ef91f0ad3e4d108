//! Pairs brackets that were saved twice: the raw file of the same shot for each finished frame.
//!
//! A camera that saves raw and JPEG gives both the same name, and the same time and settings in the metadata. Either
//! is sufficient. Shots are paired only between the two brackets that have the most in common.
use super::sorting::{Candidate, Cluster};
use super::survey::{BracketPlan, FramePlan, nominal};
use std::path::{Path, PathBuf};
use stopspan_core::model::Format;
use stopspan_core::model::file_name;

/// Largest difference between the exposures that two files state for one shot, stops: rounding of the tags.
const SAME_STOPS: f64 = 0.02;
/// Fewest shots that two brackets must share.
const FEWEST: usize = 2;

/// Raw files of a cluster of finished frames, in the order of its frames, and the index of their cluster.
pub(super) struct RawFiles {
    pub cluster: usize,
    pub files: Vec<Option<PathBuf>>,
}

/// The raw files paired with each cluster; `None` for raw clusters and those without any. Frames are paired with raw
/// frames of the same folder only.
pub(super) fn pair(clusters: &[Cluster]) -> Vec<Option<RawFiles>> {
    let raw = |c: &Cluster| c.frames.iter().all(|f| f.format == Format::Dng);
    let found = |finished: &Cluster| {
        let raws = clusters.iter().enumerate().filter(|(_, c)| raw(c));
        let pairs = raws.map(|(cluster, raw)| RawFiles {
            cluster,
            files: finished
                .frames
                .iter()
                .map(|f| same_shot(f, &raw.frames))
                .collect(),
        });
        let count = |r: &RawFiles| r.files.iter().flatten().count();
        // Of equally good pairs, the first.
        let best = pairs.reduce(|a, b| if count(&b) > count(&a) { b } else { a })?;
        (count(&best) >= FEWEST).then_some(best)
    };
    let finished = clusters.iter().map(|c| (!raw(c)).then(|| found(c)));
    finished.map(Option::flatten).collect()
}

/// The raw file of a frame's shot: by name, else the only one of the same time and exposure.
fn same_shot(frame: &Candidate, raws: &[Candidate]) -> Option<PathBuf> {
    let folder = frame.file.parent();
    let here = || raws.iter().filter(move |r| r.file.parent() == folder);
    if let Some(named) = here().find(|r| stem(&r.file) == stem(&frame.file)) {
        return Some(named.file.clone());
    }
    let mut alike = here().filter(|r| same_moment(frame, r));
    let only = alike.next()?;
    alike.next().is_none().then(|| only.file.clone())
}

/// File name without extension, in lower case because cameras and card readers differ in that.
fn stem(file: &Path) -> String {
    let name = file_name(file);
    let stem = name.rsplit_once('.').map_or(&*name, |(stem, _)| stem);
    stem.to_lowercase()
}

fn same_moment(a: &Candidate, b: &Candidate) -> bool {
    let time = a.moment.zip(b.moment);
    let stops = a.judged.stated.zip(b.judged.stated);
    time.is_some_and(|(a, b)| a == b)
        && stops.is_some_and(|(a, b)| (a.value - b.value).abs() < SAME_STOPS)
}

impl BracketPlan {
    /// Files that are opened: frames, the camera's own HDR picture, raw files of the same shots. Every field is named, so
    /// that a new one is not forgotten here.
    pub fn files(&self) -> impl Iterator<Item = &Path> {
        let BracketPlan {
            name: _,
            frames,
            reference: _,
            camera_hdr,
            raw_beside: _,
            findings: _,
        } = self;
        let own = frames.iter().map(|f| &f.file);
        let finished = camera_hdr.iter().map(|h| &h.file);
        let raw = frames.iter().filter_map(|f| f.raw.as_ref());
        own.chain(finished).chain(raw).map(PathBuf::as_path)
    }

    /// A bracket of the raw files of the same shots, with the exposures of this one; `None` if fewer than two frames
    /// have one.
    pub fn of_raw(&self) -> Option<BracketPlan> {
        let beside = |f: &FramePlan| {
            let file = f.raw.clone()?;
            Some(FramePlan {
                file,
                raw: None,
                ..f.clone()
            })
        };
        let frames: Vec<FramePlan> = self.frames.iter().filter_map(beside).collect();
        let main = self.frames.get(self.reference)?.raw.as_ref();
        let reference = frames.iter().position(|f| Some(&f.file) == main);
        (frames.len() >= 2).then(|| BracketPlan {
            name: self.raw_beside.clone().unwrap_or_default(),
            reference: reference.unwrap_or_else(|| nominal(&frames)),
            frames,
            camera_hdr: None,
            raw_beside: None,
            findings: Vec::new(),
        })
    }
}
