//! Shortening of file names to the part that distinguishes them.

/// Longest name, characters, that is not shortened.
const ROOM: usize = 24;
/// Least number of shared characters that is worth an ellipsis.
const SHARED: usize = 6;

/// Returns `name` without the beginning and the end that it shares with all other long names in `all`, each replaced by an ellipsis. Cuts
/// are at word breaks. A name of at most [`ROOM`] characters, and the only long name, are returned unchanged.
pub(crate) fn distinguishing_part<'a>(all: impl Iterator<Item = &'a str>, name: &str) -> String {
    let letters: Vec<char> = name.chars().collect();
    let others: Vec<Vec<char>> = all
        .filter(|other| *other != name)
        .map(|other| other.chars().collect())
        .filter(|other: &Vec<char>| other.len() > ROOM)
        .collect();
    if letters.len() <= ROOM || others.is_empty() {
        return name.to_owned();
    }
    let same = |back: bool| {
        let shared = |other: &Vec<char>| match back {
            false => letters
                .iter()
                .zip(other)
                .take_while(|(a, b)| a == b)
                .count(),
            true => {
                let pairs = letters.iter().rev().zip(other.iter().rev());
                pairs.take_while(|(a, b)| a == b).count()
            }
        };
        others.iter().map(shared).min().unwrap_or(0)
    };
    let wordless = |c: &char| !c.is_alphanumeric() && *c != '_';
    // The cut is after the last word break of the shared beginning, and before the first one of the shared end.
    let front = letters[..same(false)].iter().rposition(wordless);
    let from = front.map_or(0, |i| i + 1);
    let end = letters.len() - same(true);
    let behind = letters[end..].iter().position(wordless);
    let to = behind.map_or(letters.len(), |i| end + i).max(from);
    // A bare number means little: the word before it stays.
    let from = match to - from < SHARED {
        true => {
            let before = letters[..from.saturating_sub(1)].iter().rposition(wordless);
            before.map_or(0, |i| i + 1)
        }
        false => from,
    };
    let from = if from < SHARED { 0 } else { from };
    let to = if letters.len() - to < SHARED {
        letters.len()
    } else {
        to
    };
    let kept: String = letters[from..to].iter().collect();
    if kept.is_empty() {
        return name.to_owned();
    }
    let mark = |left_out: bool| if left_out { "\u{2026}" } else { "" };
    format!("{}{kept}{}", mark(from > 0), mark(to < letters.len()))
}

#[cfg(test)]
mod tests {
    use super::distinguishing_part;

    #[test]
    fn a_number_keeps_its_word() {
        let long = [1, 2].map(|n| format!("A Rather Long Maker Name Model {n} with Attachment"));
        let all = || long.iter().map(String::as_str);
        assert_eq!(
            distinguishing_part(all(), &long[1]),
            "\u{2026}Model 2\u{2026}"
        );
    }

    #[test]
    fn what_tells_names_apart_stays() {
        let long = ["half", "nominal", "double"].map(|n| {
            format!("A name as people give it after a day, bench_{n}, take two (final).jpg")
        });
        let all = || long.iter().map(String::as_str).chain(["merge"]);
        assert_eq!(
            distinguishing_part(all(), &long[0]),
            "\u{2026}bench_half\u{2026}"
        );
        assert_eq!(
            distinguishing_part(all(), &long[1]),
            "\u{2026}bench_nominal\u{2026}"
        );
        assert_eq!(distinguishing_part(all(), "merge"), "merge");
        assert_eq!(
            distinguishing_part([long[0].as_str()].into_iter(), &long[0]),
            long[0]
        );
        let like = [
            "20260504_103000_pixel_camera_00001.jpg",
            "20260504_103000_pixel_camera_00002.jpg",
        ];
        assert_eq!(distinguishing_part(like.into_iter(), like[0]), like[0]);
    }
}
