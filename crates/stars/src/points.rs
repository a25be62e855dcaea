//! Measures what the peaks found: points by fits, trails by windows.

use std::collections::HashMap;

use nightloom_raster::Plane;
use nightloom_sky::Angle;
use rayon::prelude::*;

use crate::aperture::aperture;
use crate::blends::{Singles, split};
use crate::components::Components;
use crate::faint::may_be_star;
use crate::fit::{FitNoise, FitSettings, Model, REACH, fit};
use crate::peaks::{Peak, merge_saturated, separate};
use crate::shape::{FWHM_PER_SIGMA, LocalSky, Moments, balance_ends, centre, moments_at};
use crate::spot::{Scene, Spot, typical_shape};
use crate::trails::Trail;
use crate::{Background, LandMask, Star};

/// Peaks measured at most; a frame of twigs has hundreds of thousands.
const MAX_PEAKS: usize = 12_000;
/// Distance of a neighbour in standard deviations of the profile, within which shapes mix.
const CLOSE: f64 = 5.0;
/// Standard deviation of a star along its long axis at most, in those of the frame's profile.
const WIDEST: f64 = 6.0;
/// Fits of all stars after the first, each without the light of the neighbours as last fitted.
const REFITS: usize = 6;

impl Scene<'_> {
    /// The peaks worth measuring, brightest first; none of those on `land`.
    pub(crate) fn clean_peaks(
        &self,
        filtered: &Plane,
        noise: &Background,
        (patches, mut found): (&Components, Vec<Peak>),
        land: Option<&LandMask>,
    ) -> Vec<Peak> {
        found.retain(|p| !land.is_some_and(|l| l.is_land(p.cx, p.cy)) && !self.is_streak(patches, p));
        found.sort_by(|a, b| b.value.total_cmp(&a.value).then((a.y, a.x).cmp(&(b.y, b.x))));
        found.truncate(MAX_PEAKS);
        let found = merge_saturated(self.image, found, self.settings.saturation, self.sigma);
        separate(filtered, noise, found, self.sigma)
    }

    /// Whether the peak's patch is long and thin: a satellite or an aircraft, not a star.
    fn is_streak(&self, patches: &Components, peak: &Peak) -> bool {
        let Some(patch) = patches.at(peak.x, peak.y).map(|i| &patches.list[i]) else {
            return false;
        };
        let (long, short, _) = patch.moments.axes();
        let (long, short) = (long.sqrt(), short.sqrt());
        long > 6.0 * self.sigma && long > 4.0 * short && short < 4.0 * self.sigma
    }

    /// Fits each peak by itself, parts what is two stars in one, then fits all again without their
    /// neighbours' light and the faint ones with the shape of the others.
    pub(crate) fn measure_points(&self, peaks: &[Peak]) -> Vec<Star> {
        let starts: Vec<Spot> = peaks.par_iter().map(|p| self.start(p)).collect();
        let near = Neighbours::new(&starts, self.sigma);
        let mut spots: Vec<Spot> = (0..starts.len())
            .into_par_iter()
            .filter_map(|i| self.first_fit(starts[i], &near.of(&starts, i)))
            .collect();
        let shape = typical_shape(&spots, self.sigma);
        let singles = Singles::new(self, &spots, shape);
        let parted: Vec<Option<[Spot; 2]>> = spots.par_iter().map(|s| split(self, s, &singles)).collect();
        let mut seconds = Vec::new();
        for (spot, pair) in spots.iter_mut().zip(parted) {
            if let Some([first, second]) = pair {
                *spot = first;
                seconds.push(second);
            }
        }
        spots.extend(seconds);
        for _ in 0..REFITS {
            if !spots.iter().any(|s| s.moved) {
                break;
            }
            let near = Neighbours::new(&spots, self.sigma);
            spots = (0..spots.len())
                .into_par_iter()
                .map(|i| {
                    let stirred = spots[i].moved || near.around(&spots, i).any(|n| n.moved);
                    if stirred {
                        self.refit(&spots[i], &near.of(&spots, i), shape)
                    } else {
                        spots[i]
                    }
                })
                .collect();
        }
        let factor = crate::profile::width_factor(self.image, &spots, shape);
        let near = Neighbours::new(&spots, self.sigma);
        (0..spots.len())
            .into_par_iter()
            .filter_map(|i| self.star(&spots[i], &near.of(&spots, i), factor))
            .collect()
    }

    /// A round star where the peak is.
    fn start(&self, peak: &Peak) -> Spot {
        let core = peak.saturated_radius;
        let at = (peak.cx, peak.cy);
        let radius = self.aperture_radius(core);
        let sky = LocalSky::around(self.image, self.background, at.0, at.1, radius + 1.0);
        let noise = self.background.noise_at(at.0, at.1);
        let noise = FitNoise::new(self.background.level_at(at.0, at.1), noise);
        let top = self.image.at(peak.x, peak.y) - sky.at_pixel(peak.x as f64, peak.y as f64);
        Spot {
            snr: peak.snr,
            value: peak.value,
            core,
            sky,
            noise,
            model: Model {
                x: at.0,
                y: at.1,
                height: f64::from(top).max(noise.sky.sqrt()),
                shape: Moments::round(self.sigma.hypot(core)),
            },
            fitted: true,
            close: false,
            moved: true,
        }
    }

    fn first_fit(&self, mut spot: Spot, near: &[Model]) -> Option<Spot> {
        spot.close = self.is_close(&spot, near);
        let free = spot.is_free() && !spot.close;
        if let Some(model) = self.fit(&spot, spot.model, near, free) {
            spot.model = model;
            return Some(spot);
        }
        let window = Moments::round(std::f64::consts::SQRT_2 * self.sigma.hypot(spot.core));
        let found = centre(self.image, &spot.sky, (spot.model.x, spot.model.y), window)?;
        (spot.model.x, spot.model.y) = (found.x, found.y);
        spot.model.shape = found.moments.unwrap_or(spot.model.shape);
        spot.fitted = false;
        Some(spot)
    }

    /// Whether a neighbour is so near and bright that the star's own shape cannot be told.
    fn is_close(&self, spot: &Spot, near: &[Model]) -> bool {
        let off = |n: &Model| (n.x - spot.model.x).hypot(n.y - spot.model.y);
        spot.core == 0.0
            && near
                .iter()
                .any(|n| off(n) < CLOSE * self.sigma && n.height > 0.1 * spot.model.height)
    }

    pub(crate) fn fit(
        &self,
        spot: &Spot,
        start: Model,
        neighbours: &[Model],
        free_shape: bool,
    ) -> Option<Model> {
        let settings = FitSettings {
            free_shape,
            saturation: self.settings.saturation,
            widest: self.widest(spot),
            neighbours,
        };
        fit(self.image, &spot.sky, start, spot.noise, &settings)
    }

    /// The variance beyond which a shape is no star's.
    pub(crate) fn widest(&self, spot: &Spot) -> f64 {
        (WIDEST * self.sigma.hypot(spot.core)).powi(2)
    }

    /// Fits once more where neighbours shine in or where a star takes the others' shape.
    fn refit(&self, spot: &Spot, near: &[Model], shape: Moments) -> Spot {
        let close = self.is_close(spot, near);
        let free = spot.is_free() && !close;
        if !spot.fitted || (near.is_empty() && free) {
            return Spot {
                moved: false,
                ..*spot
            };
        }
        let start = if free {
            spot.model
        } else {
            Model { shape, ..spot.model }
        };
        let model = self.fit(spot, start, near, free).unwrap_or(spot.model);
        Spot {
            model,
            close,
            moved: close != spot.close || model.differs(&spot.model, spot.snr),
            ..*spot
        }
    }

    fn aperture_radius(&self, core: f64) -> f64 {
        2.0 * self.sigma * FWHM_PER_SIGMA + core
    }

    fn star(&self, spot: &Spot, near: &[Model], factor: f64) -> Option<Star> {
        let at = (spot.model.x, spot.model.y);
        let threshold = f64::from(self.settings.threshold_sigma);
        let judged = spot.is_free() && !spot.close || !spot.fitted;
        if !judged && !may_be_star(self.image, spot, self.sigma, threshold, near) {
            return None;
        }
        let radius = self.aperture_radius(spot.core);
        let (flux, peak) = aperture(self.image, &spot.sky, at, radius, (0.0, 0.0), near);
        let shape = if spot.fitted && (spot.is_free() || spot.close) {
            Some(spot.model.shape)
        } else {
            let window = Moments::round(std::f64::consts::SQRT_2 * self.sigma.hypot(spot.core));
            moments_at(self.image, &spot.sky, at, window)
        };
        let (long, short, angle) = shape.map_or((0.0, 0.0, 0.0), Moments::axes);
        (flux > 0.0).then(|| Star {
            x: at.0,
            y: at.1,
            flux: flux as f32,
            peak,
            fwhm_px: (factor * FWHM_PER_SIGMA * (long * short).powf(0.25)) as f32,
            elongation: if short > 0.0 {
                (long / short).sqrt() as f32
            } else {
                1.0
            },
            angle: Angle::from_rad(angle),
            saturated: spot.core > 0.0,
            snr: spot.snr,
        })
    }

    pub(crate) fn measure_trails(&self, trails: &[Trail]) -> Vec<Star> {
        trails
            .par_iter()
            .filter_map(|trail| self.measure_trail(trail))
            .collect()
    }

    fn measure_trail(&self, trail: &Trail) -> Option<Star> {
        let fwhm = self.sigma * FWHM_PER_SIGMA;
        let radius = 1.5 * fwhm;
        let sky = LocalSky::around(
            self.image,
            self.background,
            trail.x,
            trail.y,
            radius + 0.5 * f64::from(trail.length) + 1.0,
        );
        let along = 2.0 * (trail.along - trail.across).max(0.0) + 2.0 * self.sigma * self.sigma;
        let window = Moments::turned(along, 2.0 * self.sigma * self.sigma, trail.angle);
        let found = centre(self.image, &sky, (trail.x, trail.y), window)?;
        let (_, short, _) = found.moments?.axes();
        let segment = (f64::from(trail.length), trail.angle);
        let (x, y) = balance_ends(self.image, &sky, (found.x, found.y), segment, self.sigma);
        let (flux, peak) = aperture(self.image, &sky, (x, y), radius, segment, &[]);
        (flux > 0.0).then(|| Star {
            x,
            y,
            flux: flux as f32,
            peak,
            fwhm_px: (FWHM_PER_SIGMA * short.sqrt()) as f32,
            elongation: (trail.along / trail.across.max(0.1)).sqrt() as f32,
            angle: Angle::from_rad(trail.angle),
            saturated: peak >= self.settings.saturation,
            snr: trail.snr,
        })
    }
}

/// Which stars shine into which.
struct Neighbours {
    cell: f64,
    grid: HashMap<(i64, i64), Vec<usize>>,
}

impl Neighbours {
    fn new(spots: &[Spot], sigma: f64) -> Self {
        let cell = 2.0 * REACH * sigma;
        let mut grid: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
        for (i, s) in spots.iter().enumerate() {
            grid.entry(Self::key(cell, &s.model)).or_default().push(i);
        }
        Self { cell, grid }
    }

    fn key(cell: f64, model: &Model) -> (i64, i64) {
        ((model.x / cell).floor() as i64, (model.y / cell).floor() as i64)
    }

    fn of(&self, spots: &[Spot], of: usize) -> Vec<Model> {
        self.around(spots, of).map(|n| n.model).collect()
    }

    /// The fitted stars whose light may reach a star.
    fn around<'a>(&'a self, spots: &'a [Spot], of: usize) -> impl Iterator<Item = &'a Spot> {
        let here = spots[of].model;
        let (kx, ky) = Self::key(self.cell, &here);
        (0..9)
            .map(move |i| (kx + i % 3 - 1, ky + i / 3 - 1))
            .filter_map(|key| self.grid.get(&key))
            .flatten()
            .filter(move |i| **i != of && spots[**i].fitted)
            .map(|i| &spots[*i])
            .filter(move |s| (s.model.x - here.x).hypot(s.model.y - here.y) < self.cell)
    }
}
