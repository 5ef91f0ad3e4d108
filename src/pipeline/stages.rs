//! The stages one by one, for users of the library; [`run`](super::run) takes a bracket through all of them.
use super::registering;
use ndarray::Array3;
use stopspan_core::Error;
use stopspan_core::model::{Bracket, Merged, Recovered, Registered};
use stopspan_core::raster::Pixels;
use stopspan_core::results::BracketMeasurement;
use stopspan_measure::{Located, calibrate::CalibrationOutcome, measure_bracket};
use stopspan_response::ResponseRequest;

/// Registers the frames of a bracket to its reference frame. Neither exposures nor a response are needed.
///
/// ```
#[doc = include_str!("example/inputs.txt")]
#[doc = include_str!("example/bracket.txt")]
/// let registered = register(bracket);
/// let corners = registered.registration.unwrap().placements;
/// assert_eq!(corners.len(), 3);
#[doc = include_str!("example/end.txt")]
/// ```
pub fn register(bracket: Bracket) -> Registered {
    registering::register(bracket, true)
}

/// Recovers the response curve of each channel, exposure ratios and noise from a registered bracket. Motion is not looked for.
///
/// # Errors
/// [`Error::Bracket`] where the frames cannot support the response that is asked for.
///
/// ```
#[doc = include_str!("example/inputs.txt")]
#[doc = include_str!("example/bracket.txt")]
/// let recovered = recover(register(bracket), ResponseRequest::Fit)?;
/// assert_eq!(recovered.response.curves.len(), 3);
#[doc = include_str!("example/end.txt")]
/// ```
pub fn recover(registered: Registered, request: ResponseRequest) -> Result<Recovered, Error> {
    super::recover(registered, request)
}

/// Merges a bracket into a radiance map with uncertainty and flags.
///
/// # Errors
/// [`Error::Bracket`] where every pixel is clipped in every frame.
///
/// ```
#[doc = include_str!("example/inputs.txt")]
#[doc = include_str!("example/bracket.txt")]
/// let merged = merge(recover(register(bracket), ResponseRequest::Fit)?)?;
/// assert_eq!(merged.map.radiance.dim(), (120, 160, 3));
/// assert!(merged.map.statistical.iter().all(|sigma| *sigma > 0.0));
#[doc = include_str!("example/end.txt")]
/// ```
pub fn merge(recovered: Recovered) -> Result<Merged, Error> {
    super::merged(recovered)
}

/// Measures every picture of a bracket, with `rendered` the picture that [`render`](stopspan_tone::render) makes of the map: on the
/// wedge, where one was found, steps resolved and usable range in stops; without one the range alone.
///
/// ```
#[doc = include_str!("example/inputs.txt")]
#[doc = include_str!("example/bracket.txt")]
#[doc = include_str!("example/merged.txt")]
/// let wedge = find_wedge(&merged.map, &WedgeRequest::default())?;
/// let rendered = render(&merged.map, &ToneSettings::default());
/// let measured = measure(&merged, &rendered, wedge);
/// assert_eq!(measured.pictures.frames.len(), 3);
#[doc = include_str!("example/end.txt")]
/// ```
pub fn measure(merged: &Merged, rendered: &Array3<u16>, wedge: Located) -> BracketMeasurement {
    let camera_at = stopspan_align::locate_camera_picture(&merged.frames.bracket);
    let eight = Pixels::U8(stopspan_tone::to_8_bit(rendered));
    measure_bracket(
        merged,
        &eight,
        camera_at,
        wedge,
        CalibrationOutcome::default(),
    )
}
