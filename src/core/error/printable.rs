//! Names of files and other text of strangers, made safe to print in one line.
use std::borrow::Cow;
use std::path::Path;

/// A path as text in one line; see [`text`]. What is not Unicode is replaced.
pub fn path(path: &Path) -> String {
    text(&path.to_string_lossy()).into_owned()
}

/// Text in one line: characters that steer a terminal (control characters, line ends) or turn the direction of writing are written as
/// their escapes, `\n` or `\u{1b}`.
pub fn text(text: &str) -> Cow<'_, str> {
    if !text.contains(steers) {
        return Cow::Borrowed(text);
    }
    let escaped = |c: char| match steers(c) {
        true => c.escape_default().to_string(),
        false => c.to_string(),
    };
    Cow::Owned(text.chars().map(escaped).collect())
}

/// True for a character that steers a terminal: control characters, and those that turn the direction of writing (Unicode Standard Annex 9, table 4: explicit
/// directional formatting characters, and the implicit marks).
pub fn steers(c: char) -> bool {
    let turns = matches!(
        c,
        '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}'
    );
    c.is_control() || turns
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_steers_a_terminal_is_escaped_and_all_else_kept() {
        let plain = "Bäume 木 (2) - Kopie.jpg";
        assert!(matches!(text(plain), Cow::Borrowed(same) if same == plain));
        let hostile = "a\x1b[2J\r\nb\u{202e}gpj.exe\u{9b}";
        assert_eq!(text(hostile), "a\\u{1b}[2J\\r\\nb\\u{202e}gpj.exe\\u{9b}");
        assert_eq!(path(Path::new("x/\ty")), "x/\\ty");
    }
}
