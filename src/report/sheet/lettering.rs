//! Text metrics: width, cutting and breaking into lines.
use super::canvas::Type;

/// Advance widths of the characters from space to tilde in regular and bold type, in hundredths of the font size, rounded.
const WIDTHS: [[u8; 95]; 2] = [
    [
        32, 40, 46, 84, 64, 95, 78, 27, 39, 39, 50, 84, 32, 36, 32, 34, 64, 64, 64, 64, 64, 64, 64,
        64, 64, 64, 34, 34, 84, 84, 84, 53, 100, 68, 69, 70, 77, 63, 58, 77, 75, 29, 29, 66, 56,
        86, 75, 79, 60, 79, 69, 63, 61, 73, 68, 99, 69, 61, 69, 39, 34, 39, 84, 50, 50, 61, 63, 55,
        63, 62, 35, 63, 63, 28, 28, 58, 28, 97, 63, 61, 63, 63, 41, 52, 39, 63, 59, 82, 59, 59, 52,
        64, 34, 64, 84,
    ],
    [
        35, 46, 52, 84, 70, 100, 87, 31, 46, 46, 52, 84, 38, 42, 38, 37, 70, 70, 70, 70, 70, 70,
        70, 70, 70, 70, 40, 40, 84, 84, 84, 58, 100, 77, 76, 73, 83, 68, 68, 82, 84, 37, 37, 77,
        64, 100, 84, 85, 73, 85, 77, 72, 68, 81, 77, 110, 77, 72, 73, 46, 37, 46, 84, 50, 50, 67,
        72, 59, 72, 68, 44, 72, 71, 34, 34, 67, 34, 104, 71, 69, 72, 72, 49, 60, 48, 71, 65, 92,
        65, 65, 58, 71, 37, 71, 84,
    ],
];
/// Assumed width of any other character, that of the widest common ones.
const OTHER: u8 = 100;

/// Returns the width of a text, units.
pub(super) fn width(text: &str, look: Type) -> f64 {
    let table = &WIDTHS[usize::from(look.bold)];
    let letter = |c: char| {
        let place = (c as usize).checked_sub(32);
        let found = place.and_then(|i| table.get(i));
        f64::from(found.copied().unwrap_or(OTHER))
    };
    text.chars().map(letter).sum::<f64>() * look.size / 100.0
}

/// Shortens a text in its middle, by an ellipsis, to fit into the width `room`, units.
pub(super) fn cut(text: &str, room: f64, look: Type) -> String {
    if width(text, look) <= room {
        return text.to_owned();
    }
    let letters: Vec<char> = text.chars().collect();
    let shortened = |kept: usize| {
        let (head, tail) = (kept.div_ceil(2), kept / 2);
        let start: String = letters[..head].iter().collect();
        let end: String = letters[letters.len() - tail..].iter().collect();
        format!("{start}\u{2026}{end}")
    };
    let fits = |kept: &usize| width(&shortened(*kept), look) <= room;
    let kept = (2..letters.len()).rev().find(fits).unwrap_or(1);
    shortened(kept)
}

/// Breaks a text at its spaces into lines of at most the width `room`, units, but not between a number and its per cent sign nor within
/// "8 x 8". A longer word is shortened.
pub(super) fn lines(text: &str, room: f64, look: Type) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let held = text
        .replace(" %", "\u{a0}%")
        .replace(" x ", "\u{a0}x\u{a0}");
    for word in held.split(' ').filter(|word| !word.is_empty()) {
        let word = &*word.replace('\u{a0}', " ");
        match out.last_mut() {
            Some(line) if width(line, look) + width(" ", look) + width(word, look) <= room => {
                line.push(' ');
                line.push_str(word);
            }
            _ => out.push(cut(word, room, look)),
        }
    }
    out
}

/// Breaks a text into at most `most` lines; what is longer is cut within the last.
pub(super) fn some_lines(text: &str, room: f64, (look, most): (Type, usize)) -> Vec<String> {
    let mut words = lines(text, room, look);
    if words.len() > most {
        let rest = words.split_off(most - 1).join(" ");
        words.push(cut(&rest, room, look));
    }
    words
}

#[cfg(test)]
mod tests {
    use super::super::canvas::Anchor;
    use super::*;

    const LOOK: Type = Type {
        size: 10.0,
        bold: false,
        anchor: Anchor::Start,
        colour: "#000",
    };

    #[test]
    fn what_is_cut_or_broken_fits_and_nothing_else_is_touched() {
        let name = "a_rather_long_name_of_a_file_0001.jpg";
        assert_eq!(cut(name, 1000.0, LOOK), name);
        for room in [20.0, 60.0, 120.0] {
            let short = cut(name, room, LOOK);
            assert!(
                width(&short, LOOK) <= room && short.contains('\u{2026}'),
                "{short}"
            );
        }
        let text = "Whiskers are intervals of 95 % and an arrow says that the wedge ends first";
        let broken = lines(text, 150.0, LOOK);
        assert!(broken.len() > 2 && broken.iter().all(|l| width(l, LOOK) <= 150.0));
        assert_eq!(broken.join(" "), text);
        for room in 60..200 {
            let broken = lines(text, room.into(), LOOK);
            assert!(broken.iter().all(|l| !l.starts_with('%')), "{broken:?}");
        }
    }
}
