//! The arguments of the look, and of the files it goes into.
use crate::values;
use clap::builder::{EnumValueParser, PossibleValue, TypedValueParser};
use clap::{Arg, Args, Command, ValueEnum};
use std::ffi::OsStr;
use std::path::PathBuf;
use stopspan::pipeline::{Delivery, RenderSettings};
use stopspan_core::model::Limits;
use stopspan_core::{Error, Setting};
use stopspan_formats::jpeg::Subsampling;
use stopspan_formats::memory::share_of_machine;
use stopspan_formats::openexr::{Kind, Scheme};
use stopspan_tone::{Operator, OutputColour, ToneSettings};

/// How the picture looks.
#[derive(Debug, Args)]
pub struct Tone {
    /// How radiance becomes a picture
    #[arg(long, value_enum, default_value_t = OperatorArgument::DefaultLook, help_heading = "Look")]
    pub tone: OperatorArgument,
    /// Lighter (or darker, below 0) by this many stops of scene light, -10 to 10
    #[arg(long, value_name = "STOPS", default_value_t = 0.0, value_parser = between::<-10, 10>, allow_hyphen_values = true, help_heading = "Look")]
    pub tone_exposure: f64,
    /// Light tones lighter (or darker) by this many stops of scene light, -3 to 3
    #[arg(long, value_name = "STOPS", default_value_t = 0.0, value_parser = between::<-3, 3>, allow_hyphen_values = true, help_heading = "Look")]
    pub tone_highlights: f64,
    /// Dark tones lighter (or darker) by this many stops of scene light, -3 to 3
    #[arg(long, value_name = "STOPS", default_value_t = 0.0, value_parser = between::<-3, 3>, allow_hyphen_values = true, help_heading = "Look")]
    pub tone_shadows: f64,
    /// Contrast of texture, in stops of change: 0 as the scene has it, -1 half, 1 twice; local operators only
    #[arg(long, value_name = "STOPS", default_value_t = 0.0, value_parser = between::<-1, 1>, allow_hyphen_values = true, help_heading = "Look")]
    pub tone_local_contrast: f64,
    /// Colourfulness as a factor on the scene's own, 0 (grey) to 2
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0, value_parser = between::<0, 2>, help_heading = "Look")]
    pub tone_saturation: f64,
    /// Colour space of the pictures; its profile is embedded
    #[arg(long, value_enum, default_value_t = ColourArgument::Srgb, help_heading = "Look")]
    pub output_colour: ColourArgument,
}

/// How radiance becomes display light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum OperatorArgument {
    /// Our own choice: the reference frame's mid-tones, and what it lost fitted in around them
    DefaultLook,
    /// Global photographic curve (Reinhard, Stark, Shirley and Ferwerda, 2002)
    Photographic,
    /// Global adaptive logarithm (Drago, Myszkowski, Annen and Chiba, 2003)
    Logarithmic,
    /// Local: base and detail by a bilateral filter (Durand and Dorsey, 2002)
    Bilateral,
    /// From the frames, without radiance: exposure fusion (Mertens, Kautz, Van Reeth, 2007); `run` only, no controls
    ExposureFusion,
}

/// Reads the operators that a map can be rendered by; the others are understood, so that the command can say why not, but not listed.
#[derive(Debug, Clone)]
pub struct OperatorOfMap;

impl TypedValueParser for OperatorOfMap {
    type Value = OperatorArgument;

    fn parse_ref(
        &self,
        command: &Command,
        argument: Option<&Arg>,
        value: &OsStr,
    ) -> Result<OperatorArgument, clap::Error> {
        EnumValueParser::<OperatorArgument>::new().parse_ref(command, argument, value)
    }

    fn possible_values(&self) -> Option<Box<dyn Iterator<Item = PossibleValue> + '_>> {
        let all = OperatorArgument::value_variants().iter();
        let of_maps = all.filter(|o| **o != OperatorArgument::ExposureFusion);
        Some(Box::new(of_maps.filter_map(ValueEnum::to_possible_value)))
    }
}

/// Colour space of finished pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ColourArgument {
    /// sRGB, for any screen
    Srgb,
    /// Display P3, of wider gamut
    DisplayP3,
}

/// How files are written.
#[derive(Debug, Args)]
pub struct Files {
    /// Quality of JPEG files, 1 to 100
    #[arg(long, value_name = "N", default_value_t = Delivery::default().jpeg_quality, value_parser = clap::value_parser!(u8).range(1..=100), help_heading = "Files")]
    pub jpeg_quality: u8,
    /// Resolution of colour differences in JPEG files
    #[arg(long, value_enum, default_value_t = SubsamplingArgument::Full, help_heading = "Files")]
    pub jpeg_subsampling: SubsamplingArgument,
    /// For displays lighter than white paper: .jpg with a gain map (ISO 21496-1), .png in PQ (BT.2100). A run writes both
    /// beside its pictures, a rendering writes them instead
    #[arg(long, help_heading = "Files")]
    pub bright: bool,
    /// Peak luminance of the display that --bright is for, cd/m2, 203 to 10000
    #[arg(long, value_name = "CD/M2", default_value_t = Delivery::default().peak, value_parser = between::<203, 10_000>, help_heading = "Files")]
    pub peak: f64,
    #[command(flatten)]
    pub map: Map,
    /// Carry over where the reference frame was taken, if its file says so
    #[arg(long, help_heading = "Files")]
    pub keep_place: bool,
}

/// How the OpenEXR map is written.
#[derive(Debug, Args)]
pub struct Map {
    /// Samples of radiance in the OpenEXR map
    #[arg(long, value_enum, default_value_t = SamplesArgument::Float, help_heading = "Files")]
    pub map_samples: SamplesArgument,
    /// Compression of the OpenEXR map
    #[arg(long, value_enum, default_value_t = SchemeArgument::Pxr24, help_heading = "Files")]
    pub map_compression: SchemeArgument,
}

/// Samples of a map.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SamplesArgument {
    /// 32 bits, of which PXR24 keeps 16 significant ones and ZIP all
    Float,
    /// 16 bits: 11 significant ones, up to 65504
    Half,
}

/// Compression of a map.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SchemeArgument {
    /// Smallest and fastest here
    Pxr24,
    /// Exact, and read by every reader
    Zip,
}

/// Resolution of colour differences.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SubsamplingArgument {
    /// 4:4:4
    Full,
    /// 4:2:0
    Half,
}

#[derive(Debug, Args)]
pub struct Render {
    /// The map: OpenEXR, Radiance RGBE, or a JPEG with a gain map
    #[arg(value_name = "MAP")]
    pub map: PathBuf,
    /// The picture: .jpg, .png (16-bit) or .tif (16-bit); may be given several times
    #[arg(long, value_name = "FILE", required = true)]
    pub out: Vec<PathBuf>,
    #[command(flatten)]
    pub tone: Tone,
    #[command(flatten)]
    pub files: Files,
    /// Largest map accepted, in pixels
    #[arg(long, value_name = "N", default_value_t = Limits::default().pixels)]
    pub max_pixels: u64,
    /// Most memory that a map may take by estimate, such as 4GB [default: three quarters of what the machine has]
    #[arg(long, value_name = "SIZE", value_parser = values::memory)]
    pub max_memory: Option<u64>,
    /// Replace files that are there
    #[arg(long)]
    pub overwrite: bool,
    /// Number of threads [default: all cores]; results do not depend on it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub threads: Option<u16>,
    /// No progress
    #[arg(long, short)]
    pub quiet: bool,
}

/// A finite number within limits.
fn between<const LOW: i32, const HIGH: i32>(text: &str) -> Result<f64, String> {
    let number: f64 = text.trim().parse().map_err(|e| format!("{e}"))?;
    if (f64::from(LOW)..=f64::from(HIGH)).contains(&number) {
        Ok(number)
    } else {
        Err(format!("not between {LOW} and {HIGH}"))
    }
}

impl Tone {
    /// True where the picture is to be made from the frames.
    pub fn fuse(&self) -> bool {
        self.tone == OperatorArgument::ExposureFusion
    }

    pub fn settings(&self) -> ToneSettings {
        ToneSettings {
            operator: match self.tone {
                OperatorArgument::DefaultLook => Operator::DefaultLook,
                OperatorArgument::Photographic => Operator::Photographic,
                OperatorArgument::Logarithmic => Operator::Logarithmic,
                OperatorArgument::Bilateral => Operator::Bilateral,
                OperatorArgument::ExposureFusion => Operator::default(),
            },
            exposure_stops: self.tone_exposure,
            highlights_stops: self.tone_highlights,
            shadows_stops: self.tone_shadows,
            local_contrast_stops: self.tone_local_contrast,
            saturation: self.tone_saturation,
            output: match self.output_colour {
                ColourArgument::Srgb => OutputColour::Srgb,
                ColourArgument::DisplayP3 => OutputColour::DisplayP3,
            },
            ..ToneSettings::default()
        }
    }
}

impl Files {
    pub fn delivery(&self) -> Delivery {
        Delivery {
            jpeg_quality: self.jpeg_quality,
            jpeg_subsampling: match self.jpeg_subsampling {
                SubsamplingArgument::Full => Subsampling::Full,
                SubsamplingArgument::Half => Subsampling::Half,
            },
            bright: self.bright,
            peak: self.peak,
            place: self.keep_place,
            ..self.map.delivery()
        }
    }
}
impl Map {
    /// The usual delivery but for the map.
    pub fn delivery(&self) -> Delivery {
        Delivery {
            map_samples: match self.map_samples {
                SamplesArgument::Float => Kind::Float,
                SamplesArgument::Half => Kind::Half,
            },
            map_scheme: match self.map_compression {
                SchemeArgument::Pxr24 => Scheme::Pxr24,
                SchemeArgument::Zip => Scheme::Zip,
            },
            ..Delivery::default()
        }
    }
}

impl Render {
    pub fn settings(&self) -> Result<RenderSettings, Error> {
        if self.tone.fuse() {
            let problem = "exposure fusion works on frames, and a map has none; use it with run";
            return Err(Error::request(Setting::Tone, problem));
        }
        Ok(RenderSettings {
            map: self.map.clone(),
            out: self.out.clone(),
            tone: self.tone.settings(),
            delivery: self.files.delivery(),
            limits: Limits {
                pixels: self.max_pixels,
                memory: self.max_memory.unwrap_or_else(share_of_machine),
                accept_damaged: false,
            },
            overwrite: self.overwrite,
        })
    }
}
