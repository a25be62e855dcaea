//! One lens and one rotation per frame from the stars of all frames.

use std::collections::HashMap;

use nalgebra::{Rotation3, Vector3};
use nightloom_optics::Lens;
use nightloom_sky::{Air, Instant, Site};
use rayon::prelude::*;

use crate::bundle::{Bundle, LENS, LensPrior, Sighting, Track, lens_moved};
use crate::grid::Grid;
use crate::matching::{FieldMatch, match_fields_unless};
use crate::{AirPath, Field, IdentifySettings, MatchSettings, Stop, identify_unless};
use nightloom_fit::median_of;

/// How frames are registered.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RegisterSettings {
    /// How fields are matched.
    pub matching: MatchSettings,
    /// How far the guessed focal length may be off (one standard deviation), as a part of it.
    pub focal_sigma: f64,
    /// Stars needed for a frame to count as registered.
    pub min_stars: usize,
    /// Residuals kept for the report, at most.
    pub max_residuals: usize,
}

impl Default for RegisterSettings {
    fn default() -> Self {
        Self {
            matching: MatchSettings::default(),
            focal_sigma: 0.03,
            min_stars: 8,
            max_residuals: 4000,
        }
    }
}

/// Where one frame looked.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FrameRegistration {
    /// Rotation from the reference camera frame to this frame's; `None` where the frame could not
    /// be registered.
    pub rotation: Option<Rotation3<f64>>,
    /// Root mean square residual of the frame's stars, pixels.
    pub rms_px: f64,
    /// Stars the registration rests on.
    pub matched: usize,
    /// Median flux of the frame's stars over that of the same stars in the reference.
    pub flux_ratio: Option<f32>,
    /// Median width of the frame's stars over that of the same stars in the reference.
    #[serde(default)]
    pub width_ratio: Option<f32>,
    /// Why the frame could not be registered.
    pub reason: Option<String>,
}

/// One residual: seen minus computed, pixels.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Residual {
    /// Index of the frame.
    pub frame: usize,
    /// Where the star was seen.
    pub x: f32,
    /// Where the star was seen.
    pub y: f32,
    /// Seen minus computed.
    pub dx: f32,
    /// Seen minus computed.
    pub dy: f32,
}

/// A registered set.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Registration {
    /// The lens all frames share.
    pub lens: Lens,
    /// Index of the reference frame.
    pub reference: usize,
    /// One entry for each field given, in order.
    pub frames: Vec<FrameRegistration>,
    /// Root mean square residual over all frames, pixels.
    pub rms_px: f64,
    /// A sample of the residuals.
    pub residuals: Vec<Residual>,
    /// Refraction, where the registration took it out ([`register_from_ground`]). The rotations
    /// then apply to directions lifted by it; [`Registration::map`] knows.
    #[serde(default)]
    pub air: Option<AirPath>,
}

impl Registration {
    /// Where the sky seen at `pixel` of the reference frame stands in frame `frame`.
    ///
    /// `None` where the frame is not registered or the lens does not reach.
    pub fn map(&self, frame: usize, pixel: [f64; 2]) -> Option<[f64; 2]> {
        let rotation = self.frames.get(frame)?.rotation?;
        let seen = self.lens.unproject(pixel)?.into_inner();
        let direction = match &self.air {
            Some(air) => air.lift(frame, &air.lower(self.reference, &seen)),
            None => seen,
        };
        self.lens.project(&(rotation * direction))
    }
}

/// Registers frames to one of them (`reference`, or the best one near the middle of the set).
///
/// `guess` is the lens as far as known: focal length from EXIF, no distortion. What the stars
/// cannot tell of it (frames that barely moved tell little) stays near the guess; the map between
/// frames is good all the same. Frames that match nothing come back with a reason.
pub fn register(
    fields: &[&Field],
    reference: Option<usize>,
    guess: &Lens,
    settings: &RegisterSettings,
) -> Registration {
    registered(fields, reference, guess, settings, &|| false)
}

/// The same, given up with `None` once `stop` says so, within some tenths of a second.
pub fn register_unless(
    fields: &[&Field],
    reference: Option<usize>,
    guess: &Lens,
    settings: &RegisterSettings,
    stop: Stop<'_>,
) -> Option<Registration> {
    let found = registered(fields, reference, guess, settings, stop);
    (!stop()).then_some(found)
}

/// What is registered until `stop` says no.
fn registered(
    fields: &[&Field],
    reference: Option<usize>,
    guess: &Lens,
    settings: &RegisterSettings,
    stop: Stop<'_>,
) -> Registration {
    let order = match reference.filter(|r| *r < fields.len()) {
        Some(reference) => vec![reference],
        None => references(fields),
    };
    let mut best: Option<(usize, Vec<Option<FieldMatch>>)> = None;
    for &candidate in order.iter().take(3) {
        let matches = match_all(fields, candidate, guess, settings, stop);
        let count = matches.iter().flatten().count();
        if best
            .as_ref()
            .is_none_or(|(_, b)| count > b.iter().flatten().count())
        {
            best = Some((candidate, matches));
        }
        if 2 * (count + 1) > fields.len() || stop() {
            break;
        }
    }
    let Some((reference, matches)) = best else {
        return Registration {
            lens: *guess,
            reference: 0,
            frames: Vec::new(),
            rms_px: 0.0,
            residuals: Vec::new(),
            air: None,
        };
    };
    let bundle = fit(fields, reference, &matches, guess, settings, stop);
    summarise(fields, &bundle, settings)
}

/// Where and when the frames of a set were taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ground<'a> {
    /// Where.
    pub site: Site,
    /// The air there.
    pub air: Air,
    /// The middle of each frame's exposure.
    pub instants: &'a [Instant],
}

/// Registers as [`register`] does, then takes refraction out: the reference is identified, which
/// tells where the zenith was in every frame, and all is fitted anew with each star lifted as the
/// air did. Near a ridge this is worth a pixel or more over a set.
///
/// Comes back as [`register`] where the reference is not identified or instants are missing. The
/// lens is then better known too: refraction no longer passes for distortion.
pub fn register_from_ground(
    fields: &[&Field],
    reference: Option<usize>,
    guess: &Lens,
    settings: &RegisterSettings,
    ground: &Ground<'_>,
) -> Registration {
    lifted(fields, reference, guess, settings, ground, &|| false)
}

/// The same, given up with `None` once `stop` says so, within some tenths of a second.
pub fn register_from_ground_unless(
    fields: &[&Field],
    reference: Option<usize>,
    guess: &Lens,
    settings: &RegisterSettings,
    ground: &Ground<'_>,
    stop: Stop<'_>,
) -> Option<Registration> {
    let found = lifted(fields, reference, guess, settings, ground, stop);
    (!stop()).then_some(found)
}

/// What is registered from the ground until `stop` says no.
fn lifted(
    fields: &[&Field],
    reference: Option<usize>,
    guess: &Lens,
    settings: &RegisterSettings,
    ground: &Ground<'_>,
    stop: Stop<'_>,
) -> Registration {
    let plain = registered(fields, reference, guess, settings, stop);
    let home = plain.reference;
    if fields.is_empty() || ground.instants.len() != fields.len() {
        return plain;
    }
    let identifying = IdentifySettings {
        site: Some(ground.site),
        ..IdentifySettings::default()
    };
    let Some(found) = identify_unless(
        &fields[home].stars,
        &about_middle(&plain.lens, fields[home]),
        &identifying,
        ground.instants[home],
        stop,
    ) else {
        return plain;
    };
    let up = |instant: &Instant| {
        found.attitude * (ground.site.ground_from_icrs(*instant).inverse() * Vector3::z())
    };
    let air = AirPath {
        air: ground.air,
        zeniths: ground.instants.iter().map(up).collect(),
    };
    let mut bundle = Bundle {
        lens: plain.lens,
        reference: home,
        rotations: plain.frames.iter().map(|f| f.rotation).collect(),
        tracks: Vec::new(),
        air: None,
    };
    let pairs: Vec<Vec<(usize, usize)>> = (0..fields.len())
        .map(|i| pair_again(fields, &bundle, i, 3.0, settings))
        .collect();
    bundle.air = Some(air);
    bundle.lens = found.lens;
    bundle.tracks = tracks(fields, &bundle, &pairs);
    // The catalogue knows the lens better than frames that barely moved do.
    let prior = LensPrior {
        guess: found.lens,
        sigma: IDENTIFIED_SIGMA,
    };
    settle(fields, &mut bundle, &prior, settings, stop);
    summarise(fields, &bundle, settings)
}

/// A lens as a guess for a frame: its middle is expected at the frame's, whatever a fit before made of it. Where one fit's
/// answer is the next one's expectation, refraction drags the middle farther each time.
pub fn about_middle(lens: &Lens, field: &Field) -> Lens {
    Lens {
        centre_px: [field.width, field.height].map(|n| (n as f64 - 1.0) / 2.0),
        ..*lens
    }
}

/// Frames by how good a reference they would make: many sharp stars, near the middle of the set.
fn references(fields: &[&Field]) -> Vec<usize> {
    let merit = |i: usize| {
        let field = fields[i];
        let middle = (fields.len() as f64 - 1.0) / 2.0;
        let off = (i as f64 - middle).abs() / (middle + 1.0);
        let blur = f64::from(field.fwhm_px.max(1.0) * field.elongation.max(1.0));
        (field.stars.len() as f64).sqrt() / blur * (1.0 - 0.25 * off)
    };
    let mut order: Vec<usize> = (0..fields.len()).collect();
    order.sort_by(|a, b| merit(*b).total_cmp(&merit(*a)).then(a.cmp(b)));
    order
}

/// Matches every frame to the reference; those that fail, to the nearest frame that did not.
fn match_all(
    fields: &[&Field],
    reference: usize,
    guess: &Lens,
    settings: &RegisterSettings,
    stop: Stop<'_>,
) -> Vec<Option<FieldMatch>> {
    let against = |a: usize, b: usize| {
        match_fields_unless(
            &fields[a].stars,
            guess,
            &fields[b].stars,
            guess,
            &settings.matching,
            stop,
        )
    };
    let mut found: Vec<Option<FieldMatch>> = (0..fields.len())
        .into_par_iter()
        .map(|i| {
            if i == reference {
                None
            } else {
                against(reference, i)
            }
        })
        .collect();
    let mut missing: Vec<usize> = (0..fields.len())
        .filter(|i| *i != reference && found[*i].is_none())
        .collect();
    missing.sort_by_key(|i| i.abs_diff(reference));
    for i in missing {
        let bridge = (0..fields.len())
            .filter(|j| found[*j].is_some())
            .min_by_key(|j| j.abs_diff(i));
        let Some((bridge, first)) = bridge.and_then(|j| found[j].clone().map(|m| (j, m))) else {
            continue;
        };
        if let Some(second) = against(bridge, i) {
            let partner: HashMap<usize, usize> = first.pairs.iter().map(|(r, b)| (*b, *r)).collect();
            let pairs = second
                .pairs
                .iter()
                .filter_map(|(b, i)| Some((*partner.get(b)?, *i)))
                .collect();
            found[i] = Some(FieldMatch {
                rotation: second.rotation * first.rotation,
                pairs,
                ..second
            });
        }
    }
    found
}

/// Fits lens, rotations and directions; then pairs again under the fitted lens and fits again.
fn fit(
    fields: &[&Field],
    reference: usize,
    matches: &[Option<FieldMatch>],
    guess: &Lens,
    settings: &RegisterSettings,
    stop: Stop<'_>,
) -> Bundle {
    let prior = lens_prior(fields[reference], guess, settings);
    let rotations = (0..fields.len())
        .map(|i| {
            if i == reference {
                Some(Rotation3::identity())
            } else {
                matches[i].as_ref().map(|m| m.rotation)
            }
        })
        .collect();
    let pairs: Vec<Vec<(usize, usize)>> = matches
        .iter()
        .map(|m| m.as_ref().map_or_else(Vec::new, |m| m.pairs.clone()))
        .collect();
    let mut bundle = Bundle {
        lens: first_lens(matches, guess),
        reference,
        rotations,
        tracks: Vec::new(),
        air: None,
    };
    bundle.tracks = tracks(fields, &bundle, &pairs);
    settle(fields, &mut bundle, &prior, settings, stop);
    bundle
}

fn lens_prior(field: &Field, guess: &Lens, settings: &RegisterSettings) -> LensPrior {
    let centre = CENTRE_SIGMA * (field.width as f64).hypot(field.height as f64);
    LensPrior {
        guess: *guess,
        sigma: [settings.focal_sigma.max(1e-6), centre, centre, 0.1, 0.05, 0.02],
    }
}

/// Solves, pairs anew under what was found, and solves again.
fn settle(
    fields: &[&Field],
    bundle: &mut Bundle,
    prior: &LensPrior,
    settings: &RegisterSettings,
    stop: Stop<'_>,
) {
    bundle.solve(prior, stop);
    for _ in 0..2 {
        if stop() {
            return;
        }
        let reach = (5.0 * bundle.scale()).clamp(0.5, 4.0);
        let pairs: Vec<Vec<(usize, usize)>> = (0..fields.len())
            .map(|i| pair_again(fields, bundle, i, reach, settings))
            .collect();
        bundle.tracks = tracks(fields, bundle, &pairs);
        bundle.solve(prior, stop);
    }
}

/// The guess moved by what the pairwise matches found, weighted by their pairs.
fn first_lens(matches: &[Option<FieldMatch>], guess: &Lens) -> Lens {
    let (mut weight, mut log_focal, mut radial) = (0.0, 0.0, 0.0);
    for found in matches.iter().flatten() {
        let w = found.pairs.len() as f64;
        weight += w;
        log_focal += w * found.focal_factor.ln();
        radial += w * found.radial_shift;
    }
    if weight == 0.0 {
        return *guess;
    }
    lens_moved(guess, &[log_focal / weight, 0.0, 0.0, radial / weight, 0.0, 0.0])
}

fn tracks(fields: &[&Field], bundle: &Bundle, pairs: &[Vec<(usize, usize)>]) -> Vec<Track> {
    let stars = &fields[bundle.reference].stars;
    let mut sightings: Vec<Vec<Sighting>> = vec![Vec::new(); stars.len()];
    for (frame, pairs) in pairs.iter().enumerate() {
        for &(r, i) in pairs {
            let star = &fields[frame].stars[i];
            sightings[r].push(Sighting {
                frame,
                star: i,
                pixel: [star.x, star.y],
            });
        }
    }
    stars
        .iter()
        .zip(sightings)
        .enumerate()
        .filter(|(_, (_, sightings))| !sightings.is_empty())
        .filter_map(|(r, (star, mut sightings))| {
            let pixel = [star.x, star.y];
            sightings.push(Sighting {
                frame: bundle.reference,
                star: r,
                pixel,
            });
            Some(Track {
                direction: bundle.direction(pixel)?,
                sightings,
            })
        })
        .collect()
}

fn pair_again(
    fields: &[&Field],
    bundle: &Bundle,
    frame: usize,
    reach: f64,
    settings: &RegisterSettings,
) -> Vec<(usize, usize)> {
    if frame == bundle.reference || bundle.rotations[frame].is_none() {
        return Vec::new();
    }
    let most = settings.matching.pairs;
    let stars = &fields[frame].stars;
    let grid = Grid::new(stars.iter().map(|s| [s.x, s.y]).collect(), 40.0);
    let mut taken = vec![None; stars.len()];
    for (r, star) in fields[bundle.reference].stars.iter().take(most).enumerate() {
        let carried = bundle
            .direction([star.x, star.y])
            .and_then(|d| bundle.sight(frame, &d))
            .and_then(|v| bundle.lens.project(&v));
        let Some((i, d2)) = carried.and_then(|p| grid.nearest(p, reach)) else {
            continue;
        };
        if taken[i].is_none_or(|(_, d)| d2 < d) {
            taken[i] = Some((r, d2));
        }
    }
    let mut pairs: Vec<(usize, usize)> = taken
        .iter()
        .enumerate()
        .filter_map(|(i, t)| t.map(|(r, _)| (r, i)))
        .collect();
    pairs.sort_unstable();
    pairs
}

/// Signal over noise of a star whose width says something of a frame.
const CLEAR_SNR: f32 = 20.0;

/// What one frame's sightings come to.
#[derive(Clone, Default)]
struct Sum {
    matched: usize,
    squares: f64,
    fluxes: Vec<f32>,
    widths: Vec<f32>,
}

fn summarise(fields: &[&Field], bundle: &Bundle, settings: &RegisterSettings) -> Registration {
    let mut per_frame = vec![Sum::default(); fields.len()];
    let mut residuals = Vec::new();
    let (mut count, mut sum) = (0usize, 0.0);
    let limit = 5.0 * bundle.scale();
    for track in &bundle.tracks {
        let home = track.sightings.last().map(|s| fields[s.frame].stars[s.star]);
        for sighting in &track.sightings {
            let Some(r) = bundle.residual(track, sighting).filter(|r| r.norm() <= limit) else {
                continue;
            };
            let entry = &mut per_frame[sighting.frame];
            // The star's own direction was fitted to the same sightings.
            let seen = track.sightings.len() as f64;
            let square = r.norm_squared() * seen / (seen - 1.0).max(1.0);
            entry.matched += 1;
            entry.squares += square;
            (count, sum) = (count + 1, sum + square);
            let star = fields[sighting.frame].stars[sighting.star];
            if let Some(home) = home.filter(|h| !h.saturated && !star.saturated && h.flux > 0.0) {
                entry.fluxes.push(star.flux / home.flux);
                if star.snr.min(home.snr) > CLEAR_SNR && home.fwhm_px > 0.0 {
                    entry.widths.push(star.fwhm_px / home.fwhm_px);
                }
            }
            residuals.push(Residual {
                frame: sighting.frame,
                x: sighting.pixel[0] as f32,
                y: sighting.pixel[1] as f32,
                dx: r.x as f32,
                dy: r.y as f32,
            });
        }
    }
    let stride = residuals.len().div_ceil(settings.max_residuals.max(1)).max(1);
    let frames = (0..fields.len())
        .map(|i| frame_summary(fields[i], bundle, i, std::mem::take(&mut per_frame[i]), settings))
        .collect();
    Registration {
        lens: bundle.lens,
        reference: bundle.reference,
        frames,
        rms_px: (sum / count.max(1) as f64).sqrt(),
        residuals: residuals.into_iter().step_by(stride).collect(),
        air: bundle.air.clone(),
    }
}

fn frame_summary(
    field: &Field,
    bundle: &Bundle,
    index: usize,
    sum: Sum,
    settings: &RegisterSettings,
) -> FrameRegistration {
    let Sum {
        matched,
        squares,
        fluxes,
        widths,
    } = sum;
    let reference = index == bundle.reference;
    let fitted = bundle.rotations[index].filter(|_| reference || matched >= settings.min_stars);
    let reason = match fitted {
        Some(_) => None,
        None if field.stars.len() < settings.min_stars => Some(format!(
            "only {} stars were found, {} are needed",
            field.stars.len(),
            settings.min_stars
        )),
        None if bundle.rotations[index].is_some() => Some(format!(
            "only {matched} of its {} stars fit the others', {} are needed",
            field.stars.len(),
            settings.min_stars
        )),
        None => Some(format!("its {} stars match no other frame's", field.stars.len())),
    };
    FrameRegistration {
        rotation: fitted,
        rms_px: (squares / matched.max(1) as f64).sqrt(),
        matched,
        flux_ratio: if reference { Some(1.0) } else { median_of(fluxes) },
        width_ratio: if reference { Some(1.0) } else { median_of(widths) },
        reason,
    }
}

/// How far the principal point may lie from the frame's middle, as a part of the diagonal
/// (common practice, no source).
const CENTRE_SIGMA: f64 = 0.005;

/// How far the lens may lie from what a frame's identification says: log focal length, principal
/// point (pixels), radial terms. Some three times the errors met on simulated frames.
const IDENTIFIED_SIGMA: [f64; LENS] = [2e-4, 0.5, 0.5, 5e-4, 1e-3, 1e-3];
