//! Reads of a map what a picture is made from, without memory for the rest.
use crate::map_file::{flags_of, letters, primaries_of};
use crate::openexr;
use crate::openexr::ChannelRows;
use half::slice::HalfFloatSliceExt;
use ndarray::{Array2, Array3};
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::model::{Limits, RadianceMap, main_channel};

/// Reads what a picture is made from: radiance, the uncertainty from noise of the main channel alone, and flags. The
/// systematic uncertainty is 0.
///
/// # Errors
/// [`Error::Input`]: as [`read_exr`](crate::map_file::read_exr).
pub fn read_exr_to_show(path: &Path, limits: &Limits) -> Result<RadianceMap, Error> {
    let mut light = openexr::read_light(path, limits, &["sigma.G", "sigma.Y", "flags"])?;
    let primaries = primaries_of(&light.attributes);
    let mut map = RadianceMap::of_radiance(light.samples, primaries);
    let (rows, columns, channels) = map.radiance.dim();
    let main = letters(channels)[main_channel(channels)];
    // Each plane of the file goes when the map has its own.
    let damaged = |e| Error::input_because(path, InputProblem::Damaged, e);
    if let Some(flags) = flags_of(light.beside.remove("flags").as_ref()) {
        map.flags = Array2::from_shape_vec((rows, columns), flags).map_err(damaged)?;
    }
    let noise = match light.beside.remove(&format!("sigma.{main}")) {
        Some(ChannelRows::Float(v)) => Some(v),
        Some(ChannelRows::Half(v)) => Some(v.to_f32_vec()),
        _ => None,
    };
    if let Some(noise) = noise {
        map.statistical = Array3::from_shape_vec((rows, columns, 1), noise).map_err(damaged)?;
    }
    Ok(map)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::map_file::{MapStorage, Strips, read_exr, write_exr};
    use crate::staged::Outputs;
    use stopspan_core::model::Planes;

    #[test]
    fn what_is_read_is_part_of_the_whole() {
        let folder = tempfile::tempdir().unwrap();
        for channels in [1, 3] {
            let path = folder.path().join(format!("{channels}.exr"));
            let shape = (37, 61, channels);
            let plane = |factor: f32| {
                Array3::from_shape_fn(shape, |(r, c, k)| factor * (1 + r * 7 + c * 3 + k) as f32)
            };
            let map = RadianceMap {
                statistical: plane(0.01),
                systematic: plane(1e-4),
                flags: Array2::from_shape_fn((37, 61), |(r, c)| (r * 61 + c) as u16),
                ..RadianceMap::of_radiance(plane(0.1), Default::default())
            };
            let strips = Strips {
                shape,
                rows: |rows| Planes::of_rows(&map, rows),
            };
            write_exr(&path, &Outputs::default(), &MapStorage::default(), &strips).unwrap();
            let whole = read_exr(&path, &Limits::default()).unwrap();
            let shown = read_exr_to_show(&path, &Limits::default()).unwrap();
            let main = main_channel(channels);
            let noise = whole.statistical.slice(ndarray::s![.., .., main..=main]);
            assert_eq!(shown.radiance, whole.radiance);
            assert_eq!(shown.statistical, noise);
            assert_eq!(shown.flags, whole.flags);
            assert!(shown.systematic.iter().all(|v| *v == 0.0));
        }
    }
}
