//! The page's files, compiled into the program. A new file is one line of the list.
use stopspan_report::html::{VIEWER_MODULE, VIEWER_STYLE};

/// Makes the table of names and contents from a list of names.
macro_rules! page_files {
    ($($name:literal,)*) => {
        const FILES: &[(&str, &[u8])] = &[
            $(($name, include_bytes!(concat!("page/", $name))),)*
            // The viewer of the report page.
            ("viewer.css", VIEWER_STYLE.as_bytes()),
            ("viewer.js", VIEWER_MODULE.as_bytes()),
        ];
    };
}

page_files![
    "index.html",
    "desk.css",
    "api.js",
    "choose.js",
    "desk.js",
    "dom.js",
    "drawing.js",
    "look.js",
    "point.js",
    "publish.js",
    "run.js",
    "shader.js",
    "tiles.js",
];

/// The page itself.
pub(super) const INDEX: &str = "index.html";

/// A file of the page by its name.
pub(super) fn file(name: &str) -> Option<&'static [u8]> {
    let found = FILES.iter().find(|(known, _)| *known == name);
    found.map(|(_, bytes)| *bytes)
}

/// The media type that the ending of a file name stands for.
pub(super) fn media_type(name: &str) -> &'static str {
    let ending = name.rsplit_once('.').map_or("", |(_, ending)| ending);
    match ending.to_ascii_lowercase().as_str() {
        "html" => "text/html; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "js" => "text/javascript; charset=utf-8",
        "json" => "application/json",
        "csv" => "text/csv; charset=utf-8",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        "jpg" | "jpeg" => "image/jpeg",
        _ => "application/octet-stream",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_has_a_type_that_browsers_run_or_show() {
        assert!(file(INDEX).is_some());
        for (name, bytes) in FILES {
            assert!(!bytes.is_empty(), "{name}");
            assert_ne!(media_type(name), "application/octet-stream", "{name}");
        }
    }
}
