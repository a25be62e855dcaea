//! Where in the sky one frame looks.

use std::path::Path;

use nalgebra::Vector3;
use nightloom_optics::{Lens, Projection};
use nightloom_raster::{Frame, FrameMeta, Pixels, Plane};
use nightloom_sky::Instant;
use nightloom_stars::{
    BlindIdentification, BlindSettings, DetectSettings, Field, identify_again, identify_blind,
};

use super::lenses::Lenses;
use super::light::{FrameLight, light_of};
use super::oddity::{Oddity, after_search, oddity};
use super::stance::{Stance, stance};
use super::told::{check, tangent};
use super::{FrameTold, LensTold, SingleError, brightness, measured, taken};
use nightloom_outing::World;

/// Lowest altitude of a picture's middle that place and time are believed with, degrees.
const LOWEST_DEG: f64 = -3.0;
/// How far a focal length that was told may be off, as a part of it: engraved values are rounded, and
/// lenses breathe.
const TOLD_SHARE: f64 = 0.15;
/// Width of sharp stars, pixels (common practice, no source).
const SHARP_PX: f32 = 2.0;
/// Stars so many show their own width.
const MANY_STARS: usize = 300;
/// Focal lengths of fisheye lenses in halves of the frame's diagonal: from a whole sky within the frame
/// to 130° across the diagonal.
const FISHEYE: [f64; 2] = [0.4, 0.9];
/// Brightest stars of a short search.
const SHORT_STARS: usize = 14;
/// Brightest stars that figures of a fisheye frame are made of.
const FISHEYE_STARS: usize = 24;

/// A place in the sky, ICRS.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct SkyPlace {
    /// Right ascension, degrees, 0 to 360.
    pub ra_deg: f64,
    /// Declination, degrees.
    pub dec_deg: f64,
}

/// Mean of seen minus computed places of the matched stars over the frame.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct ResidualMap {
    /// Cells across.
    pub columns: usize,
    /// Cells down.
    pub rows: usize,
    /// Right and down, pixels, row by row; `None` where a cell has fewer than three stars.
    pub mean_px: Vec<Option<[f64; 2]>>,
}

impl ResidualMap {
    fn of(residuals: &[[[f64; 2]; 2]], [width, height]: [usize; 2]) -> Self {
        const GRID: [usize; 2] = [6, 4];
        const LEAST: f64 = 3.0;
        let [columns, rows] = GRID;
        let mut sums = vec![[0.0; 3]; columns * rows];
        let cell =
            |v: f64, n: usize, of: usize| (((v + 0.5) / n as f64 * of as f64).max(0.0) as usize).min(of - 1);
        for [at, off] in residuals {
            let sum = &mut sums[cell(at[1], height, rows) * columns + cell(at[0], width, columns)];
            *sum = [sum[0] + off[0], sum[1] + off[1], sum[2] + 1.0];
        }
        Self {
            columns,
            rows,
            mean_px: sums
                .iter()
                .map(|s| (s[2] >= LEAST).then(|| [s[0] / s[2], s[1] / s[2]]))
                .collect(),
        }
    }
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
    /// Where the matched stars stand beside their places by catalogue and lens, cell by cell.
    pub residuals: Option<ResidualMap>,
    /// Bound on the chance of so good an answer from stars strewn at random.
    pub false_alarm: Option<f64>,
    /// Natural logarithm of the odds, where `false_alarm` is too small for a number.
    pub log_odds: Option<f64>,
    /// Altitude of the picture's middle, refraction in it, if place and time are known.
    pub altitude_deg: Option<f64>,
    /// Its azimuth, from north through east.
    pub azimuth_deg: Option<f64>,
    /// How bright the sky was.
    pub light: Option<FrameLight>,
    /// Why it is not identified, as a word: `black`, `screenshot`, `daylight`, `small`, `dark`, `cloud`, `noise`,
    /// `doubled`, `narrow`, `lit`, `unknown`.
    pub looks_like: Option<&'static str>,
    /// The same as a sentence.
    pub why: Option<String>,
    /// What was found wrong with place or time, in whole sentences.
    pub notes: Vec<String>,
    /// Stars found in the frame.
    pub stars: usize,
    /// Time of the measuring and the identifying, the decoding left out.
    pub seconds: f64,
}

/// A frame that was looked at.
pub(super) struct Look {
    pub(super) frame: Frame,
    pub(super) field: Field,
    pub(super) found: Option<BlindIdentification>,
    /// Place and time, where they are known and do not contradict the answer.
    pub(super) stance: Option<Stance>,
    /// Why it is not identified.
    odd: Option<Oddity>,
    /// What is wrong with place or time.
    notes: Vec<String>,
    seconds: f64,
}

/// Finds where in the sky one frame looks, and how bright the sky is there.
///
/// What is told of the lens, or what the file says of it, is tried first, then anything.
///
/// # Errors
/// [`SingleError::Unreadable`], [`SingleError::Told`].
pub fn identify_frame(
    path: &Path,
    hints: &FrameTold,
    world: &dyn World,
) -> Result<IdentifyReport, SingleError> {
    Ok(look(path, hints, world)?.report())
}

/// Measures the stars of a frame and identifies them.
pub(super) fn look(path: &Path, hints: &FrameTold, world: &dyn World) -> Result<Look, SingleError> {
    check(&hints.lens)?;
    let mut lenses = hints.lenses.as_deref().map(Lenses::read).transpose()?;
    let (plane, frame) = brightness(path, world)?;
    let size = [plane.width(), plane.height()];
    let known = lenses.as_ref().and_then(|l| l.find(&frame.meta, size));
    let start = world.seconds();
    let stance = stance(path, hints.site, hints.at, &frame.meta, world);
    let when = stance
        .map(|s| s.middle)
        .or_else(|| taken(&frame.meta))
        .unwrap_or_else(|| world.now());
    let sought = seek(&plane, &frame, &hints.lens, known, when);
    let mut look = Look {
        odd: sought.odd,
        frame,
        field: sought.field,
        found: sought.found,
        stance: None,
        notes: Vec::new(),
        seconds: 0.0,
    };
    look.stand(stance);
    look.seconds = world.seconds() - start;
    if let (Some(lenses), Some(found)) = (&mut lenses, &look.found) {
        lenses.learn(&look.frame.meta, size, found)?;
    }
    Ok(look)
}

/// What a search came to.
pub(crate) struct Sought {
    pub(crate) field: Field,
    /// Refraction is left in the stars' places.
    pub(crate) found: Option<BlindIdentification>,
    /// Why nothing was found.
    odd: Option<Oddity>,
}

/// Measures a frame's stars and looks for the part of the sky that they show, as long as it looks like one; through
/// the lens that is `known` first.
pub(crate) fn seek(
    plane: &Plane,
    frame: &Frame,
    told: &LensTold,
    known: Option<Lens>,
    when: Instant,
) -> Sought {
    let hint = tangent(told, &frame.meta, [plane.width(), plane.height()]);
    let field = measured(plane, &frame.pixels, &DetectSettings::default());
    let odd = oddity(plane, &field, &frame.meta);
    let through = known.filter(|_| !odd.as_ref().is_some_and(|o| o.hopeless));
    if let Some(found) = through.and_then(|lens| by_lens(&field, lens, when)) {
        return Sought {
            field,
            found: Some(found),
            odd: None,
        };
    }
    let (field, found) = match &odd {
        Some(odd) if odd.hopeless => (field, None),
        // What looks like no sky at all is given a short look, lest it be one.
        Some(_) => {
            let found = search(&field, hint, when, Effort::Short);
            (field, found)
        }
        None => find(plane, &frame.pixels, field, hint, when),
    };
    let odd = match &found {
        Some(_) => None,
        None => odd.or_else(|| {
            let field_deg = hint.map(|t| 2.0 * t.atan().to_degrees());
            Some(after_search(plane, &field, field_deg))
        }),
    };
    Sought { field, found, odd }
}

fn by_lens(field: &Field, lens: Lens, when: Instant) -> Option<BlindIdentification> {
    let settings = BlindSettings {
        lens: Some(lens),
        mirrored: false,
        ..BlindSettings::default()
    };
    identify_blind(&field.stars, [field.width, field.height], &settings, when)
}

/// Looks with all there is, and measures anew as sharp stars where that helps.
fn find(
    plane: &Plane,
    pixels: &Pixels,
    field: Field,
    hint: Option<f64>,
    when: Instant,
) -> (Field, Option<BlindIdentification>) {
    let found = search(&field, hint, when, Effort::Full);
    if found.is_some() || field.fwhm_px <= 1.05 * SHARP_PX || field.stars.len() > MANY_STARS {
        return (field, found);
    }
    // Leaves and noise may have passed for the stars' width.
    let sharp = DetectSettings {
        fwhm_px: Some(SHARP_PX),
        ..DetectSettings::default()
    };
    let sharper = measured(plane, pixels, &sharp);
    match search(&sharper, hint, when, Effort::Full) {
        Some(found) => (sharper, Some(found)),
        None => (field, None),
    }
}

impl Sought {
    /// Why nothing was found, in a sentence.
    pub(crate) fn why(&self) -> Option<&str> {
        self.odd.as_ref().map(|odd| odd.sentence.as_str())
    }
}

/// A frame that was read and searched.
pub(crate) struct Identified {
    pub(crate) sought: Sought,
    pub(crate) meta: FrameMeta,
}

/// Reads, measures and identifies one frame.
pub(crate) fn identified(path: &Path, told: &LensTold, world: &dyn World) -> Result<Identified, SingleError> {
    check(told)?;
    let (plane, frame) = brightness(path, world)?;
    let when = taken(&frame.meta).unwrap_or_else(|| world.now());
    Ok(Identified {
        sought: seek(&plane, &frame, told, None, when),
        meta: frame.meta,
    })
}

impl Look {
    /// The answer, light included.
    pub(super) fn report(&self) -> IdentifyReport {
        let size = [self.field.width, self.field.height];
        let stance = self.stance.as_ref();
        let described = self.found.as_ref().and_then(|f| describe(f, size, stance));
        let light = described.as_ref().and(self.found.as_ref());
        IdentifyReport {
            residuals: light.map(|f| ResidualMap::of(&f.residuals(&self.field.stars), size)),
            light: light.map(|found| light_of(&self.frame, &self.field, found, stance)),
            stars: self.field.stars.len(),
            seconds: self.seconds,
            looks_like: self.odd.as_ref().map(|o| o.word),
            why: self.odd.as_ref().map(|o| o.sentence.clone()),
            notes: self.notes.clone(),
            ..described.unwrap_or_default()
        }
    }

    /// Takes place and time in, unless they put the picture below the horizon; solves again with
    /// refraction taken out.
    fn stand(&mut self, stance: Option<Stance>) {
        let (Some(found), Some(stance)) = (&self.found, stance) else {
            return;
        };
        let middle = [0.5 * self.field.width as f64, 0.5 * self.field.height as f64];
        let Some(axis) = found.direction(middle) else {
            return;
        };
        let height_deg = stance.height(&axis).clamp(-1.0, 1.0).asin().to_degrees();
        if height_deg < LOWEST_DEG {
            self.notes.push(format!(
                "Place and time do not agree with the stars: the middle of the picture would stand {:.0}° below the \
                 horizon. They were not used; look at the camera's clock, its zone and the coordinates.",
                -height_deg
            ));
            return;
        }
        if let Some(again) = identify_again(&self.field.stars, found, stance.site, stance.middle) {
            self.found = Some(again);
            self.stance = Some(stance);
        }
    }
}

/// How long to search.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Effort {
    /// Figures of the brightest few, rectilinear lenses.
    Short,
    /// All there is.
    Full,
}

/// The likeliest lenses first: as told, any, then a fisheye.
fn search(field: &Field, hint: Option<f64>, when: Instant, effort: Effort) -> Option<BlindIdentification> {
    let size = [field.width, field.height];
    let within = |settings: BlindSettings| identify_blind(&field.stars, size, &settings, when);
    let mut open = BlindSettings::default();
    if effort == Effort::Short {
        open.brightest = SHORT_STARS;
    }
    hint.and_then(|tangent| {
        within(BlindSettings {
            focal_range: [1.0 / (tangent * (1.0 + TOLD_SHARE)), (1.0 + TOLD_SHARE) / tangent],
            ..open
        })
    })
    .or_else(|| within(open))
    .or_else(|| {
        (effort == Effort::Full).then_some(())?;
        within(BlindSettings {
            projection: Projection::Equidistant,
            focal_range: FISHEYE,
            brightest: FISHEYE_STARS,
            ..open
        })
    })
}

/// Angle between what two edges of the picture show, through its middle.
///
/// Outside the circle of a fisheye nothing has a direction, nor has sky that the air hides: the outermost pixel that
/// has one stands for the edge.
fn between(
    at: &impl Fn(f64, f64) -> Option<Vector3<f64>>,
    middle: [f64; 2],
    edges: [[f64; 2]; 2],
) -> Option<f64> {
    /// Halvings of the way: to a hundredth of a pixel over 60,000.
    const HALVINGS: usize = 24;
    let centre = at(middle[0], middle[1])?;
    let reach = |edge: [f64; 2]| {
        let on = |part: f64| {
            let [x, y] = [0, 1].map(|k| middle[k] + part * (edge[k] - middle[k]));
            at(x, y)
        };
        if let Some(edge) = on(1.0) {
            return edge;
        }
        let (mut best, mut inside, mut outside) = (centre, 0.0, 1.0);
        for _ in 0..HALVINGS {
            let part = 0.5 * (inside + outside);
            match on(part) {
                Some(seen) => (best, inside) = (seen, part),
                None => outside = part,
            }
        }
        best
    };
    let [first, last] = edges.map(reach);
    let (direct, over) = (first.angle(&last), first.angle(&centre) + centre.angle(&last));
    // More than half a turn is counted over the middle.
    Some(if over > std::f64::consts::FRAC_PI_2 {
        over
    } else {
        direct
    })
}

fn describe(
    blind: &BlindIdentification,
    [width, height]: [usize; 2],
    stance: Option<&Stance>,
) -> Option<IdentifyReport> {
    let (right, low) = (width as f64 - 1.0, height as f64 - 1.0);
    let middle = [0.5 * right, 0.5 * low];
    let at = |x: f64, y: f64| {
        let seen = blind.direction([x, y])?;
        Some(stance.map_or(seen, |s| s.lowered(&seen)))
    };
    let over = stance.and_then(|s| Some(s.overhead.ground_from_icrs * blind.direction(middle)?));
    let axis = at(middle[0], middle[1])?;
    let up = at(middle[0], middle[1] - 1.0)? - axis;
    let (ra, dec) = (axis.y.atan2(axis.x), axis.z.clamp(-1.0, 1.0).asin());
    let east = Vector3::new(-ra.sin(), ra.cos(), 0.0);
    let north = Vector3::new(-dec.sin() * ra.cos(), -dec.sin() * ra.sin(), dec.cos());
    let across = between(&at, middle, [[-0.5, middle[1]], [right + 0.5, middle[1]]])?;
    let down = between(&at, middle, [[middle[0], -0.5], [middle[0], low + 0.5]])?;
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
        altitude_deg: over.map(|d| d.z.clamp(-1.0, 1.0).asin().to_degrees()),
        azimuth_deg: over.map(|d| d.x.atan2(d.y).to_degrees().rem_euclid(360.0)),
        ..IdentifyReport::default()
    })
}
