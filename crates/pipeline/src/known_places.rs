//! What is known of the land frame's pixels before looking at them: where stars trailed, and what lies below the horizon.

use nalgebra::Vector3;
use nightloom_raster::Plane;
use nightloom_seam::Places;
use nightloom_sky::Skyline;

use super::canvas::{Canvas, SkyCamera};
use super::ground::Axes;
use super::place::Placement;
use nightloom_outing::FrameTime;
use nightloom_stars::Star;

/// Moments of an exposure at which a star is looked up; straight between them.
const MOMENTS: usize = 6;
/// Stars stronger than this against noise in a tracked frame leave a trail that can be seen.
const LEAST_SNR: f32 = 40.0;
/// A trail is so wide on either side of its middle, pixels.
const HALF_WIDTH_PX: i64 = 2;
/// Dip of the horizon, degrees for the root of the height in metres: 1.76′, refraction in it (Nautical Almanac, “Dip”; from memory).
const DIP_DEG: f64 = 1.76 / 60.0;
/// The camera's direction is trusted to so many degrees.
const TRUST_DEG: f64 = 0.5;
/// A skyline of elevation tiles is trusted to these many metres at its edge's distance, one without distances to so many
/// degrees (common practice, no source).
const TILES_TRUST_M: f64 = 30.0;
const HAND_TRUST_DEG: f64 = 1.0;
/// More stars than this below the horizon: the clock or the place is wrong, and nothing is known of the horizon.
const MOST_STARS_BELOW: usize = 2;

/// What the marks are made of.
pub(super) struct KnownFrom<'a> {
    /// The land frame's grid with the sky of a placement over it.
    pub(super) canvas_at: &'a dyn Fn(&Placement) -> Canvas,
    pub(super) placement: &'a Placement,
    /// When the land frames of the stack were taken.
    pub(super) times: &'a [FrameTime],
    /// A tracked frame and its stars.
    pub(super) tracked: (SkyCamera<'a>, &'a [Star]),
    /// Directions of bright stars in the reference camera's axes, where it is identified.
    pub(super) catalogue: Vec<Vector3<f64>>,
    /// Places of stars in the land frame.
    pub(super) seen: &'a [[f32; 2]],
    /// Height of the standpoint over the sea, metres.
    pub(super) elevation_m: f64,
    /// The site's skyline, where the outing has one: land reaches up to it at least.
    pub(super) skyline: Option<&'a Skyline>,
}

/// The marks; empty ones where the sky cannot be turned.
pub(super) fn known_places(from: &KnownFrom<'_>, size: [usize; 2]) -> Places {
    let mut places = Places::new(size[0], size[1]);
    for time in from.times {
        trails_of(from, time, &mut places);
    }
    // A skyline that stars contradict is of another place; so is a horizon.
    for skyline in from.skyline.map(Some).into_iter().chain([None]) {
        let Some(high) = heights(from, skyline, size) else {
            break;
        };
        let at = |[x, y]: [f32; 2]| {
            let index = |v: f32, n: usize| (v.max(0.0) as usize / STEP).min(n - 1);
            high.at(index(x, high.width()), index(y, high.height()))
        };
        let below = from.seen.iter().filter(|s| at(**s) < 0.0).count();
        if below <= MOST_STARS_BELOW {
            places.set_below(|x, y| at([x as f32, y as f32]) < 0.0);
            break;
        }
    }
    places
}

fn trails_of(from: &KnownFrom<'_>, time: &FrameTime, places: &mut Places) {
    let moments: Option<Vec<Canvas>> = (0..MOMENTS)
        .map(|k| {
            let share = k as f64 / (MOMENTS - 1) as f64;
            let then = from
                .placement
                .moved_to(time.start.plus_seconds(time.exposure_s * share))?;
            Some((from.canvas_at)(&then))
        })
        .collect();
    let Some(moments) = moments else { return };
    let mut mark = |place: &dyn Fn(&Canvas) -> Option<[f64; 2]>| {
        let way: Vec<[f64; 2]> = moments.iter().filter_map(place).collect();
        way.windows(2).for_each(|leg| draw(leg[0], leg[1], places));
    };
    let (camera, stars) = &from.tracked;
    for star in stars.iter().filter(|s| s.snr > LEAST_SNR) {
        mark(&|canvas| canvas.shown_at(camera, [star.x, star.y]));
    }
    // Those that the tracked frame has outside or behind land.
    for star in &from.catalogue {
        mark(&|canvas| canvas.shown_star(star).filter(|_| canvas.before_camera(star)));
    }
}

/// Marks a straight line, widened.
fn draw(a: [f64; 2], b: [f64; 2], places: &mut Places) {
    let steps = (b[0] - a[0]).abs().max((b[1] - a[1]).abs()).ceil();
    // Nothing trails by more than this between two moments; a star behind the camera may seem to.
    if !steps.is_finite() || steps > 2000.0 {
        return;
    }
    for k in 0..=steps as usize {
        let t = if steps > 0.0 { k as f64 / steps } else { 0.0 };
        let at = |i: usize| (a[i] + t * (b[i] - a[i])).round() as i64;
        for dy in -HALF_WIDTH_PX..=HALF_WIDTH_PX {
            for dx in -HALF_WIDTH_PX..=HALF_WIDTH_PX {
                places.add_trail(at(0) + dx, at(1) + dy);
            }
        }
    }
}

/// Pixels between places whose height is worked out.
const STEP: usize = 8;

/// Height over the lowest edge of land there can be, degrees, every [`STEP`] pixels; `None` where it is not known.
fn heights(from: &KnownFrom<'_>, skyline: Option<&Skyline>, [width, height]: [usize; 2]) -> Option<Plane> {
    let axes = Axes::at(from.placement)?;
    let canvas = (from.canvas_at)(from.placement);
    let dip = DIP_DEG * from.elevation_m.max(0.0).sqrt() + TRUST_DEG;
    let over = |pixel: [f64; 2]| {
        let [azimuth, altitude] = axes.place_of(&canvas.seen_direction(pixel)?);
        let least = skyline.map_or(-90.0, |skyline| {
            let trust = skyline.edge_m(azimuth).map_or(HAND_TRUST_DEG, |far| {
                TRUST_DEG + TILES_TRUST_M.atan2(far).to_degrees()
            });
            skyline.altitude(azimuth).deg() - trust
        });
        Some((altitude.deg() - least.max(-dip)) as f32)
    };
    Some(Plane::from_fn(
        width.div_ceil(STEP),
        height.div_ceil(STEP),
        |i, j| over([i, j].map(|k| (k * STEP + STEP / 2) as f64)).unwrap_or(90.0),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::place::Overhead;
    use nalgebra::{Rotation3, Unit};
    use nightloom_optics::Lens;
    use nightloom_sky::{Air, Angle, Instant};
    use nightloom_stars::Star;

    /// A camera that looks north along the ground at 45° north, a pixel 1/1000 rad: whether pixels of the middle column are
    /// known to be land.
    fn below(skyline: Option<&Skyline>, seen: &[[f32; 2]], rows: [usize; 3]) -> [bool; 3] {
        let instant: Instant = "2026-08-14T22:00:00Z".parse().expect("an instant");
        let pole = Unit::new_normalize(Vector3::new(0.0, -1.0, 1.0));
        let overhead = Overhead {
            air: Air::at_elevation(0.0, 5.0),
            instant,
            zenith: -Vector3::y(),
            pole,
        };
        let placement = Placement {
            instant,
            rotation: Rotation3::identity(),
            pole: Some(pole),
            rms_px: 0.1,
            overhead: Some(overhead),
        };
        let lens = Lens::rectilinear(1000.0, 800, 600);
        let stars: [Star; 0] = [];
        let from = KnownFrom {
            canvas_at: &|p| Canvas::of_frame(800, 600, lens, p.rotation),
            placement: &placement,
            times: &[],
            tracked: (
                SkyCamera {
                    frame: 0,
                    rotation: Rotation3::identity(),
                    lens: &lens,
                },
                &stars,
            ),
            catalogue: Vec::new(),
            seen,
            elevation_m: 0.0,
            skyline,
        };
        let places = known_places(&from, [800, 600]);
        rows.map(|y| places.below(400, y))
    }

    #[test]
    fn land_reaches_up_to_the_skyline_unless_stars_were_seen_under_it() {
        // 5° all round, its edge 10 km away: known to 0.5° and 30 m at 10 km, 4.3° in all, 75 pixels over the horizon.
        let ridge = Skyline::new(vec![Angle::from_deg(5.0); 360])
            .and_then(|s| s.with_edges_m(vec![10_000.0; 360]))
            .expect("a skyline");
        let rows = [200, 250, 330];
        assert_eq!(below(None, &[], rows), [false, false, true]);
        assert_eq!(below(Some(&ridge), &[], rows), [false, true, true]);
        let star = [400.0, 250.0];
        assert_eq!(below(Some(&ridge), &[star; 3], rows), [false, false, true]);
        // Near land is known less well: 30 m at 100 m are 17°.
        let near = ridge.with_edges_m(vec![100.0; 360]).expect("distances");
        assert_eq!(below(Some(&near), &[], rows), [false, false, true]);
    }
}
