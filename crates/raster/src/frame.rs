//! One exposure as it came out of a file.

use crate::{Cfa, Plane, Rgb};

/// Undemosaiced data of a sensor under filters: black subtracted, 1.0 is the sensor's saturation. May hold values
/// below zero (noise about black), which must be kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Mosaic {
    /// The values.
    pub plane: Plane,
    /// The filters.
    pub cfa: Cfa,
}

/// What a file holds, linear, black subtracted, 1.0 at saturation.
#[derive(Clone, Debug, PartialEq)]
pub enum Pixels {
    /// A mosaic of filters.
    Mosaic(Mosaic),
    /// Colour, already demosaiced; camera or file RGB as [`CameraColour`] says.
    Rgb(Rgb),
    /// One channel without colour.
    Grey(Plane),
}

impl Pixels {
    /// BLAKE3 of the values: the same for files that differ in nothing but what they say.
    pub fn content_hash(&self) -> [u8; 32] {
        let mut hasher = blake3::Hasher::new();
        let (width, height) = self.size();
        hasher.update(&(width as u64).to_le_bytes());
        hasher.update(&(height as u64).to_le_bytes());
        let mut add = |plane: &Plane| {
            hasher.update(bytemuck::cast_slice(plane.data()));
        };
        match self {
            Self::Mosaic(m) => add(&m.plane),
            Self::Rgb(p) => p.planes().iter().for_each(add),
            Self::Grey(p) => add(p),
        }
        *hasher.finalize().as_bytes()
    }

    /// The sensor's own values, under filters or none; the pixels as they came where colour was mixed or a display
    /// encoding was undone (`was_linear` false).
    ///
    /// # Errors
    /// The pixels, unchanged.
    pub fn unmixed(self, was_linear: bool) -> Result<Mosaic, Self> {
        match self {
            Self::Mosaic(mosaic) => Ok(mosaic),
            Self::Grey(plane) if was_linear => Ok(Mosaic {
                plane,
                cfa: Cfa::NONE,
            }),
            other => Err(other),
        }
    }

    /// Width and height in pixels.
    pub fn size(&self) -> (usize, usize) {
        match self {
            Self::Mosaic(m) => (m.plane.width(), m.plane.height()),
            Self::Rgb(p) => (p.width(), p.height()),
            Self::Grey(p) => (p.width(), p.height()),
        }
    }
}

/// How the numbers of a frame become colour.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct CameraColour {
    /// White balance as shot: factors for R, G, B with green 1.
    pub white_balance: [f32; 3],
    /// Row-major matrix from white-balanced camera RGB to linear Rec. 2020 (D65).
    pub to_working: [[f32; 3]; 3],
}

impl Default for CameraColour {
    /// Already in the working space.
    fn default() -> Self {
        Self {
            white_balance: [1.0; 3],
            to_working: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        }
    }
}

/// The distance that stands for infinity, metres: no lens tells it from that, and it is a number in JSON.
pub const FAR_M: f64 = 1e9;

/// What the file says of the exposure. Absent fields are `None`, never a guess.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FrameMeta {
    /// Shutter time, seconds.
    pub exposure_s: Option<f64>,
    /// Relative aperture.
    pub f_number: Option<f64>,
    /// ISO speed.
    pub iso: Option<f64>,
    /// Focal length, millimetres.
    pub focal_mm: Option<f64>,
    /// 35 mm equivalent focal length, millimetres.
    pub focal_35mm: Option<f64>,
    /// Pixel pitch in micrometres where the file tells (focal-plane resolution).
    pub pixel_um: Option<f64>,
    /// Distance that was focused on, metres; [`FAR_M`] where the file says infinity.
    pub focus_m: Option<f64>,
    /// Start of the exposure by the camera's clock, RFC 3339 without zone, with sub-seconds.
    pub taken_local: Option<String>,
    /// The offset the file gives for that clock, as `+02:00`.
    pub taken_offset: Option<String>,
    /// Camera maker.
    pub make: Option<String>,
    /// Camera model.
    pub model: Option<String>,
    /// Body serial number.
    pub serial: Option<String>,
    /// Lens model.
    pub lens: Option<String>,
    /// Latitude (north positive), longitude (east positive), degrees.
    pub gps_deg: Option<[f64; 2]>,
    /// Height above sea, metres.
    pub gps_elevation_m: Option<f64>,
    /// EXIF orientation 1 to 8, already applied to the pixels; kept as a record.
    pub orientation: Option<u8>,
}

/// The file's own numbers of no light and of saturation.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Levels {
    /// No light, in the upright picture's order of [`Cfa`]: (0,0), (1,0), (0,1), (1,1); of RGB and of cells of 6 × 6
    /// per colour (the mean), the last again.
    pub black: [f32; 4],
    /// Saturation, in the same order.
    pub white: [f32; 4],
}

impl Levels {
    /// How many of the file's numbers one unit of the linear values is, in the same order.
    pub fn span(&self) -> [f32; 4] {
        std::array::from_fn(|i| self.white[i] - self.black[i])
    }
}

/// One exposure out of one file.
#[derive(Clone, Debug, PartialEq)]
pub struct Frame {
    /// The pixels, oriented upright.
    pub pixels: Pixels,
    /// Colour.
    pub colour: CameraColour,
    /// What the file says.
    pub meta: FrameMeta,
    /// The file's numbers that became 0 and 1.
    pub levels: Levels,
    /// Bits per sample in the file.
    pub bits: u8,
    /// Whether the values were linear in the file (raw, FITS) or were taken out of a display
    /// encoding (JPEG, PNG, most TIFF).
    pub was_linear: bool,
}
