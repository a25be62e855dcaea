//! The stars that the scale rests on, and their light.

use nightloom_fit::median_of;
use nightloom_raster::Plane;
use nightloom_sky::{Angle, airmass_pickering, catalogue};
use rayon::prelude::*;

use super::LightInput;
use super::skirt::{FULL, Skirt, is_burnt};
use crate::grid::Grid;
use crate::shape::each_pixel;
use crate::{Background, BackgroundSettings, Star};

/// One star with its catalogue figures and its light.
#[derive(Clone, Debug)]
pub(super) struct MeasuredStar {
    /// Pixels.
    pub(super) at: [f64; 2],
    pub(super) v_mag: f64,
    pub(super) b_v: f64,
    /// Airmass; 0 where place or time is not known.
    pub(super) airmass: f64,
    /// Distance from the lens's axis, halves of the frame's diagonal.
    pub(super) h: f64,
    /// −2.5 log₁₀ of the light a second (a frame) by colour; the first is what the scale rests on.
    pub(super) seen_mag: Vec<f64>,
    /// Standard deviation of the first.
    pub(super) sigma: f64,
    /// Signal over noise of the detection.
    pub(super) snr: f64,
}

/// Detections fainter than this many σ are not used.
const LEAST_SNR: f32 = 15.0;
/// Radius of the aperture in widths of the stars.
const RADIUS: f64 = 1.5;
/// Radius that holds all of a star's light, in widths.
const WHOLE: f64 = 3.0;
/// Brightest stars that tell how much of the light the small aperture misses.
const GROWTH_STARS: usize = 240;
/// A neighbour with this part of a star's light spoils it.
const SPOILS: f32 = 0.03;
/// Stars with which burnt-out ones are not needed.
const ENOUGH: usize = 40;
/// What a skirt's light errs by: the lens's profile changes over the frame.
const SKIRT_MAG: f64 = 0.12;
/// Error of a catalogue magnitude: V made from Hp, and variables.
const CATALOGUE_MAG: f64 = 0.03;

/// A star to be measured.
struct Candidate<'a> {
    star: &'a Star,
    known: usize,
    /// Measured by its skirt: its heart is burnt out.
    burnt: bool,
}

/// What one colour's plane says.
pub(super) struct Band {
    /// Light of each candidate.
    fluxes: Vec<Option<f64>>,
    /// The sky's level, land left out.
    pub(super) sky: Background,
}

/// Measures the stars worth it, and the sky, in every colour; the one that stands for V first.
pub(super) fn sample(input: &LightInput<'_>) -> (Vec<MeasuredStar>, Vec<Band>) {
    let candidates = candidates(input);
    let order: &[usize] = if input.colours == 3 { &[1, 0, 2] } else { &[0] };
    let land = input.field.land.grown(1);
    let bands: Vec<Band> = order
        .iter()
        .map(|&colour| {
            let plane = (input.plane)(colour);
            // Planes of a mosaic repeat each pixel; every second one is enough.
            let sky = Background::sampled(&plane, Some(&land), &BackgroundSettings::default(), 2);
            let skirt = (candidates.iter().any(|c| c.burnt))
                .then(|| Skirt::of(&plane, &sky, input))
                .flatten();
            Band {
                fluxes: measure(&plane, &sky, input, &candidates, skirt.as_ref()),
                sky,
            }
        })
        .collect();
    let samples = candidates
        .iter()
        .enumerate()
        .filter_map(|(i, candidate)| {
            let flux: Option<Vec<f64>> = bands.iter().map(|b| b.fluxes[i]).collect();
            describe(input, candidate, &flux?)
        })
        .collect();
    (samples, bands)
}

/// Matched stars that are not faint or close to others; burnt-out ones only where there are few others.
fn candidates<'a>(input: &LightInput<'a>) -> Vec<Candidate<'a>> {
    let stars = &input.field.stars;
    let grid = Grid::new(stars.iter().map(|s| [s.x, s.y]).collect(), 30.0);
    let width = f64::from(input.field.fwhm_px.max(1.5));
    let near = (RADIUS + 1.0) * width + f64::from(input.field.trail_px);
    let alone = |i: usize| {
        let mut alone = true;
        grid.within([stars[i].x, stars[i].y], near, |j, _| {
            alone &= j == i || stars[j].flux < SPOILS * stars[i].flux;
        });
        alone
    };
    let usable = |burnt: bool| {
        input
            .found
            .found
            .matches
            .iter()
            .filter(move |m| is_burnt(&stars[m.0]) == burnt)
            .filter(|m| stars[m.0].snr >= LEAST_SNR && alone(m.0))
            .map(move |m| Candidate {
                star: &stars[m.0],
                known: m.1,
                burnt,
            })
    };
    let mut candidates: Vec<Candidate<'a>> = usable(false).collect();
    // Long lenses burn all their catalogue stars out.
    if candidates.len() < ENOUGH && input.field.trail_px < 1.0 {
        candidates.extend(usable(true));
    }
    candidates
}

/// Light of each candidate in one plane, brought to all of a star's light; `None` where the pixel is too
/// full or nothing is left.
fn measure(
    plane: &Plane,
    background: &Background,
    input: &LightInput<'_>,
    candidates: &[Candidate<'_>],
    skirt: Option<&Skirt>,
) -> Vec<Option<f64>> {
    let width = f64::from(input.field.fwhm_px.max(1.5));
    let segment = (f64::from(input.field.trail_px), input.field.trail_angle.rad());
    let within = |star: &Star, radius: f64| {
        let spot = Spot {
            at: (star.x, star.y),
            radius,
            segment,
        };
        let level = background.level_at(star.x, star.y);
        let noise = background.noise_at(star.x, star.y);
        let (flux, peak) = spot.light(plane, level, noise);
        (flux > 0.0 && peak + level <= FULL).then_some(flux)
    };
    let (small, whole) = (RADIUS * width, WHOLE * width + 1.0);
    let fluxes: Vec<Option<f64>> = candidates
        .par_iter()
        .map(|c| match skirt {
            Some(skirt) if c.burnt => skirt.light(plane, background, c.star),
            _ => within(c.star, small),
        })
        .collect();
    let h2 = |c: &Candidate<'_>| input.found.off_axis([c.star.x, c.star.y], input.field).powi(2);
    let mut bright: Vec<usize> = (0..candidates.len())
        .filter(|&i| fluxes[i].is_some() && !candidates[i].burnt)
        .collect();
    bright.sort_by(|&a, &b| candidates[b].star.snr.total_cmp(&candidates[a].star.snr));
    let growths: Vec<(f64, f64)> = bright
        .iter()
        .take(GROWTH_STARS)
        .filter_map(|&i| {
            Some((
                h2(&candidates[i]),
                within(candidates[i].star, whole)? / fluxes[i]?,
            ))
        })
        .collect();
    let (middle, slope) = growth(&growths);
    fluxes
        .into_iter()
        .zip(candidates)
        .map(|(f, c)| f.map(|f| f * (middle + slope * h2(c)).clamp(0.95, 2.0)))
        .collect()
}

/// Where a star's light is added up: a circle drawn out along the trail, if there is one.
struct Spot {
    at: (f64, f64),
    radius: f64,
    /// Length and direction of the trail.
    segment: (f64, f64),
}

/// Width of the ring about a star in which the sky is measured, pixels.
const RING_PX: f64 = 6.0;

impl Spot {
    /// Light above the sky, and the highest pixel above the mesh's level.
    ///
    /// The sky under a star is the ring's *mean*: stars too faint to be found stand within the aperture as
    /// often as in the ring, and a median would leave their light to the star. What is brighter in the ring
    /// than neighbours that were let stand is left out of it.
    fn light(&self, plane: &Plane, level: f32, noise: f32) -> (f64, f32) {
        let (x, y) = self.at;
        let (s, c) = self.segment.1.sin_cos();
        let half = 0.5 * self.segment.0;
        let inner = self.radius + 1.5;
        let (mut flux, mut area, mut peak) = (0.0f64, 0.0f64, 0.0f32);
        let mut ring: Vec<f32> = Vec::new();
        each_pixel(plane, x, y, inner + RING_PX + half, |dx, dy, value| {
            let (along, across) = (dx * c + dy * s, dy * c - dx * s);
            let away = (along.abs() - half).max(0.0).hypot(across);
            let above = value - level;
            let part = (self.radius + 0.5 - away).clamp(0.0, 1.0);
            if part > 0.0 {
                flux += part * f64::from(above);
                area += part;
                peak = peak.max(above);
            }
            if away >= inner && away <= inner + RING_PX {
                ring.push(above);
            }
        });
        let limit = (4.0 * noise).max(SPOILS * peak);
        ring.retain(|v| *v < limit);
        let sky = ring.iter().map(|v| f64::from(*v)).sum::<f64>() / ring.len().max(1) as f64;
        (flux - area * sky, peak)
    }
}

/// All of a star's light over what the small aperture holds: in the middle of the frame, and its growth with
/// h², for lenses draw stars out towards the corners. A line through the medians of the inner and the outer
/// stars: neighbours' light only ever adds.
fn growth(points: &[(f64, f64)]) -> (f64, f64) {
    let mut sorted = points.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let of = |part: &[(f64, f64)]| {
        Some((
            median_of(part.iter().map(|p| p.0))?,
            median_of(part.iter().map(|p| p.1))?,
        ))
    };
    let third = sorted.len() / 3;
    let whole = of(&sorted).map_or(1.0, |p| p.1);
    if third < 8 {
        return (whole, 0.0);
    }
    match (of(&sorted[..third]), of(&sorted[sorted.len() - third..])) {
        (Some((x0, y0)), Some((x1, y1))) if x1 - x0 > 0.05 => {
            let slope = (y1 - y0) / (x1 - x0);
            (y0 - slope * x0, slope)
        }
        _ => (whole, 0.0),
    }
}

fn describe(input: &LightInput<'_>, candidate: &Candidate<'_>, flux: &[f64]) -> Option<MeasuredStar> {
    let known = &catalogue::stars()[candidate.known];
    let seconds = input.exposure_s.unwrap_or(1.0);
    let airmass = match &input.overhead {
        None => 0.0,
        Some(overhead) => {
            // Proper motion is far below what an airmass notices.
            let pixel = [candidate.star.x, candidate.star.y];
            let up = overhead.ground_from_icrs * input.found.direction(pixel)?;
            let up = overhead.air.lift(&up);
            airmass_pickering(Angle::from_rad(up.z.clamp(-1.0, 1.0).asin()))
        }
    };
    let snr = f64::from(candidate.star.snr);
    let light = flux.iter().map(|f| -2.5 * (f / seconds).log10()).collect();
    Some(MeasuredStar {
        at: [candidate.star.x, candidate.star.y],
        v_mag: f64::from(known.v_mag),
        b_v: f64::from(known.b_v),
        airmass,
        h: input
            .found
            .off_axis([candidate.star.x, candidate.star.y], input.field),
        seen_mag: light,
        sigma: (1.5 / snr)
            .hypot(CATALOGUE_MAG)
            .hypot(if candidate.burnt { SKIRT_MAG } else { 0.0 }),
        snr,
    })
}
