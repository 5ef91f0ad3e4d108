//! What is made of the default shots of all cameras together: the same places side by side, wedges one below the other, and light,
//! noise and colour compared.
mod crops;
mod places;
mod shots;

use super::settings::Settings;
use super::{Event, Progress, sheets};
use shots::Taken;
use stopspan_core::Error;
use stopspan_core::results::{Report, SamePlaces, ShotComparison};
use stopspan_formats::staged::Outputs;
use stopspan_frames::Survey;
use stopspan_measure::{Place, Shot, compare_shots, even_places, measure_at};
use stopspan_report::sheet::{self, ACROSS, CameraStrip, Sheet};
use stopspan_report::words;

/// Loads the default shots, compares them, and writes the sheets across cameras. Nothing with fewer than two.
///
/// # Errors
/// [`Error::Output`] if a sheet cannot be written.
pub(super) fn compare(
    report: &mut Report,
    survey: &Survey,
    (settings, policy): (&Settings, &Outputs),
    progress: Progress,
) -> Result<(), Error> {
    let files = shots::default_shots(report, survey, &settings.overrides.limits);
    if files.len() < 2 {
        return Ok(());
    }
    progress(Event::Stage("comparing the default shots"));
    let taken = shots::load(files, settings, report);
    if taken.iter().all(|t| t.camera == taken[0].camera) {
        return Ok(());
    }
    let found = places::Found::new(&taken, settings);
    let shots = measured(&taken, &found);
    if report.cameras.is_some() || shots.is_some() {
        report.cameras.get_or_insert_default().shots = shots;
    }
    if settings.sheets.looks.is_empty() {
        return Ok(());
    }
    let mut made = wedges(&taken, settings);
    for (number, columns) in (1..).zip(pages(taken.len())) {
        for places in found.sheets(&taken, columns, (settings, number)) {
            made.extend(sheet::of_places(&places, &settings.sheets));
        }
    }
    sheets::write(
        &made,
        &settings.out.join(sheets::FOLDER),
        sheets::FOLDER,
        policy,
    )
    .map(drop)
}

/// The columns of each sheet, as even as possible.
fn pages(columns: usize) -> Vec<std::ops::Range<usize>> {
    let count = columns.div_ceil(ACROSS);
    let start = |page: usize| page * columns / count;
    (0..count)
        .map(|page| start(page)..start(page + 1))
        .collect()
}

/// Strips of the default shots, lightest step on the left.
fn wedges(taken: &[Taken], settings: &Settings) -> Vec<Sheet> {
    let strips: Vec<CameraStrip> = taken.iter().filter_map(Taken::strip).collect();
    match strips.len() {
        0 | 1 => Vec::new(),
        _ => sheet::of_strips(&strips, &settings.sheets),
    }
}

/// Light, noise and colour on the steps of the wedge, else on even places of the first shot that registration finds in the others.
fn measured(taken: &[Taken], found: &places::Found) -> Option<ShotComparison> {
    let with_wedge: Vec<&Taken> = taken.iter().filter(|t| t.measured.is_some()).collect();
    if with_wedge.len() >= 2 {
        let shots: Vec<Shot> = with_wedge
            .iter()
            .map(|t| t.shot(t.patches().filter_map(Place::of_patch).collect()))
            .collect();
        return compare_shots(&shots, SamePlaces::Wedge);
    }
    let even = even_places(&taken[0].frame().picture.pixels);
    let shots: Vec<Shot> = taken
        .iter()
        .enumerate()
        .map(|(index, one)| {
            let places = even.iter().enumerate().filter_map(|(number, place)| {
                let at = found.carried_from_first(index, *place)?;
                measure_at(&one.frame().picture.pixels, number, at)
            });
            one.shot(places.collect())
        })
        .collect();
    compare_shots(&shots, SamePlaces::Registration)
}

/// Camera in words, or the file's name.
fn camera_of(camera: Option<String>, file: &str) -> String {
    camera.unwrap_or_else(|| file.to_owned())
}

/// Settings of a shot in words.
fn settings_of(taken: &Taken) -> String {
    match words::settings_words(&taken.frame().settings) {
        known if known.is_empty() => "settings not known".to_owned(),
        known => known,
    }
}
