//! A picture kept decoded, to be shown, and to be measured on one wedge after another.
use super::Settings;
use super::lone_light::{known_light, linear_light};
use super::memory::{Job, check_file};
use ndarray::Array3;
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, Clip, Frame};
use stopspan_core::raster::Pixels;
use stopspan_core::results::{BracketReport, PictureKind};
use stopspan_frames as frames;
use stopspan_measure::WedgeRequest;
use stopspan_measure::lone::{KnownLight, LoneInput, LoneMeasurement, measure_lone};
use stopspan_report as report;

/// A decoded picture that is measured by itself.
pub struct OpenedPicture {
    kind: PictureKind,
    alone: Bracket,
    clips: Vec<Clip>,
    linear: Option<KnownLight>,
}

impl OpenedPicture {
    /// Decodes a picture; raw samples are demosaiced.
    ///
    /// # Errors
    /// [`Error::Input`] if it cannot be read, or would take more memory than the limit.
    pub fn open(file: &Path, kind: PictureKind, settings: &Settings) -> Result<Self, Error> {
        check_file(Job::Picture, file, &settings.overrides.limits)?;
        let mut alone = frames::load_lone(file, &settings.overrides)?;
        let linear = linear_light(&mut alone, settings);
        Ok(OpenedPicture {
            kind,
            clips: frames::clip_levels(&alone),
            alone,
            linear,
        })
    }

    /// The picture as a bracket of one frame.
    pub fn bracket(&self) -> &Bracket {
        &self.alone
    }

    /// The picture.
    pub fn frame(&self) -> &Frame {
        &self.alone.frames[0]
    }

    /// Its samples.
    pub fn into_pixels(self) -> Pixels {
        let first = self.alone.frames.into_iter().next();
        first.map_or_else(
            || Pixels::U8(Array3::zeros((0, 0, 1))),
            |f| f.picture.pixels,
        )
    }

    /// Measures it on a wedge; without one gives the findings that say so. `brackets` are those whose responses may be known for its
    /// camera.
    ///
    /// # Errors
    /// [`Error::Request`] where what is stated of the wedge does not fit the picture.
    pub fn measure(
        &self,
        request: &WedgeRequest,
        settings: &Settings,
        brackets: &[BracketReport],
    ) -> Result<Result<LoneMeasurement, Vec<Finding>>, Error> {
        let picture = &self.frame().picture;
        let camera = report::camera_name(&picture.header);
        let by_others = match self.linear {
            Some(_) => None,
            None => {
                let asked = (camera.as_deref(), settings);
                known_light(self.kind, &self.alone, asked, brackets)?
            }
        };
        measure_lone(LoneInput {
            kind: self.kind,
            picture,
            clips: &self.clips,
            known: self.linear.as_ref().or(by_others.as_ref()),
            request,
        })
    }
}
