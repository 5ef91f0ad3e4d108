//! Densities of a wedge from a comma-separated file with the header `step,density` or `step,density,standard_uncertainty`.
//! Steps count from 1 in patch order (row by row), without a gap.
use super::density_list::check_densities;
use std::path::Path;
use stopspan_core::error::printable;
use stopspan_core::{Error, Setting};

/// Largest standard uncertainty accepted, density.
const LARGEST_UNCERTAINTY: f64 = 0.5;

/// Densities and, where the file has the third column, their standard uncertainties, both in patch order.
pub type Densities = (Vec<f64>, Option<Vec<f64>>);

/// Reads a density file; `steps` is the largest number of densities.
///
/// # Errors
/// [`Error::Request`] with file and line: unreadable file, wrong header, an invalid number, steps out of order, densities
/// that are not monotone, or more densities than patches.
pub fn read_densities(file: &Path, steps: usize) -> Result<Densities, Error> {
    let refuse = |problem: String| {
        Error::request(
            Setting::WedgeDensities,
            format!("{}: {problem}", printable::path(file)),
        )
    };
    let text = std::fs::read_to_string(file)
        .map_err(|e| refuse(format!("the file cannot be read ({e})")))?;
    let (densities, uncertainties) = parsed(&text).map_err(refuse)?;
    check_densities(&densities, steps).map_err(refuse)?;
    Ok((densities, uncertainties))
}

fn parsed(text: &str) -> Result<Densities, String> {
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(text.trim_start_matches('\u{feff}').as_bytes());
    let heads: Vec<String> = reader
        .headers()
        .map_err(|e| e.to_string())?
        .iter()
        .map(str::to_ascii_lowercase)
        .collect();
    let heads: Vec<&str> = heads.iter().map(String::as_str).collect();
    let stated = match heads[..] {
        ["step", "density"] => false,
        ["step", "density", "standard_uncertainty"] => true,
        _ => {
            return Err(format!(
                "the head line is \"{}\", not step,density or step,density,standard_uncertainty",
                heads.join(",")
            ));
        }
    };
    let (mut densities, mut uncertainties) = (Vec::new(), Vec::new());
    for record in reader.records() {
        let record = record.map_err(|e| e.to_string())?;
        let line = record.position().map_or(0, csv::Position::line);
        let step = densities.len() + 1;
        if record[0].parse::<usize>() != Ok(step) {
            let problem = format!("line {line}: step \"{}\" where {step} is due", &record[0]);
            return Err(problem);
        }
        densities.push(number(&record[1], line)?);
        if stated {
            let u = number(&record[2], line)?;
            if !(u > 0.0 && u <= LARGEST_UNCERTAINTY) {
                return Err(format!(
                    "line {line}: a standard uncertainty of {u} is not within 0 (excluded) and {LARGEST_UNCERTAINTY} density"
                ));
            }
            uncertainties.push(u);
        }
    }
    Ok((densities, stated.then_some(uncertainties)))
}

fn number(text: &str, line: u64) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|v: &f64| v.is_finite())
        .ok_or_else(|| format!("line {line}: \"{text}\" is not a number"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_two_and_three_columns() {
        let (d, u) = parsed("step,density\n1, 0.05\n2,0.2\n").unwrap();
        assert_eq!((d, u), (vec![0.05, 0.2], None));
        let (d, u) =
            parsed("\u{feff}Step,Density,Standard_Uncertainty\n# calibrated in May\n1,0.05,0.01\n2,0.2,0.02\n")
                .unwrap();
        assert_eq!((d, u), (vec![0.05, 0.2], Some(vec![0.01, 0.02])));
    }

    #[test]
    fn says_which_line_is_wrong() {
        for (text, words) in [
            ("", "head line"),
            ("0.05,0.2\n", "head line"),
            ("step,density\n1,x\n", "line 2: \"x\""),
            (
                "step,density\n1,0.05\n3,0.2\n",
                "line 3: step \"3\" where 2",
            ),
            ("step,density\n1,0.05,9\n", "line"),
            ("step,density,standard_uncertainty\n1,0.05,0\n", "line 2"),
            ("step,density,standard_uncertainty\n1,0.05,-1\n", "line 2"),
            ("step,density\n1,nan\n", "line 2"),
        ] {
            let problem = parsed(text).unwrap_err();
            assert!(problem.contains(words), "{text:?}: {problem}");
        }
    }
}
