//! A wedge saved in a small JSON file, for use with the next camera.
//!
//! ```json
//! {
//!   "schema": "stopspan-wedge/1",
//!   "picture": { "columns": 1600, "rows": 1200 },
//!   "corners": [[131.2, 973.0], [1474.9, 989.4], [1473.5, 1101.4], [129.8, 1085.0]],
//!   "grid": { "rows": 1, "columns": 21 },
//!   "dark_first": false,
//!   "boustrophedon": false,
//!   "densities": [0.05, 0.20],
//!   "density_uncertainty": [0.01, 0.01]
//! }
//! ```
//!
//! `picture` is the size of the reference frame in pixels; `corners` are the outer corners in it, columns and rows from its top
//! left, in the order top-left, top-right, bottom-right, bottom-left of the wedge as a page; `densities` and their standard
//! uncertainties are in patch order, or `null`.
use super::density_list::check_densities;
use serde::{Deserialize, Serialize};
use std::path::Path;
use stopspan_core::error::printable;
use stopspan_core::raster::Point;
use stopspan_core::results::WedgePlace;
use stopspan_core::{Error, Setting};

/// Name and version of the layout.
const SCHEMA: &str = "stopspan-wedge/1";

/// Content of the file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeptWedge {
    schema: String,
    /// Size of the reference frame.
    pub picture: Size,
    /// Outer corners, columns and rows in pixels.
    pub corners: [[f64; 2]; 4],
    /// Rows and columns of patches.
    pub grid: Grid,
    /// True if patch order runs from dark to light.
    #[serde(default)]
    pub dark_first: bool,
    /// True if every second row runs backwards.
    #[serde(default)]
    pub boustrophedon: bool,
    /// Densities in patch order.
    #[serde(default)]
    pub densities: Option<Vec<f64>>,
    /// Their standard uncertainties.
    #[serde(default)]
    pub density_uncertainty: Option<Vec<f64>>,
}

/// Size of a picture, pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Size {
    /// Columns.
    pub columns: usize,
    /// Rows.
    pub rows: usize,
}

/// Rows and columns of patches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Grid {
    /// Rows.
    pub rows: usize,
    /// Columns.
    pub columns: usize,
}

impl KeptWedge {
    /// The file's content for a wedge in a reference frame of `columns` x `rows` pixels.
    pub fn of(place: &WedgePlace, columns: usize, rows: usize) -> Self {
        KeptWedge {
            schema: SCHEMA.into(),
            picture: Size { columns, rows },
            corners: place.corners.map(|p| [p.x, p.y]),
            grid: Grid {
                rows: place.rows,
                columns: place.columns,
            },
            dark_first: place.dark_first,
            boustrophedon: place.boustrophedon,
            densities: place.densities.clone(),
            density_uncertainty: place.density_uncertainty.clone(),
        }
    }

    /// The text of the file.
    ///
    /// # Errors
    /// None in practice: the content is plain data.
    pub fn text(&self) -> Result<String, serde_json::Error> {
        Ok(serde_json::to_string_pretty(self)? + "\n")
    }

    /// Reads such a file.
    ///
    /// # Errors
    /// [`Error::Request`] that names the file: unreadable, no such layout, or densities that make no sense. The geometry is
    /// checked against the pictures by [`super::check`].
    pub fn read(file: &Path) -> Result<Self, Error> {
        let refuse = |problem: String| {
            Error::request(
                Setting::WedgeFile,
                format!("{}: {problem}", printable::path(file)),
            )
        };
        let text = std::fs::read_to_string(file)
            .map_err(|e| refuse(format!("the file cannot be read ({e})")))?;
        let kept: KeptWedge =
            serde_json::from_str(&text).map_err(|e| refuse(format!("is no wedge file: {e}")))?;
        if kept.schema != SCHEMA {
            let problem = format!("its layout is \"{}\", not {SCHEMA}", kept.schema);
            return Err(refuse(problem));
        }
        let steps = kept.grid.rows.saturating_mul(kept.grid.columns);
        if !(2..=super::density_list::MOST_STEPS).contains(&steps) {
            return Err(refuse(format!("a grid of {steps} patches")));
        }
        if let Some(densities) = &kept.densities {
            check_densities(densities, steps).map_err(refuse)?;
            let unlike = |u: &Vec<f64>| {
                u.len() != densities.len() || u.iter().any(|v| !(*v > 0.0 && *v <= 0.5))
            };
            if kept.density_uncertainty.as_ref().is_some_and(unlike) {
                let problem = "density_uncertainty must hold one number within 0 (excluded) and 0.5 for each density";
                return Err(refuse(problem.into()));
            }
        }
        Ok(kept)
    }

    /// The corners as points.
    pub fn quad(&self) -> stopspan_core::raster::Quad {
        self.corners.map(|[x, y]| Point { x, y })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folder(name: &str) -> std::path::PathBuf {
        let path = std::env::temp_dir().join(format!("kept-{name}-{}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        path
    }

    #[test]
    fn what_was_written_reads_back() {
        let corners = [(0.25, 0.5), (90.0, 0.0), (90.0, 60.0), (0.0, 60.0)];
        let mut place = super::super::place(
            corners.map(|(x, y)| Point { x, y }),
            (2, 3),
            Some(vec![2.0, 1.5, 1.0, 0.5, 0.25, 0.125]),
        )
        .unwrap();
        place.boustrophedon = true;
        place.density_uncertainty = Some(vec![0.01; 6]);
        let kept = KeptWedge::of(&place, 100, 80);
        let file = folder("round").join("wedge.json");
        std::fs::write(&file, kept.text().unwrap()).unwrap();
        let back = KeptWedge::read(&file).unwrap();
        assert_eq!(back, kept);
        assert_eq!(back.quad(), place.corners);
        assert!(back.dark_first && back.boustrophedon);
    }

    #[test]
    fn says_what_is_wrong_with_a_file() {
        let file = folder("bad").join("wedge.json");
        let good = r#"{"schema":"stopspan-wedge/1","picture":{"columns":9,"rows":9},
            "corners":[[0,0],[9,0],[9,9],[0,9]],"grid":{"rows":1,"columns":3}"#;
        for (text, words) in [
            ("[]".to_string(), "no wedge file"),
            (good.replace("wedge/1", "wedge/9") + "}", "wedge/9"),
            (format!("{good},\"colour\":1}}"), "colour"),
            (format!("{good},\"densities\":[1,2,1]}}"), "rise or fall"),
            (format!("{good},\"densities\":[1,2,3,4]}}"), "3 patches"),
            (
                format!("{good},\"densities\":[1,2,3],\"density_uncertainty\":[0.1]}}"),
                "one number",
            ),
        ] {
            std::fs::write(&file, &text).unwrap();
            let problem = KeptWedge::read(&file).unwrap_err().to_string();
            assert!(problem.contains(words), "{text}: {problem}");
            assert!(problem.contains("wedge.json"));
        }
        std::fs::write(&file, format!("{good}}}")).unwrap();
        assert!(KeptWedge::read(&file).is_ok());
    }
}
