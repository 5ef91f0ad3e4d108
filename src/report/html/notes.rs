//! Definitions of terms with their standards, and provenance of the figures.
use super::super::words::bytes;
use super::{Sections, escape, files};
use serde_json::Value;
use std::fmt::Write;
use stopspan_core::results::Report;

const TERMS: [(&str, &str); 16] = [
    (
        "Resolved by noise",
        "Two neighbouring steps of the wedge are resolved when their mean radiances differ by at least the noise of one pixel, |m1 \u{2212} m2| / \u{221a}((s1\u{b2} + s2\u{b2})/2) \u{2265} 1 in linear light, neither has more than 1 % of its pixels at the clip level, and their order is right. The count is 1 + the number of resolved pairs.",
    ),
    (
        "Resolved by 8 x 8 means",
        "The same rule with noise that lossy coding does not hide: means of 8 x 8 pixels, times 8, smoothed over the steps by the noise model. Given for JPEG files. Where it is lower than the count by noise, compression has removed noise.",
    ),
    (
        "Resolved by code",
        "The mean green codes differ by at least one 8-bit code in the right order. A radiance map has no codes.",
    ),
    (
        "Visibly distinct",
        "The CIE 1976 lightness L* (ISO/CIE 11664-4) of the means differs by at least 1 at the stated white. The table of steps also gives the difference in just noticeable differences of DICOM PS3.14.",
    ),
    (
        "Resolved by patch mean",
        "Welch\u{2019}s test (1947) on the patch means with the number of independent samples, one-sided, corrected for the number of pairs after Holm (1979), at 1 %. Very sensitive: it tests whether the patches differ at all, not whether the difference is visible.",
    ),
    (
        "Dynamic range",
        "Stops between clipping and the exposure at which the SNR of one pixel falls to a threshold: SNR 1 (ISO 15739, EMVA 1288) or SNR 10 (ISO 12232). The SNR is scene-referred: noise is converted through the response, so that a flat tone curve does not count as range. The figures follow these definitions; they do not claim conformity.",
    ),
    (
        "Per area",
        "The same range for an area instead of one pixel: the pixels averaged into one when the picture is scaled to 1 000 000 pixels. It compares cameras of different pixel counts. The gain of averaging is measured on the wedge from means of 8 x 8 pixels, because neighbouring pixels of a processed picture share noise.",
    ),
    (
        "Recorded",
        "A picture records a radiance at an SNR where it is not clipped and reaches that SNR. The share of the scene recorded is the share of the map\u{2019}s pixels, by the noise model.",
    ),
    (
        "Tie",
        "Two figures tie when the 95 % interval of their difference includes 0. Neither is ranked before the other.",
    ),
    (
        "Local acutance",
        "Fine detail without an edge: r.m.s. difference of pixels two apart over that of neighbouring means of 4 x 4 pixels, in textured areas, in linear light, corrected for noise. Contrast cancels. It compares pictures of one scene and is not a property of a camera alone.",
    ),
    (
        "95 % interval",
        "The range that contains the value with 95 % probability given the measurement. \u{2265} marks a lower bound: the wedge ends before the picture does.",
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
        "Response curve: code to relative exposure, recovered from the bracket. OECF: code against log exposure, measured on the wedge (ISO 14524), drawn here in stops.",
    ),
    (
        "Compression",
        "JPEG removes noise finer than its quantisation, so per-pixel figures of a JPEG can be too good. A note marks where this matters.",
    ),
];

/// What the map's uncertainties include, and what no bracket can show.
pub(super) const ALIKE_IN_ALL: &str = "<p>For frames with a response curve, the map\u{2019}s uncertainties include the measured disagreement between frames by level, \
     detail and colour. Processing that is the same in every frame, such as sharpening and noise reduction, cannot be measured \
     this way; only a small allowance is made for it.</p>\n";

/// Writes the definitions.
pub(super) fn definitions(out: &mut String) {
    out.push_str("<details class=\"notes\"><summary>Definitions and standards</summary>\n<dl>\n");
    for (term, text) in TERMS {
        let _ = writeln!(out, "<div><dt>{term}</dt><dd>{}</dd></div>", escape(text));
    }
    out.push_str("</dl>\n</details>\n");
}

/// Writes program, settings, inputs and output files.
pub(super) fn provenance(out: &mut String, report: &Report, sections: Sections) {
    let _ = writeln!(
        out,
        "<details class=\"notes\"><summary>Inputs, settings and files</summary>\n<p>{} {}, report format {}.</p>",
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
    files::written(out, report, sections);
    out.push_str("</details>\n");
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
