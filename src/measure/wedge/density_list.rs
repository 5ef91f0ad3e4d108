//! Densities of a wedge as text, and validation of a list of densities.
use stopspan_core::{Error, Setting};

/// Largest number of patches of a grid.
pub const MOST_STEPS: usize = 1000;

/// Parses finite numbers between separators.
pub fn numbers(setting: Setting, text: &str, separator: char) -> Result<Vec<f64>, Error> {
    text.split(separator)
        .map(|word| {
            let word = word.trim();
            word.parse::<f64>()
                .ok()
                .filter(|v| v.is_finite())
                .ok_or_else(|| Error::request(setting, format!("\"{word}\" is not a number")))
        })
        .collect()
}

/// Densities from `D1,D2,...` (fewer than `steps` if the last cells of the grid are empty) or `START:STEP` (then one for
/// each of `steps`). Densities are -log10 of reflectance or transmittance, from -1 to 10, in patch order; they must rise
/// (lightest first) or fall (darkest first) throughout.
pub fn parse_densities(text: &str, steps: usize) -> Result<Vec<f64>, Error> {
    let list = if text.contains(':') {
        let v = numbers(Setting::WedgeDensities, text, ':')?;
        let [start, step] = v[..] else {
            return Err(Error::request(
                Setting::WedgeDensities,
                "a series is START:STEP, such as 0.05:0.15",
            ));
        };
        (0..steps).map(|i| start + step * i as f64).collect()
    } else {
        numbers(Setting::WedgeDensities, text, ',')?
    };
    check_densities(&list, steps)
        .map_err(|problem| Error::request(Setting::WedgeDensities, problem))?;
    Ok(list)
}

/// Checks a list of densities for a wedge of at most `steps` patches; the error is the reason in words.
pub(super) fn check_densities(list: &[f64], steps: usize) -> Result<(), String> {
    if list.len() < 2 || list.len() > steps {
        return Err(format!(
            "{} densities for a grid of {steps} patches",
            list.len()
        ));
    }
    if let Some(d) = list.iter().find(|d| !(-1.0..=10.0).contains(*d)) {
        return Err(format!("{d} is no density (from -1 to 10)"));
    }
    let rising = list[1] > list[0];
    let turn = list
        .windows(2)
        .position(|w| w[0] == w[1] || (w[1] > w[0]) != rising);
    match turn {
        None => Ok(()),
        Some(i) => Err(format!(
            "{} after {}: densities must rise or fall all along",
            list[i + 1],
            list[i]
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_densities() {
        let d = parse_densities("0.05:0.15", 21).unwrap();
        assert!((d[20] - 3.05).abs() < 1e-12);
        assert_eq!(parse_densities("0.1,0.2,0.4", 3).unwrap(), [0.1, 0.2, 0.4]);
        assert_eq!(parse_densities("2,1,0", 4).unwrap().len(), 3);
        for bad in [
            "0.1",
            "0.1,0.2,0.2",
            "0.1,0.3,0.2",
            "1:0",
            "0:1:2",
            "0,1,2,3",
            "0,x",
            "0,99",
        ] {
            assert!(parse_densities(bad, 3).is_err(), "{bad}");
        }
    }
}
