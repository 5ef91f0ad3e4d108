//! Doubts carried beside results, as typed data with numbers. The words for a person are made at the edge (in `report`).
use serde::{Deserialize, Serialize};

/// How much a finding matters to a reader of the figures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Worth knowing; no figure changes.
    Note,
    /// A figure is affected or could not be checked.
    Warning,
}

/// Why a wedge may have more steps than were found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EndDoubt {
    /// The frame ends where the next patch would lie.
    FrameEdge,
    /// The card there is as light as the next step would be.
    LikeTheCard,
    /// What lies there is flat, stands out from the card and is as light as a further step would be.
    LikeAStep,
}

/// An end of a wedge that is in doubt.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct WedgeEnd {
    /// True for the lightest step's end, false for the darkest step's.
    pub lighter: bool,
    /// Why.
    pub because: EndDoubt,
}

/// One doubt, with the numbers that raised it. Frames are named by file name.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
#[allow(missing_docs)] // each variant is documented; its fields carry their unit in their names
pub enum Finding {
    /// A metadata tag holds a value that cannot be true (zero, infinite, absurd); it was not used.
    TagUnusable {
        frame: String,
        tag: String,
        value: String,
    },
    /// A metadata tag is missing and a fallback was used.
    TagMissing {
        frame: String,
        tag: String,
        used: String,
    },
    /// ExposureTime and ShutterSpeedValue differ by more than 1/6 EV.
    TimesDisagree {
        frame: String,
        exposure_time_s: f64,
        shutter_speed_value_s: f64,
    },
    /// A nominal marking was replaced by the exact power of two it stands for.
    NominalSnapped {
        frame: String,
        nominal_s: f64,
        exact_s: f64,
        difference_stops: f64,
    },
    /// A nominal f-number or ISO speed was replaced by the exact value it stands for. `difference_stops` is of light.
    SettingSnapped {
        frame: String,
        setting: String,
        nominal: f64,
        exact: f64,
        difference_stops: f64,
    },
    /// The stated exposure of a frame disagrees with the pixels. Both are relative to the reference frame, stops; `used_measured`
    /// tells which one the merge uses.
    StatedExposureFalse {
        frame: String,
        stated_stops: f64,
        measured_stops: f64,
        standard_uncertainty_stops: f64,
        used_measured: bool,
    },
    /// The stated step between two frames disagrees with their pixels, on the scale on which most other steps agree; the
    /// measured one was used.
    StatedStepFalse {
        first: String,
        second: String,
        stated_stops: f64,
        measured_stops: f64,
        standard_uncertainty_stops: f64,
    },
    /// The stated exposures make the response curve steeper than any known one, so they are further apart than they were: stops
    /// between two 8-bit codes by the fit, on average over known curves, and the most that are believed.
    SpanBeyondCurves {
        low_code: f64,
        high_code: f64,
        fitted_stops: f64,
        known_stops: f64,
        most_stops: f64,
    },
    /// The total span of the bracket comes from metadata alone: pixels cannot give it.
    SpanFromMetadata {
        span_stops: f64,
        standard_uncertainty_stops: f64,
    },
    /// Exposure ratios were not known and were guessed from pixels; range figures are relative.
    SpanUnknown { assumed_span_stops: f64 },
    /// Pairwise ratios do not close over a triple of frames.
    ClosureFails {
        first: String,
        second: String,
        third: String,
        closure_stops: f64,
        standard_uncertainty_stops: f64,
    },
    /// The black level that a raw file states contradicts its pixels, which were believed. Codes of the file; planes are
    /// counted red, green, green, blue in a mosaic.
    BlackLevelWrong {
        plane: usize,
        stated_codes: f64,
        used_codes: f64,
    },
    /// The white level that a raw file states is not where its samples saturate; the pixels were believed.
    WhiteLevelWrong {
        plane: usize,
        stated_codes: f64,
        used_codes: f64,
    },
    /// A raw file asks for corrections (opcodes of the DNG specification, by name) that were not carried out.
    CorrectionsNotMade { frame: String, names: Vec<String> },
    /// A raw file asks to be shown lighter or darker by so many stops (BaselineExposure); radiance is left as the sensor has it.
    BaselineExposure { frame: String, stops: f64 },
    /// Where the colours of raw frames come from: the light's correlated colour temperature by the file's matrices, kelvin.
    ColoursByMatrices { temperature_k: f64 },
    /// A raw file does not say enough of its camera's colours; `used` says what they were taken for.
    ColoursUnknown { frame: String, used: String },
    /// A dark frame was subtracted; `same_time` says whether it was exposed as long as the frame.
    DarkSubtracted {
        frame: String,
        dark: String,
        same_time: bool,
    },
    /// Raw frames are not in register to the pixel: they were demosaiced before they were merged, not after.
    DemosaicedFirst,
    /// So many frames have constant borders that are no light of the scene; they were left out, as were the pixels mixed with them.
    BordersLeftOut { frames: usize, widest_px: usize },
    /// A frame was left out.
    FrameLeftOut { frame: String, reason: String },
    /// A frame was taken to be the camera's own finished HDR picture. `reason` names the evidence.
    CameraHdrRecognised { frame: String, reason: String },
    /// A frame belongs to no bracket.
    Single { frame: String },
    /// The response curve leans on little data; `number` is what was found, `wanted` what it should be.
    ResponseThin {
        what: String,
        number: f64,
        wanted: f64,
    },
    /// The frames were taken to be linear. `evidence` says why.
    TakenAsLinear { evidence: String },
    /// Linear levels lie on lines that meet at this level instead of zero: it is subtracted. Channel 0 is red, or mono.
    BlackOffset {
        channel: usize,
        offset_codes: f64,
        standard_uncertainty_codes: f64,
    },
    /// The noise estimate is limited by compression rather than by the sensor.
    NoiseCompressionLimited {
        code_noise: f64,
        quantisation_bound: f64,
    },
    /// The noise of JPEG pixels is smoothed: means of 8 x 8 pixels vary `ratio` times as much as independent pixels would.
    NoiseSmoothed { ratio: f64 },
    /// The noise that a raw file states is not what its pixels show; the pixels were believed. Ratios measured over stated, of
    /// the variance per exposure and of the deviation in the dark.
    NoiseProfileDiffers { shot_ratio: f64, dark_ratio: f64 },
    /// Too little data for a noise model; the one that the raw file states was used.
    NoiseAsStated,
    /// Steps told apart per pixel because compression hid the noise: `noise` of them, but only `block` by the noise of means
    /// of 8 x 8 pixels, which compression spares.
    LevelsFlattered { noise: usize, block: usize },
    /// Too little data for a noise model; a conservative one was assumed.
    NoiseAssumed { samples: usize, wanted: usize },
    /// Frames are displaced against the reference.
    Displaced {
        frame: String,
        columns: f64,
        rows: f64,
        degrees: f64,
        residual_px: f64,
    },
    /// A frame's scale differs from the reference's: its enlargement.
    Enlarged { frame: String, scale: f64 },
    /// So many of a frame's tiles lie more than half a pixel from where the motion puts them.
    OutOfRegister {
        frame: String,
        tiles: usize,
        of_tiles: usize,
        largest_px: f64,
    },
    /// A frame shows too little to be registered by itself. It was placed like its neighbour in exposure, because the other
    /// frames lie still and nothing in it contradicts that.
    PlacedLikeNeighbour { frame: String, neighbour: String },
    /// The few areas of a frame that could be compared do not align it to half a pixel. The standard uncertainty is in pixels.
    AlignedByLittle {
        frame: String,
        areas: usize,
        standard_uncertainty_px: f64,
    },
    /// Registration failed for a frame; it was left as it is or left out.
    RegistrationFailed { frame: String, reason: String },
    /// Something moved between the frames.
    Moved { share: f64 },
    /// Where something moved and the reference frame is clipped, the light of another frame, of its own moment, stands.
    OtherMoment { share: f64 },
    /// A frame's light ripples down its rows against the reference frame's (lamps on the mains, dimmed LEDs): amplitude,
    /// per cent of the light. Not taken out; the exposure's uncertainty was widened by its deviation.
    Banding {
        frame: String,
        amplitude_percent: f64,
        cycles: f64,
        widened_stops: f64,
    },
    /// A frame's colour balance differs from that of most frames (of two, from the reference's), in stops relative to green;
    /// the merge takes it out.
    BalanceDrift {
        frame: String,
        red_stops: f64,
        blue_stops: f64,
        standard_uncertainty_stops: f64,
    },
    /// No wedge was found. `looked_for` says what was looked for.
    NoWedge { looked_for: String },
    /// A wedge was found automatically, with this confidence in 0..1.
    WedgeFound { confidence: f64, steps: usize },
    /// The darkest step that was found lies so deep in the noise of the merge that darker ones of the chart may have been
    /// missed: its number, and its SNR per pixel.
    WedgeMayGoOn { step: usize, snr: f64 },
    /// Another bracket of the run counted more steps on the wedge, which is one and the same: `steps` were found here, `seen` there.
    WedgeSeenFurther { steps: usize, seen: usize },
    /// What lies beyond an end of the wedge that was found may be a further step, so that `steps` is the least number it has.
    WedgeEndUnsure { steps: usize, end: WedgeEnd },
    /// The grid, stated with the corners or found, does not fit the patches: in the middle of so many of its patches a step lies.
    WedgeGridDoubtful { steps_within: usize, patches: usize },
    /// So many of the clear pairs of neighbouring steps get lighter where they should get darker.
    WedgeOrderDoubtful {
        picture: String,
        reversals: usize,
        pairs: usize,
    },
    /// So many pairs of neighbouring patches show one and the same step, though others differ.
    WedgeStepsRepeated {
        picture: String,
        same: usize,
        pairs: usize,
    },
    /// The wedge's corners given lie outside the frame, or its patches are too small. Size in pixels.
    WedgeUnusable { reason: String, patch_px: f64 },
    /// Every step is told apart: the range is a lower bound.
    ChartLimited { picture: String },
    /// Neighbouring steps that the merge tells apart by noise and the rendering shows less than one 8-bit code, or less than
    /// one step of CIE lightness, apart; each by its lighter step's number. `told_apart` pairs are told apart by the merge.
    StepsJoinedInRendering {
        picture: String,
        told_apart: usize,
        below_code: Vec<usize>,
        below_lightness: Vec<usize>,
    },
    /// A usable range reaches beyond the darkest step: there it leans on the fitted noise model, not on a patch.
    RangeBeyondWedge { snr: f64, beyond_stops: f64 },
    /// Densities are not known: they were taken from the merge.
    DensitiesFromMerge,
    /// A wrong density list: numbers measured and stated disagree. Root mean square in density.
    DensitiesDisagree { rms: f64 },
    /// Illumination falls off over the wedge (stops, corner to centre), residual after removal in density.
    UnevenLight {
        fall_off_stops: f64,
        residual_density: f64,
    },
    /// A candidate for a wedge was seen but is too doubtful to be measured. Confidence in 0..1.
    WedgeDoubtful { confidence: f64, steps: usize },
    /// Steps at the ends of a wedge could not be seen apart: the grid of the others was carried on to `steps` of them, over
    /// `lighter` clipped ones beyond the lightest, and `darker` ones that the wedge is known to have beyond the darkest.
    WedgeCarriedOn {
        steps: usize,
        lighter: usize,
        darker: usize,
    },
    /// No wedge was found in this picture: it was measured where another picture of the same camera shows it, the two being brought
    /// into register.
    WedgePlacedBy { picture: String },
    /// A second wedge is in view, of so many steps, at these places of its middle; the surer one was measured.
    SecondWedge {
        steps: usize,
        column_px: f64,
        row_px: f64,
    },
    /// Linear light was assumed after IEC 61966-2-1, so that no figure in stops is given.
    LightAssumed,
    /// The clip level lies so many stops above the lightest step, too far to carry the curve on: every range is a lower bound.
    ClipBeyondWedge { beyond_stops: f64 },
    /// A wedge file was made for pictures of another size: its grid and densities were used, its corners not.
    WedgeFileOtherSize {
        file: String,
        file_columns: usize,
        file_rows: usize,
        columns: usize,
        rows: usize,
    },
    /// The standard uncertainty of the densities was not stated: this one was assumed.
    DensityUncertaintyAssumed { density: f64 },
    /// Log radiance measured over log radiance by the known densities, and what that makes of the span of the exposures.
    /// `used` says whether exposures, response and ranges were corrected by it.
    SpanByWedge {
        exponent: f64,
        standard_uncertainty: f64,
        span_before_stops: f64,
        span_by_wedge_stops: f64,
        used: bool,
    },
    /// Veiling glare was seen on the known densities, as a share of the light of density 0.
    VeilingGlare {
        share: f64,
        low95: f64,
        high95: f64,
        sigma: f64,
        ceiling_stops: f64,
    },
    /// Along this wedge density and fall-off of the light cannot be told apart; this much density was allowed for it.
    LightNotSeparable { density: f64 },
    /// Known densities could not be held against the light. `reason` says why.
    DensitiesNotUsed { reason: String },
    /// Patches so small that the measured interiors keep less than a JPEG block away from their edges.
    PatchesSmall {
        side_px: f64,
        guard_px: f64,
        wanted_px: f64,
    },
    /// Illumination fell off over the wedge by this much and was evened by a flat field.
    LightEvened { fall_off_stops: f64 },
    /// A patch holds texture, dust or an edge; robust statistics were used.
    PatchTextured { step: usize, ratio: f64 },
    /// A figure could not be given.
    FigureRefused { figure: String, reason: String },
    /// An input is a damaged file that was used because the user asked for it.
    DamagedAccepted { frame: String },
    /// The colour profile could not be used.
    ProfileIgnored { frame: String, reason: String },
}
