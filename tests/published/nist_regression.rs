//! Least squares against the certified values of NIST StRD, linear regression.
use super::table::{digits, numbers, text};
use nalgebra::DMatrix;
use stopspan_core::statistics::fit::{Fit, least_squares};

/// Observations (first field y, then x...) as a polynomial of this many coefficients in the single x.
fn polynomial(rows: &[Vec<f64>], coefficients: usize) -> (DMatrix<f64>, Vec<f64>) {
    let power = |i: usize, j: usize| rows[i][1].powi(j as i32);
    let design = DMatrix::from_fn(rows.len(), coefficients, power);
    (design, rows.iter().map(|r| r[0]).collect())
}

/// `y = sum b^j x^j` for j 0..=5 at x = 0..=20: the rule of Wampler1 (b = 1) and Wampler2 (b = 1/10).
fn wampler(base: f64) -> (DMatrix<f64>, Vec<f64>) {
    let row = |x: i32| {
        let terms = (0..6).map(|j| (f64::from(x) * base).powi(j));
        vec![terms.sum(), f64::from(x)]
    };
    polynomial(&(0..=20).map(row).collect::<Vec<_>>(), 6)
}

fn problem(name: &str) -> (DMatrix<f64>, Vec<f64>) {
    let file = |rows| numbers(&format!("nist/{name}.csv"), rows);
    match name {
        "norris" => polynomial(&file(36), 2),
        "pontius" => polynomial(&file(40), 3),
        "filip" => polynomial(&file(82), 11),
        "wampler1" => wampler(1.0),
        "wampler2" => wampler(0.1),
        "noint1" | "noint2" => {
            let rows = file(if name == "noint1" { 11 } else { 3 });
            let design = DMatrix::from_fn(rows.len(), 1, |i, _| rows[i][1]);
            (design, rows.iter().map(|r| r[0]).collect())
        }
        "longley" => {
            let rows = file(16);
            let design = DMatrix::from_fn(16, 7, |i, j| if j == 0 { 1.0 } else { rows[i][j] });
            (design, rows.iter().map(|r| r[0]).collect())
        }
        other => panic!("no data for {other}"),
    }
}

/// Digits to reach. Filip is a polynomial of degree 10 on -9..-3, of condition 1e10 even with unit columns: in double
/// precision 16 - 10 digits are what there is. Longley and Wampler have conditions of 1e4 to 1e5.
fn digits_to_reach(name: &str) -> f64 {
    match name {
        "filip" => 6.0,
        "longley" | "wampler1" | "wampler2" | "pontius" => 10.0,
        _ => 12.0,
    }
}

fn deviation(fit: &Fit, index: usize) -> f64 {
    fit.scaled_covariance().unwrap()[(index, index)].sqrt()
}

#[test]
fn certified_values() {
    let mut worst = std::collections::BTreeMap::new();
    for row in text("nist/regression.csv", 37) {
        let name = row[0].clone();
        let number = |field: usize| row[field].parse::<f64>().unwrap();
        let (index, limit) = (row[1].parse::<usize>().unwrap(), digits_to_reach(&name));
        let (design, observed) = problem(&name);
        let fit = least_squares(&design, &observed, &vec![1.0; observed.len()]).unwrap();
        let (exact, scale) = (
            number(3) == 0.0,
            observed.iter().map(|y| y * y).sum::<f64>(),
        );
        let mut reached = digits(fit.coefficients[index], number(2));
        if exact {
            // A sum of squares of 0 is compared on the scale of the observations.
            assert!(fit.chi_square / scale < 1e-24, "{name}: {}", fit.chi_square);
        } else {
            reached = reached
                .min(digits(deviation(&fit, index), number(3)))
                .min(digits(fit.chi_square, number(4)));
        }
        assert!(
            reached >= limit,
            "{name}, coefficient {index}: {reached:.1} digits"
        );
        let entry = worst.entry(name).or_insert(15.0f64);
        *entry = entry.min(reached);
    }
    println!("fewest digits: {worst:.1?}");
    assert_eq!(worst.len(), 8);
}
