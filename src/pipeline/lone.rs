//! Pictures that belong to no bracket: each is measured on its wedge, and those of one camera are reported together.
use super::lone_light::check;
use super::opened::OpenedPicture;
use super::products::make_folder;
use super::settings::{Event, Settings};
use super::{Progress, inputs, sheets};
use std::path::PathBuf;
use stopspan_core::Error;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, CameraPicture, FileDigest, Homography, file_name};
use stopspan_core::results::{
    BracketReport, Failed, InputFile, LonePicture, OutputFile, PictureKind, Report, UnusedFile,
    WithoutBracket,
};
use stopspan_formats::staged::Outputs;
use stopspan_frames as frames;
use stopspan_frames::{FinishedPlan, Survey};
use stopspan_measure::WedgeRequest;
use stopspan_measure::lone::LoneMeasurement;
use stopspan_report as report;
use stopspan_report::lone::{LoneEntry, LoneGroup};
use stopspan_report::{BracketFigures, PageFigures};

/// A picture to be measured.
#[derive(Debug, Clone)]
pub(super) struct LoneFile {
    file: PathBuf,
    kind: PictureKind,
    /// Why it was taken for an HDR picture of the camera's own.
    evidence: Option<String>,
}

impl LoneFile {
    /// A single shot.
    pub fn single(file: PathBuf) -> Self {
        LoneFile {
            file,
            kind: PictureKind::Frame,
            evidence: None,
        }
    }

    /// Every picture of a survey, in the order of their names, whatever brackets they would make.
    fn whatever(survey: Survey) -> Vec<Self> {
        let mut all = LoneFile::all_of(&survey);
        for bracket in survey.brackets {
            let frames = bracket.frames.into_iter();
            all.extend(frames.map(|f| LoneFile::single(f.file)));
            all.extend(bracket.camera_hdr.into_iter().map(LoneFile::finished));
        }
        all.sort_by(|a, b| a.file.cmp(&b.file));
        all
    }

    /// An HDR picture of the camera's own.
    fn finished(plan: FinishedPlan) -> Self {
        LoneFile {
            file: plan.file,
            kind: PictureKind::CameraHdr,
            evidence: Some(plan.evidence),
        }
    }

    /// The pictures of a survey that belong to no bracket: single shots, then HDR pictures of the camera's own, by file.
    pub fn all_of(survey: &Survey) -> Vec<Self> {
        let singles = survey.singles.iter().cloned().map(LoneFile::single);
        let finished = survey.camera_hdr.iter().cloned().map(LoneFile::finished);
        singles.chain(finished).collect()
    }
}

/// What became of the pictures.
#[derive(Debug, Default)]
pub(super) struct Lone {
    /// One camera each.
    groups: Vec<LoneGroup>,
    /// Files that were decoded.
    inputs: Vec<InputFile>,
    /// Pictures without a wedge, with the reason.
    left: Vec<UnusedFile>,
    /// Pictures that could not be measured.
    failed: Vec<Failed>,
}

/// Measures the pictures; `brackets` are those of the same run. All pictures of a run show one wedge: where one shows fewer of
/// its steps than another, it is measured again with the number that the other shows.
pub(super) fn measure_all(
    files: &[LoneFile],
    settings: &Settings,
    brackets: &[BracketReport],
    progress: Progress,
) -> Lone {
    let mut lone = Lone::default();
    let mut measured = Vec::new();
    let mut unseen = Vec::new();
    for (index, one) in files.iter().enumerate() {
        let name = &file_name(&one.file);
        let count = files.len();
        progress(Event::Picture { name, index, count });
        match measure(one, settings, &settings.wedge, brackets) {
            Ok(Ok(entry)) => measured.push((one, entry)),
            Ok(Err(findings)) => unseen.push((one, findings)),
            Err(error) => {
                progress(Event::Failed { error: &error });
                let path = one.file.display().to_string();
                lone.failed.push(inputs::failure(&path, &error));
            }
        }
    }
    for (one, findings) in unseen {
        match placed_by_another(one, settings, &measured, brackets) {
            Some(entry) => measured.push((one, entry)),
            None => lone.left.push(UnusedFile {
                path: one.file.display().to_string(),
                reason: without_wedge(&findings),
            }),
        }
    }
    let steps = |e: &LoneEntry| e.picture.measured.levels.map(|l| l.steps);
    let of_brackets = brackets.iter().filter_map(|b| b.pictures.steps());
    let of_pictures = measured.iter().filter_map(|(_, e)| steps(e));
    let shared = WedgeRequest {
        steps_of_run: of_brackets.chain(of_pictures).max(),
        ..settings.wedge.clone()
    };
    for (one, entry) in &mut measured {
        if steps(entry) < shared.steps_of_run
            && let Ok(Ok(again)) = measure(one, settings, &shared, brackets)
        {
            *entry = again;
        }
    }
    let mut entries: Vec<LoneEntry> = measured.into_iter().map(|(_, e)| e).collect();
    settle_steps(&mut entries, brackets);
    lone.inputs = entries.iter().map(|e| input(&e.file)).collect();
    lone.groups = report::lone::by_camera(entries);
    unique(&mut lone.groups, brackets);
    lone
}

/// Takes back the doubt whether the wedge goes on below its darkest step, where another picture of the run shows as many steps clearly.
fn settle_steps(entries: &mut [LoneEntry], brackets: &[BracketReport]) {
    let doubt = |f: &Finding| matches!(f, Finding::WedgeMayGoOn { .. });
    let clear =
        |steps: Option<usize>, findings: &[Finding]| steps.filter(|_| !findings.iter().any(doubt));
    let of_brackets = brackets.iter();
    let of_brackets = of_brackets.filter_map(|b| clear(b.pictures.steps(), &b.findings));
    let steps = |p: &LonePicture| p.measured.levels.map(|l| l.steps);
    let of_pictures = entries.iter().map(|e| &e.picture);
    let of_pictures = of_pictures.filter_map(|p| clear(steps(p), &p.findings));
    let settled: Vec<usize> = of_brackets.chain(of_pictures).collect();
    for entry in entries {
        if steps(&entry.picture).is_some_and(|n| settled.contains(&n)) {
            entry.picture.findings.retain(|f| !doubt(f));
        }
    }
}

/// A picture in which no wedge was found, measured where another of the same camera shows it: the two are brought into register.
/// `None` without such a picture, and where registration cannot be trusted.
fn placed_by_another(
    one: &LoneFile,
    settings: &Settings,
    measured: &[(&LoneFile, LoneEntry)],
    brackets: &[BracketReport],
) -> Option<LoneEntry> {
    if settings.wedge.none || settings.wedge.corners.is_some() {
        return None;
    }
    let picture = frames::load_lone(&one.file, &settings.overrides).ok()?;
    let picture = picture.frames.into_iter().next()?.picture;
    let camera = report::camera_name(&picture.header)?;
    let same = |(_, entry): &&(&LoneFile, LoneEntry)| entry.camera.as_ref() == Some(&camera);
    let (other, entry) = measured.iter().find(same)?;
    let mut pair = frames::load_lone(&other.file, &settings.overrides).ok()?;
    pair.camera_hdr = Some(CameraPicture {
        picture,
        evidence: String::new(),
    });
    let transform = stopspan_align::locate_camera_picture(&pair)?;
    drop(pair);
    let wedge = &entry.picture.wedge;
    let at = Homography::of_transform(Some(transform));
    let request = WedgeRequest {
        corners: Some(at.map_quad(&wedge.corners)),
        grid: Some((wedge.rows, wedge.columns)),
        dark_first: wedge.dark_first,
        boustrophedon: wedge.boustrophedon,
        ..settings.wedge.clone()
    };
    let mut placed = measure(one, settings, &request, brackets).ok()?.ok()?;
    placed.picture.findings.push(Finding::WedgePlacedBy {
        picture: file_name(&other.file),
    });
    Some(placed)
}

fn input(file: &FileDigest) -> InputFile {
    InputFile {
        path: file.file.display().to_string(),
        bytes: std::fs::metadata(&file.file).map_or(0, |m| m.len()),
        sha256: Some(report::hexadecimal(&file.sha256)),
    }
}

/// Gives every group a name of its own, other than those of the brackets.
fn unique(groups: &mut [LoneGroup], brackets: &[BracketReport]) {
    let mut taken: Vec<String> = brackets.iter().map(|b| b.name.clone()).collect();
    taken.push(sheets::FOLDER.to_owned());
    for group in groups {
        while taken.contains(&group.entry.name) {
            group.entry.name.push('x');
        }
        taken.push(group.entry.name.clone());
    }
}

/// Why a picture was not measured.
fn without_wedge(findings: &[Finding]) -> String {
    let about = findings.iter().filter(|f| {
        matches!(
            f,
            Finding::NoWedge { .. } | Finding::WedgeDoubtful { .. } | Finding::WedgeUnusable { .. }
        )
    });
    let words: Vec<String> = about.map(report::words::finding).collect();
    if words.is_empty() {
        "no wedge was looked for".to_owned()
    } else {
        words.join(" ")
    }
}

/// One picture: decoded, made linear, measured, its wedge cut out for the page.
fn measure(
    one: &LoneFile,
    settings: &Settings,
    request: &WedgeRequest,
    brackets: &[BracketReport],
) -> Result<Result<LoneEntry, Vec<Finding>>, Error> {
    let opened = OpenedPicture::open(&one.file, one.kind, settings)?;
    let measured = match opened.measure(request, settings, brackets)? {
        Ok(measured) => measured,
        Err(findings) => return Ok(Err(findings)),
    };
    Ok(Ok(entry(one, opened.bracket(), measured)))
}

/// What is reported of a measured picture.
fn entry(one: &LoneFile, alone: &Bracket, measured: LoneMeasurement) -> LoneEntry {
    let frame = &alone.frames[0];
    let picture = &frame.picture;
    let recognised = |reason: &String| Finding::CameraHdrRecognised {
        frame: frame.name(),
        reason: reason.clone(),
    };
    let mut findings = alone.findings.clone();
    findings.extend(one.evidence.as_ref().map(recognised));
    findings.extend(measured.findings);
    let entry = LonePicture {
        path: one.file.display().to_string(),
        columns: picture.pixels.columns(),
        rows: picture.pixels.rows(),
        bits: picture.pixels.bits(),
        settings: frame.settings,
        bias: frame.bias,
        captured: picture.header.captured.clone(),
        light: measured.light,
        wedge: measured.wedge,
        measured: measured.measured,
        clipped_steps: measured.clipped_steps,
        crushed_steps: measured.crushed_steps,
        tint: measured.tint,
        findings,
    };
    LoneEntry {
        strip: report::lone::lone_strip(&entry, frame),
        picture: entry,
        camera: report::camera_name(&picture.header),
        file: FileDigest {
            file: one.file.clone(),
            sha256: picture.sha256.unwrap_or_default(),
        },
    }
}

impl Lone {
    /// Draws and writes the sheets, and enters everything into the report. Returns what the page shows of each camera.
    ///
    /// # Errors
    /// [`Error::Output`].
    pub fn enter(
        self,
        settings: &Settings,
        policy: &Outputs,
        report: &mut Report,
    ) -> Result<Vec<PageFigures>, Error> {
        report.inputs.extend(self.inputs);
        report.singles.extend(self.left);
        report.failed.extend(self.failed);
        let mut shown = Vec::new();
        for LoneGroup { mut entry, figures } in self.groups {
            entry.outputs = sheets_of(&entry, &figures, settings, policy)?;
            shown.push(PageFigures::of(&report::lone::as_bracket(&entry), &figures));
            report.without_bracket.push(entry);
        }
        Ok(shown)
    }
}

fn sheets_of(
    entry: &WithoutBracket,
    figures: &BracketFigures,
    settings: &Settings,
    policy: &Outputs,
) -> Result<Vec<OutputFile>, Error> {
    if settings.out.as_os_str().is_empty() {
        return Ok(Vec::new());
    }
    make_folder(&settings.out.join(&entry.name))?;
    let drawn = report::lone::as_bracket(entry);
    sheets::write_bracket(&drawn, figures, &settings.sheets, &settings.out, policy)
}

/// Measures the files one by one, whatever brackets they would make, without writing anything: the report of it.
///
/// # Errors
/// [`Error::Request`] for settings that make no sense. A file that cannot be read is in [`Report::failed`].
pub fn measure_pictures(settings: &Settings, progress: Progress) -> Result<Report, Error> {
    settings.wedge.check()?;
    check(settings)?;
    let survey = super::survey(settings)?;
    for failed in &survey.failed {
        let error = &failed.error;
        progress(Event::Failed { error });
    }
    let mut report = inputs::begin(settings, &survey);
    report.inputs.clear(); // those that are decoded are entered with their sums
    let files = LoneFile::whatever(survey);
    let lone = measure_all(&files, settings, &[], progress);
    lone.enter(settings, &settings.output_policy(), &mut report)?;
    Ok(report)
}
