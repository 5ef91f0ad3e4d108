//! The arguments about the wedge, and measuring it on finished pictures or on a map.
use crate::values;
use clap::Args;
use std::path::PathBuf;
use stopspan::pipeline::{MapSettings, Settings, WedgeRequest};
use stopspan_core::model::Limits;
use stopspan_core::{Error, Setting};
use stopspan_formats::memory::share_of_machine;
use stopspan_response::ResponseRequest;

/// Where the wedge is and what is known of it.
#[derive(Debug, Args)]
pub struct Wedge {
    /// Outer corners of the wedge in the reference frame, pixels from the top left: top-left, top-right, bottom-right,
    /// bottom-left of the wedge as a page [default: found in the merge]
    #[arg(
        long,
        value_name = "X0,Y0,...,X3,Y3",
        help_heading = "Wedge",
        allow_hyphen_values = true
    )]
    pub wedge_corners: Option<String>,
    /// Rows and columns of patches, row by row, lightest first
    #[arg(long, value_name = "ROWSxCOLS", help_heading = "Wedge")]
    pub wedge_grid: Option<String>,
    /// Densities in patch order, START:STEP, or a file FILE.csv with columns step,density[,standard_uncertainty]
    #[arg(long, value_name = "D1,D2,...", help_heading = "Wedge")]
    pub wedge_densities: Option<String>,
    /// Standard uncertainty of the densities [default: 0.02, if their file does not state it]
    #[arg(long, value_name = "D", help_heading = "Wedge")]
    pub wedge_density_uncertainty: Option<f64>,
    /// Corners, grid, order and densities as another run kept them (wedge.json)
    #[arg(
        long,
        value_name = "FILE",
        conflicts_with_all = ["wedge_corners", "wedge_grid"],
        help_heading = "Wedge"
    )]
    pub wedge_file: Option<PathBuf>,
    /// A frame of an even source, taken with the same lens settings: its fall-off is divided out over the wedge
    #[arg(long, value_name = "FILE", help_heading = "Wedge")]
    pub flat_field: Option<PathBuf>,
    /// The patches run from dark to light
    #[arg(long, help_heading = "Wedge")]
    pub wedge_dark_first: bool,
    /// Every second row of patches runs backwards
    #[arg(long, help_heading = "Wedge")]
    pub wedge_boustrophedon: bool,
    /// Do not look for a wedge
    #[arg(long, conflicts_with_all = ["wedge_corners", "wedge_file"], help_heading = "Wedge")]
    pub no_wedge: bool,
}

#[derive(Debug, Args)]
pub struct Measure {
    /// Finished pictures, each measured by itself; or one radiance map: OpenEXR, Radiance RGBE, or a JPEG with a gain map
    #[arg(required = true, value_name = "PICTURE")]
    pub pictures: Vec<PathBuf>,
    /// All figures as JSON
    #[arg(long, value_name = "FILE.json")]
    pub out: Option<PathBuf>,
    /// Response of the camera that took the pictures: the response.json of an earlier run [default: by known densities, else
    /// assumed after IEC 61966-2-1]
    #[arg(long, value_name = "FILE.json")]
    pub response: Option<PathBuf>,
    /// The levels of the pictures are linear
    #[arg(long, conflicts_with = "response")]
    pub linear: bool,
    #[command(flatten)]
    pub wedge: Wedge,
    /// Largest picture accepted, in pixels
    #[arg(long, value_name = "N", default_value_t = Limits::default().pixels)]
    pub max_pixels: u64,
    /// Most memory that a picture may take by estimate, such as 4GB [default: three quarters of what the machine has]
    #[arg(long, value_name = "SIZE", value_parser = values::memory)]
    pub max_memory: Option<u64>,
    /// Replace the file that is there
    #[arg(long)]
    pub overwrite: bool,
    /// No progress
    #[arg(long, short)]
    pub quiet: bool,
}

impl Wedge {
    pub fn request(&self) -> Result<WedgeRequest, Error> {
        Ok(WedgeRequest {
            corners: self
                .wedge_corners
                .as_deref()
                .map(values::corners)
                .transpose()?,
            grid: self.wedge_grid.as_deref().map(values::grid).transpose()?,
            densities: self.wedge_densities.clone(),
            density_uncertainty: self.wedge_density_uncertainty,
            file: self.wedge_file.clone(),
            flat_field: self.flat_field.clone(),
            dark_first: self.wedge_dark_first,
            boustrophedon: self.wedge_boustrophedon,
            none: self.no_wedge,
            steps_of_run: None,
        })
    }
}

impl Measure {
    /// Settings for a map, if the one picture is one.
    pub fn map_settings(&self) -> Result<Option<MapSettings>, Error> {
        let limits = self.limits();
        let [map] = self.pictures.as_slice() else {
            return Ok(None);
        };
        if !stopspan_formats::holds_radiance(map, &limits) {
            return Ok(None);
        }
        if self.wedge.flat_field.is_some() {
            let problem = "a map is measured without its frames, so without a flat field";
            return Err(Error::request(Setting::FlatField, problem));
        }
        Ok(Some(MapSettings {
            map: map.clone(),
            wedge: self.wedge.request()?,
            limits,
        }))
    }

    /// Settings for finished pictures.
    pub fn settings(&self) -> Result<Settings, Error> {
        if self.wedge.flat_field.is_some() {
            let problem = "is for brackets; a picture alone is measured without a flat field";
            return Err(Error::request(Setting::FlatField, problem));
        }
        let mut settings = Settings::new(self.pictures.clone(), PathBuf::new());
        settings.overrides.limits = self.limits();
        settings.wedge = self.wedge.request()?;
        settings.saved_response = self.response.clone();
        if self.linear {
            settings.response = ResponseRequest::Linear;
        }
        Ok(settings)
    }

    fn limits(&self) -> Limits {
        Limits {
            pixels: self.max_pixels,
            memory: self.max_memory.unwrap_or_else(share_of_machine),
            accept_damaged: false,
        }
    }
}
