//! The stars of registered frames, each with its number, its catalogue figures and its airmass.

use nalgebra::{Rotation3, Vector3};
use nightloom_optics::Lens;
use nightloom_sky::{Angle, Instant, airmass_pickering, catalogue};

use super::FalloffStar;
use crate::grid::Grid;
use crate::sphere::SphereGrid;
use crate::{AirPath, Field, Identification, Registration, Star};

/// One frame whose stars tell of the lens.
#[derive(Clone, Debug)]
pub struct FalloffFrame<'a> {
    /// Its stars.
    pub field: &'a Field,
    /// The lens, the same for all frames.
    pub lens: &'a Lens,
    /// From axes that all frames share (the reference camera's) to this camera's; applies to directions as the
    /// air lifts them, if `air` is known.
    pub rotation: Rotation3<f64>,
    /// The air over this one frame, its zenith in the shared axes.
    pub air: Option<AirPath>,
}

impl<'a> FalloffFrame<'a> {
    /// A frame of a registered set; `None` where it is not registered.
    pub fn of(registration: &'a Registration, frame: usize, field: &'a Field) -> Option<Self> {
        let air = registration.air.as_ref().and_then(|path| {
            Some(AirPath {
                air: path.air,
                zeniths: vec![*path.zeniths.get(frame)?],
            })
        });
        Some(Self {
            field,
            lens: &registration.lens,
            rotation: registration.frames.get(frame)?.rotation?,
            air,
        })
    }

    /// Where a pixel looks, and where that stands without the air; in the shared axes.
    fn direction(&self, pixel: [f64; 2]) -> Option<[Vector3<f64>; 2]> {
        let seen = self.rotation.inverse() * self.lens.unproject(pixel)?.into_inner();
        Some([seen, self.air.as_ref().map_or(seen, |air| air.lower(0, &seen))])
    }

    fn airmass(&self, seen: &Vector3<f64>) -> Option<f64> {
        let up = seen.dot(self.air.as_ref()?.zeniths.first()?);
        Some(airmass_pickering(Angle::from_rad(up.clamp(-1.0, 1.0).asin())))
    }
}

/// Detections fainter than this many σ are not used: at a threshold, noise decides what is found.
const LEAST_SNR: f32 = 20.0;
/// Level of a pixel from which on a channel may no longer be linear; a mosaic's luminance is a mean of several.
const FULL: f32 = 0.6;
/// A neighbour with this part of a star's light spoils it.
const SPOILS: f32 = 0.03;
/// Reach of an aperture and its ring in widths of the stars: what stands nearer shines in.
const NEAR: f64 = 3.0;
/// Noise of an aperture over that of the matched filter that detected the star.
const APERTURE_NOISE: f64 = 1.5;
/// How far a star may be from where it is expected, pixels in the middle of the frame.
const REACH_PX: f64 = 2.5;
/// What is seen through more air than this (8° high) is not used.
const MOST_AIRMASS: f64 = 7.0;

/// The usable stars of all `frames`, each numbered by its place in the sky.
///
/// `identified` holds for the frame of that index among `frames`; without it nothing is known of the stars
/// but that they stay the same. `instant` is for proper motion.
pub fn falloff_stars(
    frames: &[FalloffFrame<'_>],
    identified: Option<(usize, &Identification)>,
    instant: Instant,
) -> Vec<FalloffStar> {
    let mut sky: Vec<Vector3<f64>> = Vec::new();
    let mut found = Vec::new();
    for (index, frame) in frames.iter().enumerate() {
        let reach = REACH_PX / frame.lens.focal_px;
        let before = SphereGrid::new(sky.clone(), reach);
        for star in usable(frame.field) {
            let Some([seen, direction]) = frame.direction([star.x, star.y]) else {
                continue;
            };
            let airmass = frame.airmass(&seen);
            if airmass.is_some_and(|a| a > MOST_AIRMASS) {
                continue;
            }
            let number = nearest(&before, &direction, reach).unwrap_or_else(|| {
                sky.push(direction);
                sky.len() - 1
            });
            found.push(FalloffStar {
                frame: index,
                star: number,
                at: [star.x, star.y],
                flux: f64::from(star.flux),
                noise: APERTURE_NOISE / f64::from(star.snr),
                catalogue: None,
                airmass,
            });
        }
    }
    if let Some((index, known)) = identified {
        name(&mut found, sky, &frames[index], known, instant);
    }
    found
}

/// Stars that are neither burnt out, faint nor close to others, and whole.
fn usable(field: &Field) -> Vec<&Star> {
    let grid = Grid::new(field.stars.iter().map(|s| [s.x, s.y]).collect(), 30.0);
    let edge = 2.0 * f64::from(field.fwhm_px) + 0.5 * f64::from(field.trail_px) + 1.0;
    let near = NEAR * f64::from(field.fwhm_px) + f64::from(field.trail_px);
    let whole = |v: f64, n: usize| v > edge && v < n as f64 - 1.0 - edge;
    let usable = |(i, star): &(usize, &Star)| {
        let mut alone = true;
        grid.within([star.x, star.y], near, |j, _| {
            alone &= j == *i || field.stars[j].flux < SPOILS * star.flux;
        });
        alone
            && star.snr >= LEAST_SNR
            && !star.saturated
            && star.flux > 0.0
            && star.peak + field.background < FULL
            && whole(star.x, field.width)
            && whole(star.y, field.height)
    };
    field
        .stars
        .iter()
        .enumerate()
        .filter(usable)
        .map(|(_, s)| s)
        .collect()
}

fn nearest(grid: &SphereGrid, direction: &Vector3<f64>, reach: f64) -> Option<usize> {
    let mut best: Option<(usize, f64)> = None;
    grid.within(direction, reach, |i, d2| {
        if best.is_none_or(|b| d2 < b.1) {
            best = Some((i, d2));
        }
    });
    best.map(|b| b.0)
}

/// Gives the stars the catalogue's figures: the identified frame's stars tell how the catalogue lies over the
/// shared axes, so that stars beside that frame are named too.
fn name(
    found: &mut [FalloffStar],
    sky: Vec<Vector3<f64>>,
    frame: &FalloffFrame<'_>,
    known: &Identification,
    instant: Instant,
) {
    let stars = catalogue::stars();
    let pairs = known.matches.iter().filter_map(|&(seen, of)| {
        let star = frame.field.stars.get(seen)?;
        let [_, direction] = frame.direction([star.x, star.y])?;
        Some((stars.get(of)?.direction(instant).into_inner(), direction, 1.0))
    });
    let Some(attitude) = nightloom_fit::rotation_between(pairs) else {
        return;
    };
    let reach = REACH_PX / frame.lens.focal_px;
    let mut names: Vec<Option<usize>> = vec![None; sky.len()];
    let grid = SphereGrid::new(sky, reach);
    for (of, star) in stars.iter().enumerate() {
        let direction = attitude * star.direction(instant).into_inner();
        // Brightest first: a faint companion does not take a star's name.
        grid.within(&direction, reach, |i, _| {
            names[i].get_or_insert(of);
        });
    }
    for star in found {
        star.catalogue = names[star.star].map(|of| [stars[of].v_mag, stars[of].b_v].map(f64::from));
    }
}
