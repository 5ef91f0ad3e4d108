//! Copies of pictures beside the page, for its viewer: the pixels of the originals in 8-bit sRGB, without their metadata.
use super::products::make_folder;
use super::settings::Settings;
use rayon::prelude::*;
use stopspan_core::Error;
use stopspan_core::model::Merged;
use stopspan_core::results::OutputFile;
use stopspan_formats::staged::{Outputs, write_whole};
use stopspan_formats::{jpeg, srgb_profile};
use stopspan_report::figure::{VIEWS_FOLDER, View, original};

/// Writes the copies as JPEG of the quality of the other pictures.
pub(super) fn write(
    merged: &Merged,
    views: &[View],
    settings: &Settings,
    policy: &Outputs,
) -> Result<Vec<OutputFile>, Error> {
    if views.is_empty() {
        return Ok(Vec::new());
    }
    let bracket = &merged.frames.bracket;
    let name = &bracket.name;
    let folder = settings.out.join(name).join(VIEWS_FOLDER);
    make_folder(&folder)?;
    let (how, icc) = (&settings.delivery, srgb_profile());
    let one = |view: &View| {
        let Some((pixels, shown)) = original(bracket, view.role.kind(), &view.name) else {
            return Ok(None);
        };
        let samples = shown.in_8_bits(pixels);
        let path = folder.join(view.role.copy());
        let mut bytes = 0;
        write_whole(&path, policy, |sink| {
            let file = jpeg::encode(
                samples.view(),
                how.jpeg_quality,
                how.jpeg_subsampling,
                Some(&icc),
                None,
            )?;
            bytes = file.len() as u64;
            sink.write_all(&file)
        })?;
        Ok(Some(OutputFile {
            what: format!(
                "{} ({}), JPEG copy for the page",
                view.name,
                view.role.words()
            ),
            path: format!("{name}/{VIEWS_FOLDER}/{}", view.role.copy()),
            bytes: Some(bytes),
        }))
    };
    let written: Result<Vec<_>, Error> = views.par_iter().map(one).collect();
    Ok(written?.into_iter().flatten().collect())
}
