//! What the page shows of registration and motion.
use ndarray::Array3;
use stopspan_core::raster::Quad;

/// Pictures of how the frames of a bracket lay and of what moved.
#[derive(Debug, Clone)]
pub struct Registered {
    /// The reference frame in grey, shape (rows, columns, 3), any size: it is reduced for the page. Outlines are in its pixels.
    pub reference: Array3<u8>,
    /// Where the frames lay, the reference's own among them; empty where none was displaced.
    pub outlines: Vec<Outline>,
    /// The reference frame in grey with what moved tinted, any size; `None` where nothing did.
    pub moved: Option<Array3<u8>>,
    /// Share of the picture, 0..=1, where each frame was left out because something moved; empty where nothing did.
    pub left_out: Vec<f64>,
    /// A detail merged without and with registration, 8-bit sRGB; `None` where no frame was displaced.
    pub detail: Option<[Array3<u8>; 2]>,
}

/// The outline of one frame.
#[derive(Debug, Clone, Copy)]
pub struct Outline {
    /// Index of the frame.
    pub frame: usize,
    /// Its corners, pixels of [`Registered::reference`].
    pub corners: Quad,
}
