//! Which stars of the sky a frame shows, its focal length roughly known.
//!
//! Triangles of neighbouring bright stars are compared with those of the catalogue at the same
//! density (as in [`crate::match_fields`]); each likeness gives a focal length and an attitude.
//! The best by a glance at the brightest stars are refined (attitude, focal length, distortion)
//! while the reach shrinks. The answer counts only if so many coincidences are past chance, all
//! attitudes tried counted in.

use nalgebra::{Rotation3, Vector3};
use nightloom_fit::{median_of, rotation_between};
use nightloom_optics::{Attitude, Lens};
use nightloom_sky::{Air, Instant, Site, catalogue};
use rayon::prelude::*;

use crate::bundle::LensPrior;
use crate::grid::Grid;
use crate::matching::log_odds;
use crate::pose::Pose;
use crate::sphere::SphereGrid;
use crate::triangles::{Triangle, triangle, triangles};
use crate::{Star, Stop};

/// How a frame is identified.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct IdentifySettings {
    /// How far the focal length may be off, as a part of it.
    pub focal_tolerance: f64,
    /// Natural logarithm of the odds against chance above which an answer counts.
    pub min_log_odds: f64,
    /// Where the camera stood; refraction is then taken into the catalogue's directions.
    pub site: Option<Site>,
}

impl Default for IdentifySettings {
    fn default() -> Self {
        Self {
            focal_tolerance: 0.05,
            min_log_odds: 25.0,
            site: None,
        }
    }
}

/// A frame identified.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Identification {
    /// Rotation from ICRS to the camera frame. Where a site was given, it applies to directions
    /// lifted by refraction; annual aberration (20″ at most, nearly the same over a frame) is in it.
    pub attitude: Attitude,
    /// The lens as the stars say it is.
    pub lens: Lens,
    /// Index of the star in the frame and in the catalogue.
    pub matches: Vec<(usize, usize)>,
    /// Root mean square residual, pixels.
    pub rms_px: f64,
    /// Natural logarithm of the odds against chance.
    pub log_odds: f64,
}

/// Stars of the frame that triangles are made of.
const BRIGHT: usize = 30;
/// Neighbours each makes triangles with.
const NEIGHBOURS: usize = 7;
/// Catalogue stars a frame holds at the density triangles are made at.
const CATALOGUE_BRIGHT: f64 = 40.0;
/// Difference of a triangle's shape up to which it may be the catalogue's, before distortion is known.
const SHAPE_TOLERANCE: f64 = 0.025;
/// First reach of pairing, as a part of the frame's angular diagonal.
const LOOSE: f64 = 0.012;
/// Squared distance of the corner from the axis, in focal lengths, below which distortion's terms may grow.
const BEND: f64 = 0.1;
/// Stars that poses are fitted to.
const JUDGED: usize = 200;
/// Brightest stars the odds are reckoned with.
const JUDGED_BY: [usize; 5] = [12, 25, 50, 100, JUDGED];
/// Attitudes refined.
const REFINED: usize = 40;
/// Least reach of pairing, pixels: the catalogue lacks aberration, parallax and double stars' orbits.
const TIGHT_PX: f64 = 1.5;

/// Identifies the stars of a frame, brightest first, against the embedded catalogue (V < 8).
///
/// Fields of about 10° to 100° whose focal length is known to `focal_tolerance`; the distortion
/// may be unknown. `None` where no answer is surer than chance.
pub fn identify(
    stars: &[Star],
    guess: &Lens,
    settings: &IdentifySettings,
    instant: Instant,
) -> Option<Identification> {
    identify_unless(stars, guess, settings, instant, &|| false)
}

/// The same, given up with `None` once `stop` says so, within some tenths of a second.
pub fn identify_unless(
    stars: &[Star],
    guess: &Lens,
    settings: &IdentifySettings,
    instant: Instant,
    stop: Stop<'_>,
) -> Option<Identification> {
    if stars.len() < 6 {
        return None;
    }
    let directions = apparent(settings.site, instant);
    let search = Search::new(stars, guess, settings, &directions)?;
    let glimpse = search.glimpse()?;
    let hypotheses = search.hypotheses(&glimpse.bright);
    let tried = hypotheses.len().max(1) as f64;
    let mut glanced: Vec<(usize, usize)> = hypotheses
        .par_iter()
        .enumerate()
        .map(|(i, pose)| match stop() {
            true => (0, i),
            false => (search.glance(&glimpse.grid, pose), i),
        })
        .collect();
    glanced.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)));
    glanced.truncate(REFINED);
    let refined: Vec<Option<(f64, Pose, f64)>> = glanced
        .par_iter()
        .map(|&(_, i)| {
            if stop() {
                None
            } else {
                search.refine(hypotheses[i])
            }
        })
        .collect();
    if stop() {
        return None;
    }
    let (odds, pose, reach) = refined
        .into_iter()
        .flatten()
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|b| b.0 - tried.ln() > settings.min_log_odds)?;
    search.conclude(pose, reach, odds - tried.ln())
}

/// The frame and the catalogue as the search needs them.
pub(crate) struct Search<'a> {
    settings: &'a IdentifySettings,
    pixels: Vec<[f64; 2]>,
    magnitudes: Vec<f64>,
    saturated: Vec<bool>,
    guess: Lens,
    /// Middle and half extent of the stars, pixels.
    middle: [f64; 2],
    half: [f64; 2],
    /// Apparent directions of the catalogue's stars, brightest first; `None` below the horizon.
    directions: &'a [Option<Vector3<f64>>],
    /// First reach, radians.
    loose: f64,
    /// Stars that agree by construction and do not count for the odds.
    pub(crate) free: usize,
}

/// The catalogue's brighter stars, for a first look.
struct Glimpse {
    /// At the density of the frame's brightest.
    bright: Vec<Vector3<f64>>,
    grid: SphereGrid,
}

impl<'a> Search<'a> {
    pub(crate) fn new(
        stars: &[Star],
        guess: &Lens,
        settings: &'a IdentifySettings,
        directions: &'a [Option<Vector3<f64>>],
    ) -> Option<Self> {
        let pixels: Vec<[f64; 2]> = stars.iter().map(|s| [s.x, s.y]).collect();
        let bound = |k: usize| {
            let low = pixels.iter().map(|p| p[k]).fold(f64::INFINITY, f64::min);
            let high = pixels.iter().map(|p| p[k]).fold(f64::NEG_INFINITY, f64::max);
            (0.5 * (low + high), (0.5 * (high - low)).max(10.0))
        };
        let ((mx, hx), (my, hy)) = (bound(0), bound(1));
        let mut search = Self {
            settings,
            magnitudes: stars
                .iter()
                .map(|s| -2.5 * f64::from(s.flux.max(1e-9)).log10())
                .collect(),
            saturated: stars.iter().map(|s| s.saturated).collect(),
            pixels,
            guess: *guess,
            middle: [mx, my],
            half: [hx, hy],
            directions,
            loose: 0.0,
            free: 0,
        };
        let [a, b, _] = search.corners()?;
        search.loose = LOOSE * a.angle(&b);
        Some(search)
    }

    /// Where the guess has the first, the last and the top right corner of the stars' extent.
    fn corners(&self) -> Option<[Vector3<f64>; 3]> {
        let corner = |sx: f64, sy: f64| {
            let p = [
                self.middle[0] + sx * self.half[0],
                self.middle[1] + sy * self.half[1],
            ];
            self.guess.unproject(p).map(|d| d.into_inner())
        };
        Some([corner(-1.0, -1.0)?, corner(1.0, 1.0)?, corner(1.0, -1.0)?])
    }

    fn glimpse(&self) -> Option<Glimpse> {
        let [a, b, c] = self.corners()?;
        let solid = a.angle(&c) * c.angle(&b);
        let depth = |in_frame: f64| {
            ((in_frame * 4.0 * std::f64::consts::PI / solid) as usize).clamp(100, self.directions.len())
        };
        let brightest = |n: usize| {
            self.directions
                .iter()
                .take(n)
                .flatten()
                .copied()
                .collect::<Vec<_>>()
        };
        Some(Glimpse {
            bright: brightest(depth(CATALOGUE_BRIGHT)),
            grid: SphereGrid::new(brightest(depth(2.5 * CATALOGUE_BRIGHT)), self.loose),
        })
    }

    /// Poses from likenesses of triangles.
    fn hypotheses(&self, bright: &[Vector3<f64>]) -> Vec<Pose> {
        let seen: Vec<Vector3<f64>> = self
            .pixels
            .iter()
            .take(BRIGHT)
            .filter_map(|p| self.guess.unproject(*p))
            .map(|d| d.into_inner())
            .collect();
        let pixels: Vec<[f64; 2]> = self
            .pixels
            .iter()
            .take(BRIGHT)
            .filter(|p| self.guess.unproject(**p).is_some())
            .copied()
            .collect();
        let mut known = catalogue_triangles(bright);
        known.sort_by(|a, b| a.shape[0].total_cmp(&b.shape[0]));
        let scale = 1.0 + self.settings.focal_tolerance + 0.04;
        triangles(&seen, NEIGHBOURS)
            .par_iter()
            .flat_map_iter(|t| {
                let from = known.partition_point(|k| k.shape[0] < t.shape[0] - SHAPE_TOLERANCE);
                known[from..]
                    .iter()
                    .take_while(|k| k.shape[0] <= t.shape[0] + SHAPE_TOLERANCE)
                    .filter(|k| {
                        let ratio = k.size / t.size;
                        k.clockwise == t.clockwise
                            && (k.shape[1] - t.shape[1]).abs() <= SHAPE_TOLERANCE
                            && ratio < scale
                            && ratio > 1.0 / scale
                    })
                    .filter_map(|k| self.pose(t, k, &pixels, bright))
                    .collect::<Vec<_>>()
            })
            .collect()
    }

    fn pose(
        &self,
        seen: &Triangle,
        known: &Triangle,
        pixels: &[[f64; 2]],
        bright: &[Vector3<f64>],
    ) -> Option<Pose> {
        let tolerance = self.settings.focal_tolerance;
        let factor = (seen.size / known.size).clamp(1.0 - tolerance, 1.0 + tolerance);
        let lens = Lens {
            focal_px: self.guess.focal_px * factor,
            ..self.guess
        };
        let mut pairs = [(Vector3::zeros(), Vector3::zeros(), 1.0); 3];
        for ((pair, seen), known) in pairs.iter_mut().zip(seen.corners).zip(known.corners) {
            (pair.0, pair.1) = (bright[known], lens.unproject(pixels[seen])?.into_inner());
        }
        Some(Pose {
            attitude: rotation_between(pairs)?,
            lens,
        })
    }

    /// How many of the brightest stars fall on one of the catalogue's brighter.
    fn glance(&self, grid: &SphereGrid, pose: &Pose) -> usize {
        let back = pose.attitude.inverse();
        let hit = |p: &&[f64; 2]| {
            pose.lens
                .unproject(**p)
                .is_some_and(|d| grid.any(&(back * d.into_inner()), self.loose))
        };
        // About one in ten hits by chance: most attitudes need not be looked at any longer.
        let (first, rest) = self.pixels[..self.pixels.len().min(BRIGHT)].split_at(self.pixels.len().min(12));
        let early = first.iter().filter(hit).count();
        if early < 3 {
            early
        } else {
            early + rest.iter().filter(hit).count()
        }
    }

    fn prior(&self) -> LensPrior {
        let size = 2.0 * self.half[0].hypot(self.half[1]);
        let focal = (0.5 * self.settings.focal_tolerance).max(1e-4);
        // What bends the corner of a narrow field by as much takes larger coefficients.
        let corner2 = (0.5 * size / self.guess.focal_px).powi(2);
        let bend = |usual: f64, order: i32| usual * (BEND / corner2.powi(order)).max(1.0);
        LensPrior {
            guess: self.guess,
            sigma: [
                focal,
                0.005 * size,
                0.005 * size,
                bend(0.1, 1),
                bend(0.05, 2),
                bend(0.02, 3),
            ],
        }
    }

    /// Catalogue stars in view of a pose, brightest first: index and pixel.
    fn in_view(&self, pose: &Pose, most: usize) -> Vec<(usize, [f64; 2])> {
        let axis = pose
            .lens
            .unproject(self.middle)
            .map(|d| pose.attitude.inverse() * d.into_inner());
        let Some(axis) = axis else { return Vec::new() };
        let nearest = (self.loose / LOOSE).min(1.5).cos();
        self.directions
            .iter()
            .enumerate()
            .filter_map(|(i, d)| {
                let d = (*d)?;
                if d.dot(&axis) < nearest {
                    return None;
                }
                let p = pose.lens.project(&(pose.attitude * d))?;
                let inside = (0..2).all(|k| (p[k] - self.middle[k]).abs() < self.half[k] * 1.02 + 2.0);
                inside.then_some((i, p))
            })
            .take(most)
            .collect()
    }

    /// Each catalogue star in view with the frame's star it falls on, if their brightnesses agree.
    fn pair(&self, pose: &Pose, reach: f64, most: usize) -> Vec<(usize, usize)> {
        let view = self.in_view(pose, 3 * most);
        let count = self.pixels.len().min(most);
        let grid = Grid::new(view.iter().map(|v| v.1).collect(), 40.0);
        let mut pairs: Vec<(usize, usize, f64)> = (0..count)
            .filter_map(|s| {
                grid.nearest(self.pixels[s], reach)
                    .map(|(v, d2)| (s, view[v].0, d2))
            })
            .collect();
        pairs.sort_by(|a, b| a.1.cmp(&b.1).then(a.2.total_cmp(&b.2)));
        pairs.dedup_by_key(|p| p.1);
        let offset =
            |p: &(usize, usize, f64)| f64::from(catalogue::stars()[p.1].v_mag) - self.magnitudes[p.0];
        let zero = median_of(pairs.iter().filter(|p| !self.saturated[p.0]).map(offset));
        let mut pairs: Vec<(usize, usize)> = pairs
            .iter()
            .filter(|p| zero.is_none_or(|z| self.saturated[p.0] || (offset(p) - z).abs() < 1.5))
            .map(|p| (p.0, p.1))
            .collect();
        pairs.sort_unstable();
        pairs
    }

    fn sights(&self, pairs: &[(usize, usize)]) -> Vec<(Vector3<f64>, [f64; 2])> {
        pairs
            .iter()
            .filter_map(|&(s, c)| self.directions[c].map(|d| (d, self.pixels[s])))
            .collect()
    }

    /// Shrinks the reach while fitting. Returns the log odds, the pose and the last reach.
    pub(crate) fn refine(&self, start: Pose) -> Option<(f64, Pose, f64)> {
        let prior = self.prior();
        let mut pose = start;
        let mut reach = self.loose * pose.lens.focal_px;
        for round in 0..10 {
            let pairs = self.pair(&pose, reach, if round < 2 { 2 * BRIGHT } else { JUDGED });
            if pairs.len() < 5 {
                return None;
            }
            let rms = pose.fit(&self.sights(&pairs), reach / 3.0, &prior);
            let next = (3.0 * rms).min(reach * 0.7).max(TIGHT_PX);
            if round > 3 && (reach - next).abs() < 1e-6 {
                break;
            }
            reach = next;
        }
        Some((self.odds(&pose, reach), pose, reach))
    }

    /// By the brightest few or many, whichever say most: in a narrow field the catalogue holds none but the brightest.
    fn odds(&self, pose: &Pose, reach: f64) -> f64 {
        let area = 4.0 * self.half[0] * self.half[1];
        let by = |most: usize| {
            let count = self.pixels.len().min(most);
            let hits = self.pair(pose, reach, most).len();
            let view = self.in_view(pose, 3 * most).len() as f64;
            log_odds(
                count.saturating_sub(self.free),
                hits.saturating_sub(self.free),
                view * std::f64::consts::PI * reach * reach / area,
            )
        };
        let best = JUDGED_BY.into_iter().map(by).fold(0.0, f64::max);
        // So many chances were taken.
        best - (JUDGED_BY.len() as f64).ln()
    }

    /// All stars against the whole catalogue, once the answer is sure.
    pub(crate) fn conclude(&self, mut pose: Pose, reach: f64, log_odds: f64) -> Option<Identification> {
        let prior = self.prior();
        let mut reach = reach.max(2.0);
        let mut matches = Vec::new();
        for _ in 0..4 {
            matches = self.pair(&pose, reach, self.pixels.len());
            let rms = pose.fit(&self.sights(&matches), reach / 3.0, &prior);
            reach = (3.5 * rms).clamp(0.5, reach.max(0.5));
        }
        let squares: Vec<f64> = self
            .sights(&matches)
            .iter()
            .filter_map(|(d, p)| {
                pose.lens
                    .project(&(pose.attitude * d))
                    .map(|q| (q[0] - p[0]).powi(2) + (q[1] - p[1]).powi(2))
            })
            .collect();
        let rms_px = (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt();
        let sane = (pose.lens.focal_px / self.guess.focal_px).ln().abs()
            < 1.5 * self.settings.focal_tolerance + 0.01;
        sane.then_some(Identification {
            attitude: pose.attitude,
            lens: pose.lens,
            matches,
            rms_px,
            log_odds,
        })
    }
}

/// Where the catalogue's stars appear to stand, in ICRS axes.
pub(crate) fn apparent(site: Option<Site>, instant: Instant) -> Vec<Option<Vector3<f64>>> {
    let ground: Option<(Rotation3<f64>, Air)> = site.map(|site| {
        (
            site.ground_from_icrs(instant),
            Air::at_elevation(site.elevation_m, 10.0),
        )
    });
    catalogue::stars()
        .par_iter()
        .map(|star| {
            let d = star.direction(instant).into_inner();
            match &ground {
                None => Some(d),
                Some((turn, air)) => {
                    let up = turn * d;
                    (up.z > -0.02).then(|| turn.inverse() * air.lift(&up))
                }
            }
        })
        .collect()
}

/// Triangles of each star with its nearest neighbours, over the whole sky.
fn catalogue_triangles(stars: &[Vector3<f64>]) -> Vec<Triangle> {
    // About twice as many stars as wanted lie within this reach, were they evenly spread.
    let reach = 2.0 * (2.0 * NEIGHBOURS as f64 / stars.len().max(1) as f64).sqrt();
    let grid = SphereGrid::new(stars.to_vec(), reach);
    let mut keys: Vec<[usize; 3]> = (0..stars.len())
        .into_par_iter()
        .flat_map_iter(|i| {
            let mut near: Vec<(f64, usize)> = Vec::new();
            grid.within(&stars[i], reach, |j, d2| {
                if j != i {
                    near.push((d2, j));
                }
            });
            near.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            near.truncate(NEIGHBOURS);
            let mut keys = Vec::new();
            for (n, a) in near.iter().enumerate() {
                for b in &near[n + 1..] {
                    let mut key = [i, a.1, b.1];
                    key.sort_unstable();
                    keys.push(key);
                }
            }
            keys
        })
        .collect();
    keys.sort_unstable();
    keys.dedup();
    keys.into_par_iter()
        .filter_map(|key| triangle(stars, key))
        .collect()
}
