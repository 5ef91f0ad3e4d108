//! Evidence that a picture is the camera's own finished HDR picture, not a frame.
use std::path::Path;
use stopspan_core::model::Header;
use stopspan_core::model::file_name;

/// Tags that are evidence by themselves. CompositeImage (EXIF 2.32): 3 is a composite made while shooting, 2 a
/// composite made otherwise. CustomRendered 3 is used by makers for a finished HDR picture: common practice, no
/// source.
pub(crate) fn strong_mark(header: &Header) -> Option<String> {
    let sources = header
        .composite_sources
        .filter(|n| *n > 0)
        .map_or(String::new(), |n| format!(" of {n} pictures"));
    match (header.composite_image, header.custom_rendered) {
        (Some(3), _) => Some(format!(
            "CompositeImage 3: a composite{sources} made while shooting"
        )),
        (Some(2), _) => Some(format!("CompositeImage 2: a composite{sources}")),
        (_, Some(3)) => {
            Some("CustomRendered 3: an HDR picture by makers' common practice".to_owned())
        }
        _ => None,
    }
}

/// Marks that are evidence only next to a burst without them: CustomRendered 1 (custom process, EXIF 2.32), or "HDR"
/// in the name.
pub(crate) fn weak_mark(file: &Path, header: &Header) -> Option<String> {
    if header.custom_rendered == Some(1) {
        return Some("CustomRendered 1: custom processing".to_owned());
    }
    says_hdr(&file_name(file)).then(|| "its name says HDR".to_owned())
}

/// True if the name contains "hdr" as a separate word.
fn says_hdr(name: &str) -> bool {
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    stem.split(|c: char| !c.is_ascii_alphabetic())
        .any(|word| word.eq_ignore_ascii_case("hdr"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_say_hdr() {
        for (name, is) in [
            ("camera_hdr.jpg", true),
            ("IMG_0004_HDR.JPG", true),
            ("hdr4.png", true),
            ("shdrink.jpg", false),
            ("scene.hdr", false),
            ("IMG_0004.JPG", false),
        ] {
            assert_eq!(says_hdr(name), is, "{name}");
        }
    }
}
