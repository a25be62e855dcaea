//! The moment whose sky is shown: the one that the tracked frames cover best over this ridge.
//!
//! Land frames are taken before or after the tracked set, as a rule, and a part of the sky that stood over the land then
//! lies outside all tracked frames. Near the middle of the set most of it lies inside them, and what one frame has
//! behind the ridge another has above it.

use nightloom_outing::FrameTime;
use nightloom_raster::Plane;
use nightloom_sky::Instant;
use rayon::prelude::*;

use super::canvas::{Canvas, SkyCamera};
use super::place::Placement;

/// Moments that are compared.
const MOMENTS: usize = 33;
/// Places of the sky that are looked at, along the frame's longer side.
const PLACES: usize = 48;
/// Columns in which the ridge is looked at.
const RIDGE_COLUMNS: usize = 160;
/// So many pixels above the ridge.
const OVER_RIDGE_PX: usize = 4;
/// Matte above which a place is clear of land.
const CLEAR: f32 = 0.98;
/// Noise falls with the number of frames; a place that none sees counts as this share of one.
const UNSEEN: f64 = 0.2;

/// The used tracked frames: their cameras and when they were taken.
pub(super) struct TrackedSet<'a> {
    pub(super) cameras: Vec<SkyCamera<'a>>,
    pub(super) times: Vec<FrameTime>,
    pub(super) size: (usize, usize),
}

/// The moment to show; `None` where the sky cannot be turned or no tracked frame is timed. `at` gives the land frame's grid
/// at a moment, `alpha` is its matte.
pub(super) fn best_covered(
    set: &TrackedSet<'_>,
    placement: &Placement,
    alpha: &Plane,
    at: &(dyn Fn(&Placement) -> Canvas + Sync),
) -> Option<Instant> {
    let first = set.times.iter().map(FrameTime::middle).min()?;
    let last = set.times.iter().map(FrameTime::middle).max()?;
    let span = last.seconds_since(first);
    let places = Places::of(alpha);
    let lands: Vec<_> = set
        .times
        .iter()
        .map(|t| placement.moved_to(t.middle()))
        .collect::<Option<_>>()?;
    let costs: Vec<(f64, Instant)> = (0..MOMENTS)
        .into_par_iter()
        .filter_map(|k| {
            let share = k as f64 / (MOMENTS - 1) as f64;
            let shown = placement.moved_to(first.plus_seconds(span * share))?;
            let canvas = at(&shown);
            let depth = |pixel: &[f64; 2]| {
                let seen = |(camera, land): (&SkyCamera<'_>, &Placement)| {
                    let inside = canvas
                        .to_sky_frame(camera, *pixel)
                        .is_some_and(|p| SkyCamera::well_inside(p, set.size));
                    let air = land.air_at(land.instant);
                    let clear = || {
                        canvas
                            .to_land_frame(&land.rotation, air.as_ref(), *pixel)
                            .is_none_or(|p| nearest(alpha, p) > CLEAR)
                    };
                    inside && clear()
                };
                set.cameras.iter().zip(&lands).filter(|&pair| seen(pair)).count()
            };
            let mean = |places: &[[f64; 2]]| {
                let cost: f64 = places.iter().map(|p| 1.0 / (depth(p) as f64 + UNSEEN)).sum();
                cost / places.len().max(1) as f64
            };
            // Of moments as good as each other the one nearest to the middle.
            let aside = 1e-3 * (share - 0.5).abs();
            Some((mean(&places.open) + mean(&places.ridge) + aside, shown.instant))
        })
        .collect();
    costs
        .into_iter()
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, moment)| moment)
}

/// The matte at the pixel nearest to a place; the outermost pixels go on beyond the frame.
fn nearest(alpha: &Plane, [x, y]: [f64; 2]) -> f32 {
    let index = |v: f64, n: usize| (v.round().max(0.0) as usize).min(n - 1);
    alpha.at(index(x, alpha.width()), index(y, alpha.height()))
}

/// Pixels of the land frame in which sky is looked at.
struct Places {
    open: Vec<[f64; 2]>,
    ridge: Vec<[f64; 2]>,
}

impl Places {
    fn of(alpha: &Plane) -> Self {
        let (width, height) = (alpha.width(), alpha.height());
        let step = (width.max(height) / PLACES).max(1);
        let mut open = Vec::new();
        for y in (step / 2..height).step_by(step) {
            let clear = (step / 2..width)
                .step_by(step)
                .filter(|&x| alpha.at(x, y) > CLEAR);
            open.extend(clear.map(|x| [x as f64, y as f64]));
        }
        let mut ridge = Vec::new();
        for x in (0..width).step_by((width / RIDGE_COLUMNS).max(1)) {
            let over = (0..height.saturating_sub(OVER_RIDGE_PX))
                .filter(|&y| alpha.at(x, y) > CLEAR && alpha.at(x, y + OVER_RIDGE_PX) < 0.5)
                .find(|&y| alpha.at(x, y + 1) <= CLEAR);
            ridge.extend(over.map(|y| [x as f64, y as f64]));
        }
        Self { open, ridge }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{Rotation3, Unit, Vector3};
    use nightloom_optics::Lens;

    /// Tracked frames that look where the land camera looked at `middle_s`; the land was taken at 0 s.
    fn moment(middle_s: f64, alpha: &Plane) -> f64 {
        let start: Instant = "2026-08-14T22:00:00Z".parse().expect("a valid instant");
        let lens = Lens::rectilinear(700.0, 1000, 660);
        let placement = Placement {
            instant: start,
            rotation: Rotation3::identity(),
            pole: Some(Unit::new_normalize(Vector3::new(0.1, -0.7, 0.6))),
            rms_px: 0.0,
            overhead: None,
        };
        let camera_then = placement
            .rotation_at(start.plus_seconds(middle_s))
            .expect("a pole");
        let time = |k: i32| FrameTime {
            start: start.plus_seconds(middle_s + f64::from(k) * 130.0 - 60.0),
            exposure_s: 120.0,
        };
        let set = TrackedSet {
            cameras: (0..9)
                .map(|frame| SkyCamera {
                    frame,
                    rotation: camera_then,
                    lens: &lens,
                })
                .collect(),
            times: (-4..=4).map(time).collect(),
            size: (1000, 660),
        };
        let at = |p: &Placement| Canvas::of_frame(1000, 660, lens, p.rotation);
        best_covered(&set, &placement, alpha, &at)
            .expect("a moment")
            .seconds_since(start)
    }

    #[test]
    fn the_middle_of_the_set_is_chosen_whenever_the_land_was_taken() {
        let ridge = Plane::from_fn(1000, 660, |x, y| f32::from(u8::from(y < 400 + x / 20)));
        for middle in [-2400.0, 0.0, 3600.0] {
            let found = moment(middle, &ridge);
            assert!((found - middle).abs() < 150.0, "{found} for {middle}");
        }
    }
}
