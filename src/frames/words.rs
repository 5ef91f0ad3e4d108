//! A survey as a table for a terminal.
use super::listing::SkipReason;
use super::survey::{BracketPlan, FramePlan, Survey};
use std::fmt;
use stopspan_core::error::printable;
use stopspan_core::model::file_name;
use stopspan_core::units::ExposureSettings;

/// The survey in words: every bracket with its frames, then what belongs to none, what was passed over, what failed.
pub fn words(survey: &Survey) -> String {
    survey.to_string()
}

/// Most files of a kind that are named.
const NAMED: usize = 3;

impl fmt::Display for Survey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for bracket in &self.brackets {
            writeln!(f, "{bracket}")?;
        }
        if self.brackets.is_empty() {
            writeln!(f, "No bracket was found.\n")?;
        }
        if !self.camera_hdr.is_empty() {
            writeln!(f, "HDR pictures of cameras, without a bracket:")?;
        }
        for picture in &self.camera_hdr {
            writeln!(f, "  {}", printable::path(&picture.file))?;
            writeln!(f, "    ({})", picture.evidence)?;
        }
        if !self.singles.is_empty() {
            writeln!(f, "Single shots:")?;
        }
        for single in &self.singles {
            writeln!(f, "  {}", printable::path(single))?;
        }
        let (others, passed): (Vec<_>, Vec<_>) = self
            .skipped
            .iter()
            .partition(|s| s.reason == SkipReason::NotAPicture);
        if !passed.is_empty() {
            writeln!(f, "Not used:")?;
        }
        for skipped in passed {
            writeln!(f, "  {}", printable::path(&skipped.file))?;
            writeln!(f, "    ({})", skipped.reason.words())?;
        }
        if !others.is_empty() {
            writeln!(f, "Not pictures:")?;
        }
        for other in others.iter().take(NAMED) {
            writeln!(f, "  {}", printable::path(&other.file))?;
        }
        if others.len() > NAMED {
            writeln!(f, "  and {} more", others.len() - NAMED)?;
        }
        if !self.failed.is_empty() {
            writeln!(f, "Not usable:")?;
        }
        for failed in &self.failed {
            writeln!(f, "  {}; {}", failed.problem, failed.advice)?;
        }
        Ok(())
    }
}

impl fmt::Display for BracketPlan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}: {} frames", self.name, self.frames.len())?;
        let width = self
            .frames
            .iter()
            .map(|p| file_name(&p.file).chars().count())
            .max();
        for (index, frame) in self.frames.iter().enumerate() {
            let mark = if index == self.reference {
                "  reference"
            } else {
                ""
            };
            let name = file_name(&frame.file);
            let pad = width.unwrap_or(0);
            writeln!(f, "  {name:pad$}  {}{mark}", row(frame))?;
        }
        if let Some(hdr) = &self.camera_hdr {
            writeln!(f, "  {}  the camera's HDR picture", file_name(&hdr.file))?;
            writeln!(f, "    ({})", hdr.evidence)?;
        }
        Ok(())
    }
}

fn row(frame: &FramePlan) -> String {
    let step = match (frame.exposure, frame.step_stops) {
        (None, _) => "exposure not known".to_owned(),
        (_, None) => String::new(),
        (_, Some(step)) => format!("{step:+.2} stops"),
    };
    format!("{}  {step:>11}", settings(&frame.settings))
}

/// "1/60 s f/5.6 ISO 100"; what is not known is left out.
fn settings(settings: &ExposureSettings) -> String {
    let time = settings.time.map(|t| seconds(t.0));
    let aperture = settings.aperture.map(|n| format!("f/{}", short(n.0)));
    let speed = settings.speed.map(|s| format!("ISO {}", short(s.0)));
    let parts: Vec<String> = [time, aperture, speed].into_iter().flatten().collect();
    format!("{:26}", parts.join("  "))
}

/// Seconds as photographers write them: a fraction below 0.3 s.
fn seconds(time: f64) -> String {
    if time < 0.3 {
        format!("1/{} s", short(1.0 / time))
    } else {
        format!("{} s", short(time))
    }
}

/// At most four figures, no trailing zeros.
fn short(number: f64) -> String {
    let decimals = (3 - number.abs().log10().floor() as i32).clamp(0, 4) as usize;
    let text = format!("{number:.decimals$}");
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}
