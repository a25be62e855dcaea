//! The picture by any settings as a file: for a screen, for paper, for going on elsewhere.

use std::convert::Infallible;
use std::path::Path;

use nightloom_outing::{FilesSettings, PictureSettings};
use nightloom_raster::atomic::write_whole;
use nightloom_raster::colour::{apply_matrix, rec2020_to_srgb, srgb_decode, srgb_encode};
use nightloom_raster::resize::reduce_rows;
use nightloom_raster::write::{
    PlaneRows, TiffPage, TiffSettings, TiffShape, WriteError, jpeg_bytes_about, png_bytes_about,
    write_tiff16_pages,
};
use nightloom_raster::{Plane, Rgb, icc};
use rayon::prelude::*;

use super::live::{LiveDevelopment, LiveDevelopmentError};
use super::sharpen::sharpen;

/// Quality of a JPEG that is given away (common practice, no source).
const QUALITY: u8 = 92;
/// Rows developed at a time.
const BAND: usize = 64;
/// The longest side asked for lies between these.
const SIDE_PX: std::ops::RangeInclusive<usize> = 16..=65_000;

/// What kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ExportKind {
    /// 8 bits, sRGB, lossy.
    Jpeg,
    /// 8 bits, sRGB.
    Png,
    /// 16 bits, Rec. 2020 primaries with the sRGB curve, as the build writes.
    Tiff,
}

impl ExportKind {
    /// The ending of its name.
    pub fn ending(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
            Self::Tiff => "tif",
        }
    }
}

/// How the picture is to be given away.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Export {
    /// What kind of file.
    pub kind: ExportKind,
    /// Pixels of the longer side; the picture's own size if none is given. No picture is enlarged.
    pub long_px: Option<usize>,
    /// How much it is sharpened, 0 to 2.
    pub sharpen: f32,
    /// `[left, top, right, bottom]` in pixels of the picture before it is turned, right and bottom excluded; all of it if none
    /// is given.
    pub crop: Option<[usize; 4]>,
}

/// The file could not be made.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The layers say no.
    #[error(transparent)]
    Layers(#[from] LiveDevelopmentError),
    /// What was asked cannot be.
    #[error("{0}")]
    Asked(String),
    /// The disk says no.
    #[error("the file could not be written ({0}); check the room left on the disk")]
    Write(String),
}

impl From<WriteError> for ExportError {
    fn from(error: WriteError) -> Self {
        Self::Write(error.to_string())
    }
}

impl LiveDevelopment {
    /// Writes the picture by these settings to `path`, which appears whole or not at all, with what `files` has it say of
    /// itself. Returns its size.
    ///
    /// Reduced in light, over areas; sharpened after that, as it is shown.
    ///
    /// # Errors
    /// [`ExportError`].
    pub fn export(
        &self,
        settings: &PictureSettings,
        wanted: &Export,
        files: &FilesSettings,
        path: &Path,
    ) -> Result<[usize; 2], ExportError> {
        let shown = self.shown(settings, self.cropped(wanted)?)?;
        let (width, height) = (shown.width(), shown.height());
        let long = wanted.long_px.unwrap_or(usize::MAX);
        if !SIDE_PX.contains(&long) && wanted.long_px.is_some() {
            return Err(ExportError::Asked(format!(
                "expected a longer side from {} to {} pixels, found {long}",
                SIDE_PX.start(),
                SIDE_PX.end()
            )));
        }
        let mut shown = match long < width.max(height) {
            true => reduced(shown, long),
            false => shown,
        };
        if wanted.kind != ExportKind::Tiff {
            to_srgb(&mut shown);
        }
        sharpen(&mut shown, wanted.sharpen.clamp(0.0, 2.0));
        let size = [shown.width(), shown.height()];
        let about = self.about(files);
        match wanted.kind {
            ExportKind::Jpeg => whole(path, &jpeg_bytes_about(&shown, QUALITY, &icc::srgb(), &about)?)?,
            ExportKind::Png => whole(path, &png_bytes_about(&shown, &icc::srgb(), &about)?)?,
            ExportKind::Tiff => {
                let [r, g, b] = shown.planes();
                let page = TiffPage {
                    shape: TiffShape {
                        width: size[0],
                        height: size[1],
                        channels: 3,
                    },
                    icc: &icc::rec2020_srgb_curve(),
                    name: None,
                    rows: &PlaneRows(&[r, g, b]),
                };
                write_tiff16_pages(path, &[page], &about, TiffSettings::default())?;
            }
        }
        Ok(size)
    }

    fn cropped(&self, wanted: &Export) -> Result<[usize; 4], ExportError> {
        let [width, height] = self.size_px();
        let whole = [0, 0, width, height];
        let [left, top, right, bottom] = wanted.crop.unwrap_or(whole);
        if left < right && top < bottom && right <= width && bottom <= height {
            return Ok([left, top, right, bottom]);
        }
        Err(ExportError::Asked(format!(
            "expected a box inside the picture's {width} × {height} px, found {left}, {top} to {right}, {bottom}"
        )))
    }

    /// The developed part, display-encoded with Rec. 2020 primaries.
    fn shown(&self, settings: &PictureSettings, frame: [usize; 4]) -> Result<Rgb, ExportError> {
        let framed = self.framed(settings, frame);
        let [width, height] = framed.size();
        let mut out = Rgb::filled(width, height, [0.0; 3]);
        for first in (0..height).step_by(BAND) {
            let rows = BAND.min(height - first);
            let band = framed.rows(first, rows)?;
            for (y, row) in (first..).zip(band) {
                for (plane, values) in out.planes_mut().iter_mut().zip(row) {
                    plane.row_mut(y).copy_from_slice(&values);
                }
            }
        }
        Ok(out)
    }
}

fn whole(path: &Path, bytes: &[u8]) -> Result<(), ExportError> {
    write_whole(path, |out| std::io::Write::write_all(out, bytes))
        .map_err(|e| ExportError::Write(e.to_string()))
}

/// At most `long` pixels long, reduced in light.
fn reduced(picture: Rgb, long: usize) -> Rgb {
    let row = |y: usize, out: &mut [f32]| {
        let rows = picture.planes().each_ref().map(|p| p.row(y));
        for (x, pixel) in out.chunks_exact_mut(3).enumerate() {
            pixel
                .iter_mut()
                .zip(rows)
                .for_each(|(o, row)| *o = srgb_decode(row[x]));
        }
        Ok::<_, Infallible>(())
    };
    let small = match reduce_rows((picture.width(), picture.height()), long, 3, row) {
        Ok(small) => small,
        Err(never) => match never {},
    };
    let (width, height, pixels) = (small.width, small.height, small.samples);
    let plane = |c: usize| {
        let values = pixels.iter().skip(c).step_by(3).map(|v| srgb_encode(*v));
        Plane::from_vec(width, height, values.collect())
    };
    Rgb::from_planes([plane(0), plane(1), plane(2)])
}

/// From Rec. 2020 primaries to sRGB's, both display-encoded.
fn to_srgb(picture: &mut Rgb) {
    let each = |picture: &mut Rgb, change: fn(f32) -> f32| {
        for plane in picture.planes_mut() {
            plane.data_mut().par_iter_mut().for_each(|v| *v = change(*v));
        }
    };
    each(picture, srgb_decode);
    apply_matrix(picture, &rec2020_to_srgb().map(|row| row.map(|v| v as f32)));
    each(picture, |v| srgb_encode(v.clamp(0.0, 1.0)));
}
