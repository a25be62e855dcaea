//! What a decoder may spend, and what it is told beside the file.

use crate::Cfa;

/// What one file may cost at most. Anything beyond is refused with an error about that file.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Limits {
    /// Pixels across.
    pub max_width: usize,
    /// Pixels down.
    pub max_height: usize,
    /// Bytes: the address space of the decoding process, and the samples of one file.
    pub max_memory_bytes: u64,
    /// Bytes that the program itself may take to work on the frame, at [`Limits::WORKING_BYTES`] a pixel.
    pub max_working_bytes: u64,
    /// Seconds by the wall clock.
    pub max_seconds: f64,
}

impl Limits {
    /// What the program takes at most for each pixel of a frame while it is decoded, demosaiced and measured: eight
    /// planes of 32-bit floats; a frame of 60 megapixels takes up to 2 GiB.
    pub const WORKING_BYTES: u64 = 34;
}

impl Default for Limits {
    /// 20 000 × 20 000 pixels, 2 GiB for the decoder, 4 GiB for the work (126 megapixels), 60 s: more than any camera
    /// sold today.
    fn default() -> Self {
        Self {
            max_width: 20_000,
            max_height: 20_000,
            max_memory_bytes: 2 << 30,
            max_working_bytes: 4 << 30,
            max_seconds: 60.0,
        }
    }
}

/// The order in which a FITS file stores its rows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FitsRows {
    /// The first stored row is the bottom of the picture, the custom of FITS.
    BottomUp,
    /// The first stored row is the top of the picture, as camera programs often write.
    TopDown,
}

/// What the photographer knows and the file does not say. The default adds nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct DecodeOptions {
    /// The filters of two-dimensional FITS frames, from the top left pixel of the *upright*
    /// picture on; goes before the file's own keyword.
    pub fits_cfa: Option<Cfa>,
    /// The row order of FITS frames; goes before the file's own keyword.
    pub fits_rows: Option<FitsRows>,
    /// The level of no light in FITS frames, in the file's physical units.
    pub fits_black: Option<f64>,
    /// The level of saturation in FITS frames, in the file's physical units.
    pub fits_white: Option<f64>,
    /// How a picture with EXIF is to be turned, 1 to 8; goes before the file's own orientation, which a camera that looks up
    /// tells by chance.
    pub orientation: Option<u8>,
    /// Take a file although some of its rows are not what the sensor gave.
    pub damaged_too: bool,
}
