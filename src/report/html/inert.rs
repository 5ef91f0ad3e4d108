//! Markup taken up from a file: accepted only if it can show and do nothing, whoever wrote it.

/// Elements that sections are made of: text, tables, figures, pictures, and the shapes of charts.
const ELEMENTS: [&str; 61] = [
    "a",
    "abbr",
    "b",
    "br",
    "caption",
    "code",
    "col",
    "colgroup",
    "dd",
    "details",
    "div",
    "dl",
    "dt",
    "em",
    "figcaption",
    "figure",
    "h2",
    "h3",
    "h4",
    "h5",
    "hr",
    "i",
    "image",
    "img",
    "li",
    "ol",
    "p",
    "picture",
    "section",
    "small",
    "source",
    "span",
    "strong",
    "sub",
    "summary",
    "sup",
    "table",
    "tbody",
    "td",
    "tfoot",
    "th",
    "thead",
    "time",
    "tr",
    "ul",
    "circle",
    "clippath",
    "defs",
    "desc",
    "ellipse",
    "g",
    "line",
    "lineargradient",
    "path",
    "polygon",
    "polyline",
    "rect",
    "stop",
    "svg",
    "text",
    "title",
];
/// Attributes whose value is an address.
const ADDRESSES: [&str; 4] = ["href", "src", "srcset", "xlink:href"];

/// True for markup of known elements, with quoted attributes that start no script, load nothing from elsewhere, and hold the kinds of
/// picture that the page embeds. Comments and anything that a browser might read otherwise make it false.
pub fn is_inert(markup: &str) -> bool {
    let mut rest = markup;
    while let Some(at) = rest.find('<') {
        match tag(&rest[at + 1..]) {
            Some(after) => rest = after,
            None => return false,
        }
    }
    true
}

/// What follows a tag whose `<` was read; `None` if it is not one of ours.
fn tag(text: &str) -> Option<&str> {
    let text = text.strip_prefix('/').unwrap_or(text);
    let (name, mut rest) = split_name(text);
    let known = ELEMENTS.contains(&name.to_ascii_lowercase().as_str());
    if !known {
        return None;
    }
    loop {
        let trimmed = rest.trim_ascii_start();
        if let Some(after) = trimmed
            .strip_prefix('>')
            .or_else(|| trimmed.strip_prefix("/>"))
        {
            return Some(after);
        }
        if trimmed.len() == rest.len() {
            return None;
        }
        let (name, after) = split_name(trimmed);
        rest = match after.strip_prefix("=\"") {
            Some(value) => {
                let (value, after) = value.split_once('"')?;
                is_harmless(name, value).then_some(after)?
            }
            None => is_harmless(name, "").then_some(after)?,
        };
    }
}

/// A name of letters, digits, hyphens and colons, and what follows it.
fn split_name(text: &str) -> (&str, &str) {
    let end = text.find(|c: char| !(c.is_ascii_alphanumeric() || c == '-' || c == ':'));
    text.split_at(end.unwrap_or(text.len()))
}

fn is_harmless(name: &str, value: &str) -> bool {
    let name = name.to_ascii_lowercase();
    let begins_well = name.starts_with(|c: char| c.is_ascii_alphabetic());
    let address = ADDRESSES.contains(&name.as_str());
    begins_well
        && !name.starts_with("on")
        && !value.contains("url(")
        && (!address || is_near(value))
}

/// True for an address within the page or beside it, and for an embedded PNG or JPEG picture.
fn is_near(address: &str) -> bool {
    let embedded = ["data:image/png;base64,", "data:image/jpeg;base64,"];
    let pixels = embedded.iter().find_map(|kind| address.strip_prefix(kind));
    if let Some(pixels) = pixels {
        return pixels
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || b"+/=".contains(&b));
    }
    // A colon could end a scheme, and two slashes begin a host. Control characters stand for places in the page's own sections.
    !address.contains([':', '\\', '&', '\t', '\n', '\r']) && !address.starts_with("//")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn our_own_markup_is_inert() {
        for markup in [
            "",
            "plain &amp; text",
            "<p class=\"a\">b <b>c</b></p>\n<br>",
            "<img src=\"data:image/png;base64,iVBORw0KGgo=\" alt=\"a > b\">",
            "<a href=\"#b-one\">x</a><a href=\"\u{1}picture\u{1}\">y</a>",
            "<a href=\"frames/a%20b.jpg\">x</a>",
            "<svg viewBox=\"0 0 1 1\" role=\"img\"><path d=\"M0 0\"/><linearGradient/></svg>",
            "<svg><image href=\"data:image/png;base64,AA==\" width=\"1\"/></svg>",
            "<figure data-name=\"a\" data-place=\"1,2\"></figure>",
        ] {
            assert!(is_inert(markup), "{markup}");
        }
    }

    /// Ways of getting a script into a page; a selection of those that the OWASP cheat sheet on filter evasion lists.
    #[test]
    fn markup_that_acts_is_not_inert() {
        for markup in [
            "<script>alert(1)</script>",
            "<SCRIPT SRC=\"x.js\"></SCRIPT>",
            "<img src=\"x\" onerror=\"alert(1)\">",
            "<img src=x onerror=alert(1)>",
            "<p ONCLICK=\"a()\">x</p>",
            "<p/onclick=\"a()\">x</p>",
            "<a href=\"javascript:alert(1)\">x</a>",
            "<a href=\"java&#115;cript:alert(1)\">x</a>",
            "<a href=\"java\tscript:alert(1)\">x</a>",
            "<a href=\"//evil.example/\">x</a>",
            "<a href=\"https://evil.example/\">x</a>",
            "<img src=\"data:image/svg+xml;base64,AAAA\">",
            "<img src=\"data:text/html,<b>\">",
            "<svg><use xlink:href=\"x#y\"/></svg>",
            "<svg><animate/></svg>",
            "<svg><foreignObject/></svg>",
            "<p style=\"background:url(x)\">x</p>",
            "<iframe src=\"x\"></iframe>",
            "<!-- --><p>",
            "<p title='x'>",
            "<p title=\"x\"onclick=\"a()\">",
            "<p title=\"x>",
            "a < b",
            "<",
        ] {
            assert!(!is_inert(markup), "{markup}");
        }
    }
}
