//! The wedge to measure: stated by the user, read from a file, or found in the merge.
use crate::find;
use crate::wedge;
use crate::wedge::{Densities, KeptWedge};
use serde::Serialize;
use std::path::{Path, PathBuf};
use stopspan_core::error::printable;
use stopspan_core::finding::Finding;
use stopspan_core::model::{RadianceMap, path_text};
use stopspan_core::raster::Quad;
use stopspan_core::results::WedgePlace;
use stopspan_core::{Error, Setting};

/// Confidence below which a candidate is not shown.
const SHOWN: f64 = 0.15;

/// What the user states about the wedge; every field is optional.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct WedgeRequest {
    /// Outer corners in the reference frame, pixels; found automatically if `None`.
    pub corners: Option<Quad>,
    /// Rows and columns of patches; required with corners.
    pub grid: Option<(usize, usize)>,
    /// Densities in patch order: numbers, START:STEP, or a file ending in .csv. Kept as text until the number of steps is
    /// known.
    pub densities: Option<String>,
    /// Standard uncertainty of all densities, density, if the file does not state it.
    pub density_uncertainty: Option<f64>,
    /// A wedge file from another run: corners, grid, order and densities.
    #[serde(serialize_with = "path_text::one")]
    pub file: Option<PathBuf>,
    /// A flat-field frame of an even source, taken as the bracket was.
    #[serde(serialize_with = "path_text::one")]
    pub flat_field: Option<PathBuf>,
    /// True if the patches run from dark to light.
    pub dark_first: bool,
    /// True if every second row runs backwards.
    pub boustrophedon: bool,
    /// True to search for no wedge.
    pub none: bool,
    /// Steps that another bracket of the same run counted on its wedge, which all of a run share; `None` where none is known.
    #[serde(skip)]
    pub steps_of_run: Option<usize>,
}

/// Result of locating the wedge.
#[derive(Debug, Default)]
pub struct Located {
    /// The wedge to be measured.
    pub place: Option<WedgePlace>,
    /// A candidate below the confidence limit, or of another size than requested.
    pub candidate: Option<WedgePlace>,
    /// True if the number of steps was not stated but counted in the picture.
    pub counted: bool,
    /// Steps that another bracket of the run counted; see [`WedgeRequest::steps_of_run`].
    pub steps_of_run: Option<usize>,
    /// Doubts.
    pub findings: Vec<Finding>,
}

/// The stated wedge, from options and files together.
struct StatedWedge {
    corners: Option<Quad>,
    grid: Option<(usize, usize)>,
    densities: Option<Densities>,
    dark_first: bool,
    boustrophedon: bool,
}

impl WedgeRequest {
    /// Files that are opened. Every field is named, so that a new one is not forgotten here.
    pub fn files(&self) -> impl Iterator<Item = &Path> {
        let WedgeRequest {
            corners: _,
            grid: _,
            densities: _, // perhaps a file: `density_file`
            density_uncertainty: _,
            file,
            flat_field,
            dark_first: _,
            boustrophedon: _,
            none: _,
            steps_of_run: _,
        } = self;
        let named = file.iter().chain(flat_field).map(PathBuf::as_path);
        named.chain(self.density_file())
    }

    /// Checks that the files can be read and are valid, before any picture is decoded.
    pub fn check(&self) -> Result<(), Error> {
        if let Some(file) = &self.file {
            KeptWedge::read(file)?;
        }
        if let Some(file) = self.density_file() {
            wedge::read_densities(file, wedge::MOST_STEPS)?;
        }
        if let Some(u) = self
            .density_uncertainty
            .filter(|u| !(*u > 0.0 && *u <= 0.5))
        {
            let problem = format!("{u} is not within 0 (excluded) and 0.5 density");
            return Err(Error::request(Setting::WedgeDensityUncertainty, problem));
        }
        self.check_shape()?;
        match &self.flat_field {
            Some(file) if !file.is_file() => Err(Error::request(
                Setting::FlatField,
                format!("{}: there is no such file", printable::path(file)),
            )),
            _ => Ok(()),
        }
    }

    /// Checks corners, grid and densities against each other, before any picture is decoded.
    fn check_shape(&self) -> Result<(), Error> {
        if let (Some(corners), None) = (self.corners, &self.file) {
            wedge::place(corners, self.grid.ok_or_else(without_grid)?, None)?;
        }
        match self.grid {
            Some((rows, columns)) => self.densities(rows * columns).map(|_| ()),
            None => Ok(()),
        }
    }

    fn density_file(&self) -> Option<&Path> {
        let text = self.densities.as_ref()?;
        let path = Path::new(text);
        let csv = path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("csv"));
        csv.then_some(path)
    }

    /// Densities for a grid of `steps` patches, with uncertainties if stated.
    fn densities(&self, steps: usize) -> Result<Option<Densities>, Error> {
        if let Some(file) = self.density_file() {
            return wedge::read_densities(file, steps).map(Some);
        }
        let Some(text) = &self.densities else {
            return Ok(None);
        };
        Ok(Some((wedge::parse_densities(text, steps)?, None)))
    }

    /// Smallest number of steps for the listed densities; 0 without a list.
    pub(crate) fn least_steps(&self) -> usize {
        let listed = self.densities(wedge::MOST_STEPS).ok().flatten();
        let series = self.densities.as_ref().is_some_and(|t| t.contains(':'));
        listed
            .filter(|_| self.density_file().is_some() || !series)
            .map_or(0, |(list, _)| list.len())
    }

    fn stated(
        &self,
        size: (usize, usize),
        findings: &mut Vec<Finding>,
    ) -> Result<StatedWedge, Error> {
        let mut stated = StatedWedge {
            corners: self.corners,
            grid: self.grid,
            densities: None,
            dark_first: self.dark_first,
            boustrophedon: self.boustrophedon,
        };
        let Some(file) = &self.file else {
            return Ok(stated);
        };
        let kept = KeptWedge::read(file)?;
        stated.grid = Some((kept.grid.rows, kept.grid.columns));
        stated.densities = kept
            .densities
            .clone()
            .map(|d| (d, kept.density_uncertainty.clone()));
        stated.dark_first |= kept.dark_first;
        stated.boustrophedon |= kept.boustrophedon;
        if (kept.picture.rows, kept.picture.columns) == size {
            stated.corners = Some(kept.quad());
        } else {
            findings.push(Finding::WedgeFileOtherSize {
                file: file.display().to_string(),
                file_columns: kept.picture.columns,
                file_rows: kept.picture.rows,
                columns: size.1,
                rows: size.0,
            });
        }
        Ok(stated)
    }
}

/// The stated wedge, or the one found in the merge, in which all steps are visible.
pub fn locate(map: &RadianceMap, request: &WedgeRequest) -> Result<Located, Error> {
    let mut located = Located::default();
    if request.none {
        return Ok(located);
    }
    let (rows, columns, _) = map.radiance.dim();
    let stated = request.stated((rows, columns), &mut located.findings)?;
    located.counted = stated.grid.is_none();
    located.steps_of_run = request.steps_of_run;
    let Some(mut place) = placed(map, &stated, request, &mut located)? else {
        return Ok(located);
    };
    let steps = place.rows * place.columns;
    if stated.corners.is_some() {
        place.dark_first = stated.dark_first;
        place.boustrophedon = stated.boustrophedon;
    }
    if let Some(densities) = request.densities(steps)?.or(stated.densities) {
        let given = stated.corners.is_some() && !stated.dark_first;
        known(&mut place, densities, given);
    }
    if let (None, Some(u), Some(d)) = (
        &place.density_uncertainty,
        request.density_uncertainty,
        &place.densities,
    ) {
        place.density_uncertainty = Some(vec![u; d.len()]);
    }
    wedge::check(&place, rows, columns)?;
    located.findings.extend(grid_doubted(map, &place));
    if place.densities.is_none() {
        located.findings.push(Finding::DensitiesFromMerge);
    }
    located.place = Some(place);
    Ok(located)
}

/// Finding for step edges in the middle of patches, which show that the grid is wrong.
fn grid_doubted(map: &RadianceMap, place: &WedgePlace) -> Option<Finding> {
    let steps_within = wedge::steps_within(map.main_radiance(), place)?;
    Some(Finding::WedgeGridDoubtful {
        steps_within,
        patches: place.rows * place.columns,
    })
}

/// Attaches known densities, reversing the list if its direction contradicts the picture or the stated order. With corners
/// given and no order stated the list decides.
fn known(place: &mut WedgePlace, (mut densities, mut uncertainties): Densities, given: bool) {
    let falling = densities.len() > 1 && densities[0] > densities[densities.len() - 1];
    if given {
        place.dark_first = falling;
    } else if falling != place.dark_first {
        densities.reverse();
        if let Some(u) = &mut uncertainties {
            u.reverse();
        }
    }
    place.densities = Some(densities);
    place.density_uncertainty = uncertainties;
}

fn placed(
    map: &RadianceMap,
    stated: &StatedWedge,
    request: &WedgeRequest,
    located: &mut Located,
) -> Result<Option<WedgePlace>, Error> {
    match (stated.corners, stated.grid) {
        (Some(corners), Some(grid)) => Ok(Some(wedge::place(corners, grid, None)?)),
        (Some(_), None) => Err(without_grid()),
        (None, grid) => Ok(find_place(map, (grid, request.least_steps()), located)),
    }
}

fn without_grid() -> Error {
    Error::request(
        Setting::WedgeCorners,
        format!("needs {} ROWSxCOLUMNS beside it", Setting::WedgeGrid),
    )
}

fn find_place(
    map: &RadianceMap,
    (grid, least): (Option<(usize, usize)>, usize),
    located: &mut Located,
) -> Option<WedgePlace> {
    let (seen, ends) = match find::candidate_in_colour(&map.radiance) {
        Some(found) => (Some(found.place), found.ends),
        None => (None, Vec::new()),
    };
    let confidence = seen.as_ref().and_then(|p| p.confidence).unwrap_or(0.0);
    let steps = seen.as_ref().map_or(0, |p| p.rows * p.columns);
    let fits = |p: &WedgePlace| grid.is_none_or(|g| g == (p.rows, p.columns)) && steps >= least;
    if confidence >= stopspan_core::results::CONFIDENT && seen.as_ref().is_some_and(fits) {
        let finding = Finding::WedgeFound { confidence, steps };
        located.findings.push(finding);
        if grid.is_none() {
            let unsure = ends
                .into_iter()
                .map(|end| Finding::WedgeEndUnsure { steps, end });
            located.findings.extend(unsure);
        }
        return seen;
    }
    located.findings.push(Finding::NoWedge {
        looked_for: match grid {
            Some((r, c)) => format!("{r} x {c} grey patches"),
            None if least > 0 => {
                format!("a row, a column or a grid of {least} grey patches, one for each density")
            }
            None => "a row, a column or a grid of grey patches".to_string(),
        },
    });
    if confidence >= SHOWN {
        let finding = Finding::WedgeDoubtful { confidence, steps };
        located.findings.push(finding);
        located.candidate = seen;
    }
    None
}
