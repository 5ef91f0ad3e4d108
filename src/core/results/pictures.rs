//! Measurements of all pictures of one bracket by kind: frames, the camera's own HDR picture, merge, rendering.
use crate::results::{PictureKind, PictureMeasurement};
use serde::{Deserialize, Serialize, Serializer};

/// The pictures of one bracket as measured. Serialised as one list, in the order of [`Measurement::iter`]; reading sorts
/// the list by kind, and of several pictures of a kind that is there once the last is kept.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(from = "Vec<PictureMeasurement>")]
pub struct Measurement {
    /// Frames that show the wedge (all frames where there is no wedge), least exposure first.
    pub frames: Vec<PictureMeasurement>,
    /// The camera's own HDR picture; `None` without one, or where it shows no wedge.
    pub camera: Option<PictureMeasurement>,
    /// The radiance map; `None` where it was not measured.
    pub merge: Option<PictureMeasurement>,
    /// The tone-mapped rendering; `None` without a wedge.
    pub rendered: Option<PictureMeasurement>,
}

impl Measurement {
    /// All pictures: frames, camera's picture, merge, rendering. A frame's place in this order is its place in `frames`.
    pub fn iter(&self) -> impl Iterator<Item = &PictureMeasurement> + Clone {
        let finished = [&self.camera, &self.merge, &self.rendered];
        self.frames.iter().chain(finished.into_iter().flatten())
    }

    /// The same, to be changed.
    pub fn iter_mut(&mut self) -> impl Iterator<Item = &mut PictureMeasurement> {
        let finished = [&mut self.camera, &mut self.merge, &mut self.rendered];
        self.frames.iter_mut().chain(finished.into_iter().flatten())
    }

    /// True where no picture was measured.
    pub fn is_empty(&self) -> bool {
        self.iter().next().is_none()
    }

    /// Steps of the wedge; `None` where no picture has levels.
    pub fn steps(&self) -> Option<usize> {
        self.iter().find_map(|p| p.levels).map(|l| l.steps)
    }

    /// The frame of a file name.
    pub fn frame(&self, file: &str) -> Option<&PictureMeasurement> {
        self.frames.iter().find(|p| p.file == file)
    }
}

impl FromIterator<PictureMeasurement> for Measurement {
    fn from_iter<I: IntoIterator<Item = PictureMeasurement>>(pictures: I) -> Self {
        let mut out = Measurement::default();
        for picture in pictures {
            match picture.kind {
                PictureKind::Frame => out.frames.push(picture),
                PictureKind::CameraHdr => out.camera = Some(picture),
                PictureKind::Merge => out.merge = Some(picture),
                PictureKind::Rendered => out.rendered = Some(picture),
            }
        }
        out
    }
}

impl From<Vec<PictureMeasurement>> for Measurement {
    fn from(list: Vec<PictureMeasurement>) -> Self {
        list.into_iter().collect()
    }
}

impl Serialize for Measurement {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(self.iter())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_list_keeps_its_order_and_comes_back() {
        use PictureKind::{CameraHdr, Frame, Merge, Rendered};
        let list: Vec<PictureMeasurement> = [Frame, Frame, CameraHdr, Merge, Rendered]
            .into_iter()
            .enumerate()
            .map(|(i, kind)| PictureMeasurement::unmeasured(kind, format!("{i}.jpg")))
            .collect();
        let text = serde_json::to_string(&list).unwrap();
        let pictures: Measurement = serde_json::from_str(&text).unwrap();
        assert_eq!(pictures.frames.len(), 2);
        assert_eq!(pictures.merge.as_ref(), Some(&list[3]));
        assert_eq!(serde_json::to_string(&pictures).unwrap(), text);
        assert!(pictures.iter().eq(&list));
    }
}
