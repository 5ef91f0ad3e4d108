//! A wedge measured on a map that is a file already.
use super::rendering::opened;
use super::settings::Event;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use stopspan_core::Error;
use stopspan_core::error::OutputProblem;
use stopspan_core::finding::Finding;
use stopspan_core::model::Homography;
use stopspan_core::model::Limits;
use stopspan_core::model::RadianceMap;
use stopspan_core::results::{PictureMeasurement, WedgePlace};
use stopspan_formats::staged::{Outputs, write_whole};
use stopspan_measure as measure;
use stopspan_measure::{MeasureSettings, Subject, WedgeRequest, locate};

/// What can be asked of the measurement of a map.
#[derive(Debug, Clone)]
pub struct MapSettings {
    /// The map: OpenEXR, Radiance RGBE, or a JPEG with a gain map.
    pub map: PathBuf,
    /// The wedge.
    pub wedge: WedgeRequest,
    /// Limits on what the map's file may claim.
    pub limits: Limits,
}

/// What was measured on a map.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct MapMeasurement {
    /// Where the wedge is; `None` where none was found.
    pub wedge: Option<WedgePlace>,
    /// Steps and patches; `None` without a wedge. Without the frames there is no noise model below the darkest step, so no
    /// usable range.
    pub picture: Option<PictureMeasurement>,
    /// Doubts.
    pub findings: Vec<Finding>,
}

impl MapMeasurement {
    /// Writes all of it as JSON.
    ///
    /// # Errors
    /// [`Error::Output`].
    pub fn write(&self, path: &Path, policy: &Outputs) -> Result<(), Error> {
        let mut text = serde_json::to_string_pretty(self)
            .map_err(|e| Error::output(path, OutputProblem::Unwritable, Some(e.into())))?;
        text.push('\n');
        write_whole(path, policy, |sink| sink.write_all(text.as_bytes()))
    }
}

/// Measures the wedge on a map. The noise of its patches is what the pixels show; where the file holds no uncertainty, nothing
/// is known beyond that.
///
/// # Errors
/// [`Error::Input`] for a file that holds no map, or one with values that are not finite; [`Error::Request`] for a wedge
/// that makes no sense.
pub fn measure_map(
    settings: &MapSettings,
    progress: &(dyn Fn(Event) + Sync),
) -> Result<MapMeasurement, Error> {
    settings.wedge.check()?;
    progress(Event::Stage("reading the map"));
    let map = opened(&settings.map, &settings.limits)?.map;
    progress(Event::Stage("looking for the wedge"));
    measure_on(&map, &settings.wedge, progress)
}

/// Measures the wedge on a map in memory, all of whose values are finite; as [`measure_map`].
///
/// # Errors
/// [`Error::Request`] for a wedge that makes no sense.
pub fn measure_on(
    map: &RadianceMap,
    wedge: &WedgeRequest,
    progress: &(dyn Fn(Event) + Sync),
) -> Result<MapMeasurement, Error> {
    let located = locate(map, wedge)?;
    let (rows, columns, _) = map.radiance.dim();
    let subject = located.place.as_ref().and_then(|place| {
        let at = Homography::identity();
        let region = Subject::region_for(&place.corners, &at, rows, columns)?;
        Some(Subject::of_map(map, Vec::new(), region))
    });
    progress(Event::Stage("measuring"));
    let picture = located
        .place
        .as_ref()
        .zip(subject)
        .and_then(|(place, subject)| {
            measure::measure(&[subject], place, &MeasureSettings::default()).merge
        });
    let stated = located.place.as_ref().filter(|p| p.densities.is_some());
    let measured = picture.as_ref().filter(|_| stated.is_some());
    let disagree = measured.and_then(|p| measure::doubt(&p.patches));
    let mut findings = located.findings;
    findings.extend(disagree);
    Ok(MapMeasurement {
        wedge: located.place,
        picture,
        findings,
    })
}
