//! Text from outside made harmless inside HTML and SVG, as content and as a quoted attribute.
use std::borrow::Cow;

/// The text with `& < > " '` as character references and control characters as the replacement character.
pub(crate) fn escape(text: &str) -> Cow<'_, str> {
    let harmless = |c: char| !matches!(c, '&' | '<' | '>' | '"' | '\'') && !odd(c);
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
            c if odd(c) => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    Cow::Owned(out)
}

/// Control characters, and those that turn the direction of writing for the text that follows.
fn odd(c: char) -> bool {
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
