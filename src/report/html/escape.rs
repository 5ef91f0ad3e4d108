//! Escaping of text for HTML and SVG, as content or quoted attribute.
use std::borrow::Cow;

/// Replaces `& < > " '` by character references, and control characters and marks of writing direction by U+FFFD.
pub(crate) fn escape(text: &str) -> Cow<'_, str> {
    let harmless = |c: char| !matches!(c, '&' | '<' | '>' | '"' | '\'') && !is_control(c);
    if text.chars().all(harmless) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if is_control(c) => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    Cow::Owned(out)
}

/// Whether a character is a control character or sets the writing direction of the text after it.
fn is_control(c: char) -> bool {
    c.is_control() || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_could_be_markup_is_left() {
        assert_eq!(
            escape("<img src=x onerror=\"alert('1')\">&\u{0}"),
            "&lt;img src=x onerror=&quot;alert(&#39;1&#39;)&quot;&gt;&amp;\u{fffd}"
        );
        assert!(matches!(escape("plain name.jpg"), Cow::Borrowed(_)));
    }
}
