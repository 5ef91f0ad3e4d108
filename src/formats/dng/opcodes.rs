//! Opcode lists (DNG specification 1.7, chapter 7): named, not applied.
use super::directory::Directory;

/// OpcodeList1, 2 and 3.
const LISTS: [u16; 3] = [51008, 51009, 51022];
/// Largest number of opcodes examined in a list.
const MOST: usize = 1000;

/// Names of the opcodes in all lists, without duplicates, in the file's order.
pub(super) fn names(directory: &Directory) -> Vec<String> {
    let mut found = Vec::new();
    for list in LISTS {
        for number in directory.bytes(list).map(numbers).unwrap_or_default() {
            let name = name(number).map_or_else(|| format!("opcode {number}"), str::to_owned);
            if !found.contains(&name) {
                found.push(name);
            }
        }
    }
    found
}

/// Opcode IDs of a list: big-endian count, then ID, version, flags, length and data of each.
fn numbers(list: &[u8]) -> Vec<u32> {
    let number = |at: usize| -> Option<u32> {
        let bytes = list.get(at..at.checked_add(4)?)?;
        Some(u32::from_be_bytes(bytes.try_into().ok()?))
    };
    let count = number(0).map_or(0, |n| n as usize).min(MOST);
    let (mut at, mut found) = (4usize, Vec::new());
    for _ in 0..count {
        let (Some(opcode), Some(length)) = (number(at), number(at + 12)) else {
            break;
        };
        found.push(opcode);
        at = at.saturating_add(16).saturating_add(length as usize);
    }
    found
}

fn name(number: u32) -> Option<&'static str> {
    const NAMES: [&str; 14] = [
        "WarpRectilinear",
        "WarpFisheye",
        "FixVignetteRadial",
        "FixBadPixelsConstant",
        "FixBadPixelsList",
        "TrimBounds",
        "MapTable",
        "MapPolynomial",
        "GainMap",
        "DeltaPerRow",
        "DeltaPerColumn",
        "ScalePerRow",
        "ScalePerColumn",
        "WarpRectilinear2",
    ];
    NAMES.get((number as usize).checked_sub(1)?).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_is_walked_and_a_cut_one_gives_what_it_holds() {
        let mut list = vec![0, 0, 0, 3];
        for (opcode, length) in [(9u32, 5u32), (1, 0), (77, 2)] {
            list.extend(
                [opcode, 0x0103_0000, 0, length]
                    .map(u32::to_be_bytes)
                    .concat(),
            );
            list.extend(vec![7; length as usize]);
        }
        assert_eq!(numbers(&list), [9, 1, 77]);
        assert_eq!(name(9), Some("GainMap"));
        assert_eq!(name(1), Some("WarpRectilinear"));
        assert_eq!((name(0), name(77)), (None, None));
        assert_eq!(numbers(&list[..30]), [9]);
        assert!(numbers(&[]).is_empty());
        assert!(numbers(&[0xff; 40]).len() <= 2);
    }
}
