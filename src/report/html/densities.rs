//! Table of the calibration against known densities: span of the exposures, glare, evenness of the light.
use super::super::words::decimal;
use super::table::{Table, with_uncertainty};
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Calibration, LightSource};

/// Writes the table; nothing without a calibration.
pub(super) fn densities(out: &mut String, bracket: &BracketReport) {
    let Some(calibration) = &bracket.calibration else {
        return;
    };
    let caption = format!(
        "Fitted to {} steps, densities good to {} D{}; {} D are left over, reduced chi-square {}",
        calibration.steps,
        decimal(calibration.density_uncertainty, 3),
        if calibration.uncertainty_assumed {
            " (assumed)"
        } else {
            ""
        },
        decimal(calibration.residual_density, 3),
        decimal(calibration.reduced_chi_square, 2),
    );
    let mut table = Table::new("", &caption, &["what", "value", "what was done"]);
    span(&mut table, calibration);
    glare(&mut table, calibration);
    evenness(&mut table, calibration);
    table.finish(out);
    ranges(out, calibration);
}

fn span(table: &mut Table, calibration: &Calibration) {
    let e = &calibration.exponent;
    table.row(
        "Span of the bracket, stops",
        &format!("{} before", decimal(e.span_before, 3)),
        &[
            format!(
                "{} \u{b1} {}",
                decimal(e.span_by_wedge, 3),
                decimal(
                    e.span_by_wedge * e.exponent.standard_uncertainty.hypot(e.light_uncertainty)
                        / e.exponent.value,
                    3
                )
            ),
            if e.used {
                "exposures and response corrected"
            } else {
                "nothing changed"
            }
            .to_owned(),
        ],
    );
    table.row(
        "Exponent of the response",
        "1 where exposures and densities agree",
        &[with_uncertainty(e.exponent, 4), String::new()],
    );
}

fn glare(table: &mut Table, calibration: &Calibration) {
    let g = &calibration.glare;
    let percent = |share: f64| decimal(share * 100.0, 2);
    let ceiling = g.ceiling_stops.filter(|_| g.detected);
    table.row(
        "Veiling glare, % of white",
        "95 % interval",
        &[
            format!(
                "{} ({} to {})",
                percent(g.share),
                percent(g.low95),
                percent(g.high95)
            ),
            match ceiling {
                Some(stops) => format!("limits contrast to {} stops", decimal(stops, 2)),
                None => "not significant".to_owned(),
            },
        ],
    );
}

fn evenness(table: &mut Table, calibration: &Calibration) {
    let e = &calibration.evenness;
    let (value, done) = match (e.source, e.fall_off_stops) {
        (LightSource::FlatField, Some(stops)) => (stops, "by the flat field, divided out"),
        (LightSource::Densities, Some(stops)) => (stops, "fitted with the densities"),
        _ => {
            let cells = [
                "-".to_owned(),
                "cannot be separated from density".to_owned(),
            ];
            table.row("Fall-off of the light, stops", "", &cells);
            return;
        }
    };
    let cells = [decimal(value, 3), done.to_owned()];
    table.row("Fall-off of the light, stops", "", &cells);
}

fn ranges(out: &mut String, calibration: &Calibration) {
    if !calibration.glare.detected || calibration.glare.ranges.is_empty() {
        return;
    }
    let mut table = Table::new(
        "",
        "Range of the merge under the glare, stops. Merging cannot remove glare; subtracting its mean gives contrast back, not what its photon noise took",
        &["SNR", "down to the glare", "glare subtracted"],
    );
    for r in &calibration.glare.ranges {
        table.row(
            &decimal(r.snr, 0),
            "",
            &[
                decimal(r.before_stops, 2),
                r.after_stops
                    .map_or_else(|| "-".to_owned(), |s| decimal(s, 2)),
            ],
        );
    }
    table.finish(out);
}
