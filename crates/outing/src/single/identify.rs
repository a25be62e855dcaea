//! Where in the sky one frame looks.

use std::path::Path;

use nalgebra::Vector3;
use nightloom_optics::{Lens, Projection};
use nightloom_raster::FrameMeta;
use nightloom_sky::Instant;
use nightloom_stars::{BlindIdentification, BlindSettings, DetectSettings, Field, identify_blind, measure};

use super::told::{check, tangent};
use super::{LensTold, SingleError, brightness, taken};
use crate::World;

/// How far a focal length that was told may be off, as a part of it: engraved values are rounded, and
/// lenses breathe.
const TOLD_SHARE: f64 = 0.15;
/// Width of sharp stars, pixels (common practice, no source).
const SHARP_PX: f32 = 2.0;
/// Focal lengths of fisheye lenses in halves of the frame's diagonal: from a whole sky within the frame
/// to 130° across the diagonal.
const FISHEYE: [f64; 2] = [0.4, 0.9];

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
    let start = world.seconds();
    let seen = identified(path, told, world)?;
    let size = [seen.field.width, seen.field.height];
    let mut report = seen
        .blind
        .as_ref()
        .and_then(|f| describe(f, size))
        .unwrap_or_default();
    report.stars = seen.field.stars.len();
    report.seconds = world.seconds() - start - seen.decoding_s;
    Ok(report)
}

/// A frame with its stars and what they are.
pub(crate) struct Identified {
    pub(crate) field: Field,
    /// `None` where no part of the sky explains the stars.
    pub(crate) blind: Option<BlindIdentification>,
    pub(crate) meta: FrameMeta,
    decoding_s: f64,
}

/// Reads, measures and identifies one frame.
pub(crate) fn identified(path: &Path, told: &LensTold, world: &dyn World) -> Result<Identified, SingleError> {
    check(told)?;
    let start = world.seconds();
    let (plane, meta) = brightness(path, world)?;
    let decoding_s = world.seconds() - start;
    let when = taken(&meta).unwrap_or_else(|| world.now());
    let size = [plane.width(), plane.height()];
    let hint = tangent(told, &meta, size);
    let mut field = measure(&plane, &DetectSettings::default());
    let mut blind = search(&field, hint, when);
    if blind.is_none() && field.fwhm_px > 1.3 * SHARP_PX {
        // Leaves and noise may have passed for the stars' width.
        let sharp = DetectSettings {
            fwhm_px: Some(SHARP_PX),
            ..DetectSettings::default()
        };
        let sharper = measure(&plane, &sharp);
        blind = search(&sharper, hint, when);
        if blind.is_some() {
            field = sharper;
        }
    }
    Ok(Identified {
        field,
        blind,
        meta,
        decoding_s,
    })
}

/// The likeliest lenses first: as told, any, then a fisheye.
pub(crate) fn search(field: &Field, hint: Option<f64>, when: Instant) -> Option<BlindIdentification> {
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
