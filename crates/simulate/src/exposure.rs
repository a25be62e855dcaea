//! The light that an exposure gathers: sky, stars, what crosses them, and the land before them.

use nalgebra::Matrix3;
use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::colour::StarColours;
use crate::events::{self, Crossing};
use crate::glow::{Glow, Moonlight, rate_of_22};
use crate::land::{Cover, Kernel, Painting, look};
use crate::role::ShotRole;
use crate::scenario::Scenario;
use crate::sensor::{Optics, Sensor};
use crate::shots::Shot;
use crate::splat::{Filter, Trail, draw};
use crate::starfield::{CameraView, Drawing, Seen, Star, knots, stretches};

/// All that the frames of a night share.
pub(crate) struct Night<'a> {
    pub(crate) scenario: &'a Scenario,
    pub(crate) sensor: Sensor,
    pub(crate) optics: Optics,
    pub(crate) glow: Glow,
    pub(crate) colours: StarColours,
    pub(crate) stars: Vec<Star>,
    pub(crate) painting: Option<Painting>,
    /// How much of the land frames' light on the land there is before moonrise.
    pub(crate) land_before_moonrise: f64,
}

/// A frame's light before lens and sensor had their way with it.
pub(crate) struct Gathered {
    /// Electrons as an evenly lit frame would leave them after division.
    pub(crate) light: Plane,
    pub(crate) seen: Vec<Seen>,
    pub(crate) crossings: Vec<Crossing>,
}

impl Night<'_> {
    pub(crate) fn drawing(&self) -> Drawing<'_> {
        Drawing {
            scenario: self.scenario,
            optics: &self.optics,
            colours: &self.colours,
        }
    }

    /// Electrons a second that 22 mag/arcsec² gives on the axis in green.
    pub(crate) fn rate(&self) -> f64 {
        rate_of_22(self.scenario, self.optics.area_cm2)
    }

    /// Everything of a sky or land frame.
    pub(crate) fn gather(&self, shot: &Shot, filter: Filter) -> Gathered {
        let seconds = shot.exposure.seconds;
        let middle = CameraView::of(self.scenario, shot, seconds / 2.0);
        let moon = Moonlight::at(self.scenario, shot.middle());
        let mut light = self.background(&middle, Some(&moon), seconds, filter);
        let seen = self.stars_of(shot);
        let trails: Vec<Trail> = seen.iter().map(|s| s.trail.clone()).collect();
        draw(&mut light, &trails, filter);
        drop(trails);
        let crossings = if shot.role == ShotRole::Sky {
            events::crossings(
                self.scenario,
                shot,
                self.optics.area_cm2,
                self.drawing().core_sigma(),
            )
        } else {
            Vec::new()
        };
        for crossing in &crossings {
            draw(&mut light, &crossing.trails, filter);
        }
        if shot.role == ShotRole::Sky && self.scenario.mishaps.cloud == Some(shot.index) {
            self.veil(&mut light, seconds, filter);
        }
        if let Some(painting) = &self.painting {
            let cover = self.cover(painting, shot, filter);
            let strength = if shot.role == ShotRole::Land {
                1.0
            } else {
                self.land_before_moonrise
            };
            self.put_before(&mut light, &cover, strength * seconds);
        }
        Gathered {
            light,
            seen,
            crossings,
        }
    }

    /// The sky without stars, electrons.
    pub(crate) fn background(
        &self,
        view: &CameraView,
        moon: Option<&Moonlight>,
        seconds: f64,
        filter: Filter,
    ) -> Plane {
        let (width, height) = self.scenario.size.pixels();
        let step = (width / 750).max(2);
        let (cols, rows) = (width.div_ceil(step) + 1, height.div_ceil(step) + 1);
        let scale = (self.rate() * seconds) as f32;
        let nodes: Vec<[f32; 3]> = (0..cols * rows)
            .into_par_iter()
            .map(|i| {
                let pixel = [((i % cols) * step) as f64, ((i / cols) * step) as f64];
                let looks = view.looks(self.scenario, &self.optics.lens, pixel);
                looks.map_or([0.0; 3], |[apparent, icrs]| {
                    self.glow.at(&apparent, &icrs, moon).map(|v| v as f32 * scale)
                })
            })
            .collect();
        let mut plane = Plane::filled(width, height, 0.0);
        plane
            .data_mut()
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(y, row)| {
                let ty = (y % step) as f32 / step as f32;
                let above = &nodes[y / step * cols..][..cols];
                let below = &nodes[(y / step + 1) * cols..][..cols];
                for (x, value) in row.iter_mut().enumerate() {
                    let (cell, tx, c) = (x / step, (x % step) as f32 / step as f32, filter.colour(x, y));
                    let upper = above[cell][c] + (above[cell + 1][c] - above[cell][c]) * tx;
                    let lower = below[cell][c] + (below[cell + 1][c] - below[cell][c]) * tx;
                    *value = upper + (lower - upper) * ty;
                }
            });
        plane
    }

    /// The stars of an exposure; a bumped one shows each twice.
    pub(crate) fn stars_of(&self, shot: &Shot) -> Vec<Seen> {
        let mut seen = Vec::new();
        for [from, to] in stretches(shot) {
            let n = knots(shot.role);
            let views: Vec<CameraView> = (0..n)
                .map(|i| {
                    CameraView::of(
                        self.scenario,
                        shot,
                        from + (to - from) * i as f64 / (n - 1) as f64,
                    )
                })
                .collect();
            seen.extend(self.drawing().trails(&self.stars, &views, to - from));
        }
        seen
    }

    fn veil(&self, light: &mut Plane, seconds: f64, filter: Filter) {
        let (width, height) = self.scenario.size.pixels();
        let through = events::cloud(self.scenario, width, height);
        // Cloud shines with the town and the airglow that it scatters.
        let shine = self
            .glow
            .ambient()
            .map(|c| (c * 1.5 * self.rate() * seconds) as f32);
        light
            .data_mut()
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(y, row)| {
                for (x, (value, t)) in row.iter_mut().zip(through.row(y)).enumerate() {
                    *value = *value * t + shine[filter.colour(x, y)] * (1.0 - t);
                }
            });
    }

    /// The land as this exposure sees it, smeared where the camera turns.
    pub(crate) fn cover(&self, painting: &Painting, shot: &Shot, filter: Filter) -> Cover {
        let kernel = Kernel::seen(self.drawing().core_sigma());
        let cameras = self.stances(shot);
        look(
            painting,
            &self.optics.lens,
            self.scenario.size.pixels(),
            &cameras,
            &kernel,
            filter,
        )
    }

    /// Where the camera stood while the shutter was open, about a pixel apart.
    fn stances(&self, shot: &Shot) -> Vec<Matrix3<f64>> {
        let seconds = shot.exposure.seconds;
        let turn = shot.camera_from_ground(seconds) * shot.camera_from_ground(0.0).inverse();
        if shot.role != ShotRole::Sky {
            return vec![*shot.camera_from_ground(0.0).matrix()];
        }
        let steps = (turn.angle() * self.optics.lens.focal_px * 1.2)
            .ceil()
            .clamp(9.0, 64.0);
        (0..steps as usize)
            .map(|i| {
                *shot
                    .camera_from_ground(seconds * (i as f64 + 0.5) / steps)
                    .matrix()
            })
            .collect()
    }

    fn put_before(&self, light: &mut Plane, cover: &Cover, seconds: f64) {
        let width = light.width();
        let scale = (self.rate() * seconds) as f32;
        light
            .data_mut()
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(y, row)| {
                let land = cover.alpha.row(y).iter().zip(cover.light.row(y));
                for (value, (alpha, land)) in row.iter_mut().zip(land) {
                    *value = *value * (1.0 - alpha) + land * scale;
                }
            });
    }
}
