//! What the user says of a wedge: corners, grid, densities.
use stopspan_core::Error;
use stopspan_core::raster::{Point, Quad};

/// Most patches a grid may have.
pub(super) const MOST_STEPS: usize = 1000;

fn numbers(option: &str, text: &str, separator: char) -> Result<Vec<f64>, Error> {
    text.split(separator)
        .map(|word| {
            let word = word.trim();
            word.parse::<f64>()
                .ok()
                .filter(|v| v.is_finite())
                .ok_or_else(|| Error::request(option, format!("\"{word}\" is not a number")))
        })
        .collect()
}

/// Corners from `X0,Y0,X1,Y1,X2,Y2,X3,Y3`: top-left, top-right, bottom-right, bottom-left, in pixels of the reference
/// frame from its top-left corner. Only the form is judged here; see [`super::check`] for the geometry.
pub fn parse_corners(text: &str) -> Result<Quad, Error> {
    const OPTION: &str = "--wedge-corners";
    let v = numbers(OPTION, text, ',')?;
    if v.len() != 8 {
        let problem = format!(
            "{} numbers, but four corners need 8: X0,Y0,...,X3,Y3",
            v.len()
        );
        return Err(Error::request(OPTION, problem));
    }
    Ok([0, 2, 4, 6].map(|i| Point {
        x: v[i],
        y: v[i + 1],
    }))
}

/// Rows and columns from `ROWSxCOLS`, both at least 1, at least 2 patches and at most 1000.
pub fn parse_grid(text: &str) -> Result<(usize, usize), Error> {
    const OPTION: &str = "--wedge-grid";
    let wrong = || {
        Error::request(
            OPTION,
            format!("\"{text}\" is not of the form ROWSxCOLS, such as 1x21"),
        )
    };
    let (rows, columns) = text.trim().split_once(['x', 'X']).ok_or_else(wrong)?;
    let rows: usize = rows.trim().parse().map_err(|_| wrong())?;
    let columns: usize = columns.trim().parse().map_err(|_| wrong())?;
    let steps = rows.saturating_mul(columns);
    if !(2..=MOST_STEPS).contains(&steps) {
        let problem = format!("{rows} x {columns} patches; from 2 to {MOST_STEPS} can be measured");
        return Err(Error::request(OPTION, problem));
    }
    Ok((rows, columns))
}

/// Densities from `D1,D2,...` (fewer than `steps` where the last cells of the grid are empty) or `START:STEP` (then one
/// for each of `steps`). Densities are -log10 of reflectance or transmittance, from -1 to 10, in the order of the patches;
/// they must rise (lightest first) or fall (darkest first) all along.
pub fn parse_densities(text: &str, steps: usize) -> Result<Vec<f64>, Error> {
    const OPTION: &str = "--wedge-densities";
    let list = if text.contains(':') {
        let v = numbers(OPTION, text, ':')?;
        let [start, step] = v[..] else {
            return Err(Error::request(
                OPTION,
                "a series is START:STEP, such as 0.05:0.15",
            ));
        };
        (0..steps).map(|i| start + step * i as f64).collect()
    } else {
        numbers(OPTION, text, ',')?
    };
    check_densities(&list, steps).map_err(|problem| Error::request(OPTION, problem))?;
    Ok(list)
}

/// Why a list cannot be the densities of a wedge of at most `steps` patches.
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
    fn reads_corners() {
        let q = parse_corners("1,2, 3,4,5,6,7.5,8").unwrap();
        assert_eq!((q[0].x, q[3].x, q[3].y), (1.0, 7.5, 8.0));
        for bad in [
            "",
            "1,2,3",
            "1,2,3,4,5,6,7,x",
            "1,2,3,4,5,6,7,nan",
            "1,2,3,4,5,6,7,8,9",
        ] {
            let e = parse_corners(bad).unwrap_err().to_string();
            assert!(e.starts_with("--wedge-corners"), "{e}");
        }
    }

    #[test]
    fn reads_grids() {
        assert_eq!(parse_grid("4x6").unwrap(), (4, 6));
        for bad in [
            "",
            "4",
            "0x5",
            "1x1",
            "-1x5",
            "99999999999x9",
            "4x6x2",
            "1000x1000",
        ] {
            assert!(parse_grid(bad).is_err(), "{bad}");
        }
    }

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
