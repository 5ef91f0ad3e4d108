//! Definitions of terms with their standards, and provenance of the figures.
use super::super::words::bytes;
use super::escape;
use serde_json::Value;
use std::fmt::Write;
use stopspan_core::results::Report;

const TERMS: [(&str, &str); 16] = [
    (
        "Told apart by noise",
        "Two neighbouring steps of the wedge are told apart when the difference of their mean radiances is at least the noise of one pixel, |m1 \u{2212} m2| / \u{221a}((s1\u{b2} + s2\u{b2})/2) \u{2265} 1 in linear light, neither has more than 1 % of its pixels at the clip level, and the order is right. The count is 1 + the number of neighbouring pairs told apart.",
    ),
    (
        "Told apart by 8 x 8 means",
        "The same rule with the noise that lossy coding does not hide: means of 8 x 8 pixels, times 8, smoothed over the steps by the noise model. Given where JPEG files went in; where it is lower than by noise, the file tells steps apart that it would not, had it kept its noise.",
    ),
    (
        "Told apart by code",
        "The mean green codes differ by at least one 8-bit code in the right order. A radiance map has no codes.",
    ),
    (
        "Told apart by visual",
        "The CIE 1976 lightness L* (ISO/CIE 11664-4) of the means differs by at least 1 at the stated white. The difference of the index of just noticeable differences of DICOM PS3.14 stands beside it in the table of steps.",
    ),
    (
        "Told apart by patch mean",
        "Welch\u{2019}s test (1947) on the patch means with the number of independent samples, one-sided, corrected for the number of pairs after Holm (1979), at 1 %. Very sensitive: it asks whether the patches differ at all, not whether one sees it.",
    ),
    (
        "Usable range",
        "Stops between clipping and the exposure at which the SNR of one pixel falls to a threshold. SNR 1 is the threshold of ISO 15739 and EMVA 1288, SNR 10 one of ISO 12232. The SNR is scene-referred: noise is carried back through the response, so that a flat tone curve does not look like range. These figures follow the definitions; they do not claim conformity.",
    ),
    (
        "Normalised area",
        "The same range where the SNR is that of an area, not of one pixel: of what one pixel of the picture averages over when it is scaled down to 1 000 000 pixels. So cameras of different pixel counts can be compared. How much averaging gains is measured on the wedge, from means of 8 x 8 pixels: neighbouring pixels of a processed picture share noise.",
    ),
    (
        "Held",
        "A picture holds a radiance at an SNR where it is not clipped and its noise leaves at least that SNR. The share of the scene held is the share of the map\u{2019}s pixels of such radiance, by the noise model.",
    ),
    (
        "Tie",
        "Two figures whose difference is within the 95 % interval of that difference are a tie: none is ranked before the other by it.",
    ),
    (
        "Local acutance",
        "Detail without an edge: the root mean square difference of pixels two apart over that of neighbouring means of 4 x 4 pixels, in places with texture, in linear light, noise as on flat places of the same light taken off both. Contrast cancels. It compares pictures of one scene; it is no property of a camera alone.",
    ),
    (
        "95 % interval",
        "The range in which the value lies with 95 % probability given the measurement. \u{2265} marks a lower bound: the wedge ends before the picture does.",
    ),
    (
        "SNR",
        "Mean over standard deviation of a patch, per pixel, in linear light.",
    ),
    (
        "Stop",
        "A factor of two of light: 0.30103 density, 6.02 dB.",
    ),
    (
        "Density",
        "\u{2212}log10 of transmittance or reflectance (ISO 5). Step 1 is the lightest.",
    ),
    (
        "Response curve, OECF",
        "Response curve: level to relative exposure, recovered from the bracket. OECF: level against log exposure, measured on the wedge (ISO 14524), drawn here in stops.",
    ),
    (
        "Compression",
        "JPEG removes noise that is finer than its quantisation, so that figures per pixel can flatter a JPEG; a finding says so where it matters.",
    ),
];

/// What the map's uncertainties include, and what no bracket can show.
pub(super) const ALIKE_IN_ALL: &str = "<p>For frames with a response curve the uncertainties of the map also include what the frames disagree by, by level, detail and \
     colour. What the camera does to every frame alike, such as sharpening and noise reduction, no difference between frames can \
     show; only a small allowance is made for it.</p>\n";

/// Writes the definitions.
pub(super) fn definitions(out: &mut String) {
    out.push_str("<section class=\"notes\">\n<h2>How to read this</h2>\n<dl>\n");
    for (term, text) in TERMS {
        let _ = writeln!(out, "<div><dt>{term}</dt><dd>{}</dd></div>", escape(text));
    }
    out.push_str("</dl>\n</section>\n");
}

/// Writes program, settings, inputs and output files.
pub(super) fn provenance(out: &mut String, report: &Report) {
    let _ = writeln!(
        out,
        "<section class=\"notes\">\n<h2>Where it comes from</h2>\n<p>{} {}, layout of the data {}.</p>",
        escape(&report.program.name),
        escape(&report.program.version),
        escape(&report.schema)
    );
    if let Some(made) = &report.made {
        // The only line that differs between runs of the same inputs and settings.
        let _ = writeln!(
            out,
            "<p class=\"made\">Made <time datetime=\"{0}\">{0}</time> (the one line that differs between two runs of the same inputs and settings)</p>",
            escape(made)
        );
    }
    if !report.settings.is_empty() {
        out.push_str("<h3>Settings</h3>\n<dl class=\"settings\">\n");
        for (name, value) in &report.settings {
            setting(out, name, value);
        }
        out.push_str("</dl>\n");
    }
    if !report.inputs.is_empty() {
        out.push_str("<h3>Files read</h3>\n<ul class=\"files\">\n");
        for input in &report.inputs {
            let hash = input.sha256.as_ref();
            let hash = hash.map_or_else(String::new, |h| {
                format!(" <code>SHA-256 {}</code>", escape(h))
            });
            let _ = writeln!(
                out,
                "<li>{}, {}{hash}</li>",
                escape(&input.path),
                bytes(input.bytes)
            );
        }
        out.push_str("</ul>\n");
    }
    written(out, report);
    out.push_str("</section>\n");
}

fn written(out: &mut String, report: &Report) {
    let files: Vec<_> = report.brackets.iter().flat_map(|b| &b.outputs).collect();
    if files.is_empty() {
        return;
    }
    out.push_str("<h3>Files written</h3>\n<ul class=\"files\">\n");
    for file in files {
        let length = file
            .bytes
            .map_or_else(String::new, |b| format!(", {}", bytes(b)));
        let _ = writeln!(
            out,
            "<li>{}: {}{length}</li>",
            escape(&file.what),
            escape(&file.path)
        );
    }
    out.push_str("</ul>\n");
}

/// One setting in the list, or those of a group under its name; nothing for one that is not set.
fn setting(out: &mut String, name: &str, value: &Value) {
    let text = match value {
        Value::Null => return,
        Value::Object(group) => {
            for (inner, value) in group {
                setting(out, &format!("{name}.{inner}"), value);
            }
            return;
        }
        Value::String(text) => text.clone(),
        other => other.to_string(),
    };
    let (name, text) = (escape(name), escape(&text));
    let _ = writeln!(out, "<div><dt>{name}</dt><dd>{text}</dd></div>");
}
