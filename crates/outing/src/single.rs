//! One frame by itself: its stars, and where in the sky it looks.

use std::path::{Path, PathBuf};

use nalgebra::Vector3;
use nightloom_optics::{Lens, Projection};
use nightloom_raster::{DecodeError, DecodeOptions, FrameMeta, Plane};
use nightloom_sky::Instant;
use nightloom_stars::{BlindIdentification, BlindSettings, DetectSettings, Field, identify_blind, measure};

use crate::World;
use crate::build::luminance;

/// Diagonal of the 36 × 24 mm format, millimetres.
const FULL_FRAME_DIAGONAL_MM: f64 = 43.266_615_3;
/// How far a focal length that was told may be off, as a part of it: engraved values are rounded, and
/// lenses breathe.
const TOLD_SHARE: f64 = 0.15;
/// Width of sharp stars, pixels (common practice, no source).
const SHARP_PX: f32 = 2.0;
/// Focal lengths of fisheye lenses in halves of the frame's diagonal: from a whole sky within the frame
/// to 130° across the diagonal.
const FISHEYE: [f64; 2] = [0.4, 0.9];

/// Why a frame could not be looked at.
#[derive(Debug, thiserror::Error)]
pub enum SingleError {
    /// The file cannot be read.
    #[error("{path}: {source}")]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Its trouble.
        source: DecodeError,
    },
    /// A number told of the lens cannot be.
    #[error("{what} must be {expected}, not {got}")]
    Told {
        /// Which.
        what: &'static str,
        /// What it may be.
        expected: &'static str,
        /// What it was.
        got: f64,
    },
}

/// A star of a [`StarsReport`]: pixels, x right, y down, the centre of the first pixel (0, 0).
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct StarReport {
    /// Centre.
    pub x_px: f64,
    /// Centre.
    pub y_px: f64,
    /// Sum above the background, units of saturation.
    pub flux: f32,
    /// Full width at half maximum.
    pub fwhm_px: f32,
    /// Long over short axis.
    pub elongation: f32,
    /// Direction of the long axis from +x (right) towards +y (down), −90° to 90°.
    pub angle_deg: f64,
    /// Signal over noise of the detection.
    pub snr: f32,
    /// Whether pixels of it were saturated.
    pub saturated: bool,
}

/// What one frame tells of its stars.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct StarsReport {
    /// Brightest first.
    pub stars: Vec<StarReport>,
    /// Median level of the sky, units of saturation.
    pub background: f32,
    /// Median noise of one pixel of sky, standard deviation, units of saturation.
    pub noise: f32,
    /// Part of the frame that is land.
    pub land_fraction: f64,
    /// Median full width at half maximum, pixels; 0 without stars.
    pub fwhm_px: f32,
    /// Median elongation; 1 without stars.
    pub elongation: f32,
    /// Width and height.
    pub size_px: [usize; 2],
    /// Time of the measuring, the decoding left out.
    pub seconds: f64,
}

/// What is told of the lens beforehand.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum LensTold {
    /// Nothing but what the file says.
    #[default]
    Nothing,
    /// Focal length in millimetres and distance between pixels in micrometres.
    Focal {
        /// Focal length, millimetres.
        focal_mm: f64,
        /// Pixel pitch, micrometres.
        pitch_um: f64,
    },
    /// Field of view along the longer side, degrees.
    Field {
        /// Degrees.
        field_deg: f64,
    },
}

/// A place in the sky, ICRS.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct SkyPlace {
    /// Right ascension, degrees, 0 to 360.
    pub ra_deg: f64,
    /// Declination, degrees.
    pub dec_deg: f64,
}

/// Where a frame looks. All but `identified`, `matched`, `stars` and `seconds` are absent where it is not
/// identified.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize)]
pub struct IdentifyReport {
    /// Whether the answer is sure.
    pub identified: bool,
    /// Of the picture's middle.
    pub centre: Option<SkyPlace>,
    /// Position angle of the picture's up at its middle, from north through east, 0 to 360.
    pub roll_deg: Option<f64>,
    /// Whether the picture is a mirror image of the sky.
    pub mirrored: Option<bool>,
    /// Of the middle: the root of the sky that one pixel covers.
    pub scale_arcsec_px: Option<f64>,
    /// Across and down the picture through its middle.
    pub field_deg: Option<[f64; 2]>,
    /// Focal length in pixels.
    pub focal_px: Option<f64>,
    /// The lens as the stars say it is; of the picture flipped left to right where `mirrored`.
    pub lens: Option<Lens>,
    /// Stars matched with the catalogue.
    pub matched: usize,
    /// Root mean square distance of the matched stars, pixels.
    pub rms_px: Option<f64>,
    /// Bound on the chance of so good an answer from stars strewn at random.
    pub false_alarm: Option<f64>,
    /// Natural logarithm of the odds, where `false_alarm` is too small for a number.
    pub log_odds: Option<f64>,
    /// Stars found in the frame.
    pub stars: usize,
    /// Time of the measuring and the identifying, the decoding left out.
    pub seconds: f64,
}

/// Measures the stars of one frame.
///
/// # Errors
/// [`SingleError::Unreadable`].
pub fn frame_stars(path: &Path, world: &dyn World) -> Result<StarsReport, SingleError> {
    let (plane, _) = brightness(path, world)?;
    let start = world.seconds();
    let field = measure(&plane, &DetectSettings::default());
    let seconds = world.seconds() - start;
    Ok(StarsReport {
        stars: field
            .stars
            .iter()
            .map(|s| StarReport {
                x_px: s.x,
                y_px: s.y,
                flux: s.flux,
                fwhm_px: s.fwhm_px,
                elongation: s.elongation,
                angle_deg: s.angle.deg(),
                snr: s.snr,
                saturated: s.saturated,
            })
            .collect(),
        background: field.background,
        noise: field.noise,
        land_fraction: 1.0 - field.land.sky_fraction(),
        fwhm_px: field.fwhm_px,
        elongation: field.elongation,
        size_px: [field.width, field.height],
        seconds,
    })
}

/// Finds where in the sky one frame looks.
///
/// What is told of the lens, or what the file says of it, is tried first, then anything.
///
/// # Errors
/// [`SingleError::Unreadable`], [`SingleError::Told`].
pub fn identify_frame(
    path: &Path,
    told: &LensTold,
    world: &dyn World,
) -> Result<IdentifyReport, SingleError> {
    check(told)?;
    let (plane, meta) = brightness(path, world)?;
    let start = world.seconds();
    let when = taken(&meta).unwrap_or_else(|| world.now());
    let size = [plane.width(), plane.height()];
    let hint = tangent(told, &meta, size);
    let mut field = measure(&plane, &DetectSettings::default());
    let mut found = search(&field, hint, when);
    if found.is_none() && field.fwhm_px > 1.3 * SHARP_PX {
        // Leaves and noise may have passed for the stars' width.
        let sharp = DetectSettings {
            fwhm_px: Some(SHARP_PX),
            ..DetectSettings::default()
        };
        let sharper = measure(&plane, &sharp);
        found = search(&sharper, hint, when);
        if found.is_some() {
            field = sharper;
        }
    }
    let seconds = world.seconds() - start;
    let mut report = found.and_then(|f| describe(&f, size)).unwrap_or_default();
    report.stars = field.stars.len();
    report.seconds = seconds;
    Ok(report)
}

/// The likeliest lenses first: as told, any, then a fisheye.
fn search(field: &Field, hint: Option<f64>, when: Instant) -> Option<BlindIdentification> {
    let size = [field.width, field.height];
    let within = |settings: BlindSettings| identify_blind(&field.stars, size, &settings, when);
    let open = BlindSettings::default();
    hint.and_then(|tangent| {
        within(BlindSettings {
            focal_range: [1.0 / (tangent * (1.0 + TOLD_SHARE)), (1.0 + TOLD_SHARE) / tangent],
            ..open
        })
    })
    .or_else(|| within(open))
    .or_else(|| {
        within(BlindSettings {
            projection: Projection::Equidistant,
            focal_range: FISHEYE,
            ..open
        })
    })
}

/// A frame's brightness at full size, and what its file says.
fn brightness(path: &Path, world: &dyn World) -> Result<(Plane, FrameMeta), SingleError> {
    let frame = world
        .decode(path, &DecodeOptions::default())
        .map_err(|source| SingleError::Unreadable {
            path: path.into(),
            source,
        })?;
    Ok((luminance(&frame.pixels), frame.meta))
}

fn check(told: &LensTold) -> Result<(), SingleError> {
    let need = |what, expected, got: f64, fits: bool| {
        if fits {
            Ok(())
        } else {
            Err(SingleError::Told { what, expected, got })
        }
    };
    match *told {
        LensTold::Nothing => Ok(()),
        LensTold::Focal { focal_mm, pitch_um } => {
            let (mm, um) = (
                "a number of millimetres above 0",
                "a number of micrometres above 0",
            );
            need(
                "the focal length",
                mm,
                focal_mm,
                focal_mm.is_finite() && focal_mm > 0.0,
            )?;
            need("the pitch", um, pitch_um, pitch_um.is_finite() && pitch_um > 0.0)
        }
        LensTold::Field { field_deg } => need(
            "the field",
            "a number of degrees above 0 and below 180",
            field_deg,
            field_deg > 0.0 && field_deg < 180.0,
        ),
    }
}

/// Tangent of half the field's diagonal, as told or as the file says.
fn tangent(told: &LensTold, meta: &FrameMeta, [width, height]: [usize; 2]) -> Option<f64> {
    let (width, height) = (width as f64, height as f64);
    let half = 0.5 * width.hypot(height);
    let by_pitch = |mm: f64, um: f64| half * um / (1000.0 * mm);
    let tangent = match *told {
        LensTold::Focal { focal_mm, pitch_um } => Some(by_pitch(focal_mm, pitch_um)),
        LensTold::Field { field_deg } => {
            Some((0.5 * field_deg).to_radians().tan() * half / (0.5 * width.max(height)))
        }
        LensTold::Nothing => meta
            .focal_35mm
            .map(|mm| 0.5 * FULL_FRAME_DIAGONAL_MM / mm)
            .or_else(|| Some(by_pitch(meta.focal_mm?, meta.pixel_um?))),
    };
    tangent.filter(|t| t.is_finite() && *t > 0.0)
}

/// When the frame was taken, as its file says; without a zone, taken for UTC: proper motion needs no hours.
fn taken(meta: &FrameMeta) -> Option<Instant> {
    let local = meta.taken_local.as_deref()?;
    let offset = meta.taken_offset.as_deref().unwrap_or("Z");
    format!("{local}{offset}").parse().ok()
}

fn describe(blind: &BlindIdentification, [width, height]: [usize; 2]) -> Option<IdentifyReport> {
    let (right, low) = (width as f64 - 1.0, height as f64 - 1.0);
    let middle = [0.5 * right, 0.5 * low];
    let at = |x: f64, y: f64| blind.direction([x, y]);
    let axis = at(middle[0], middle[1])?;
    let up = at(middle[0], middle[1] - 1.0)? - axis;
    let (ra, dec) = (axis.y.atan2(axis.x), axis.z.clamp(-1.0, 1.0).asin());
    let east = Vector3::new(-ra.sin(), ra.cos(), 0.0);
    let north = Vector3::new(-dec.sin() * ra.cos(), -dec.sin() * ra.sin(), dec.cos());
    let across = at(-0.5, middle[1])?.angle(&at(right + 0.5, middle[1])?);
    let down = at(middle[0], -0.5)?.angle(&at(middle[0], low + 0.5)?);
    let found = &blind.found;
    let scale = found.lens.scale_at(middle)?;
    Some(IdentifyReport {
        identified: true,
        centre: Some(SkyPlace {
            ra_deg: ra.to_degrees().rem_euclid(360.0),
            dec_deg: dec.to_degrees(),
        }),
        roll_deg: Some(up.dot(&east).atan2(up.dot(&north)).to_degrees().rem_euclid(360.0)),
        mirrored: Some(blind.mirrored),
        scale_arcsec_px: Some((scale.radial.rad() * scale.tangential.rad()).sqrt().to_degrees() * 3600.0),
        field_deg: Some([across.to_degrees(), down.to_degrees()]),
        focal_px: Some(found.lens.focal_px),
        lens: Some(found.lens),
        matched: found.matches.len(),
        rms_px: Some(found.rms_px),
        false_alarm: Some(blind.false_alarm),
        log_odds: Some(found.log_odds),
        ..IdentifyReport::default()
    })
}
