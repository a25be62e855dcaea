//! One identified frame as the axis needs it: stars where the air shows them, and their pixels.

use nalgebra::{Rotation3, Vector3};
use nightloom_sky::{Air, Angle, Observer, Target, catalogue};

use crate::{Identification, Star};

/// A catalogue star in a frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sight {
    /// Its apparent direction in the ground frame (x east, y north, z up), lifted by refraction.
    pub ground: Vector3<f64>,
    /// Its airless direction in the ground frame.
    pub airless: Vector3<f64>,
    /// Where it is in the frame.
    pub pixel: [f64; 2],
    /// Standard deviation of the pixel on one axis.
    pub sigma_px: f64,
}

/// An identified frame.
#[derive(Clone, Debug, PartialEq)]
pub struct AxisFrame {
    /// Middle of the exposure, seconds from a moment common to all frames.
    pub seconds: f64,
    /// Length of the exposure, seconds.
    pub exposure_s: f64,
    /// Its stars.
    pub sights: Vec<Sight>,
    /// First guess of the rotation from the ground frame to the camera's.
    pub camera: Rotation3<f64>,
}

/// Centres are no better than this, pixels: seeing, the grid of colours, blended neighbours.
const FLOOR_PX: f64 = 0.03;
/// Centre's error over full width by signal-to-noise: 1/2.355 where the star's own light is the noise, √2 of it
/// and more where the sky's is (King 1983, PASP 95, 163).
const CENTRE_SHARE: f64 = 0.6;
/// A saturated star's centre rests on its wings, pixels.
const SATURATED_PX: f64 = 0.3;
/// Stars lower than this are left out: the air there is not in any formula.
const LOWEST_DEG: f64 = 2.0;

impl AxisFrame {
    /// Takes the matched stars of an identification to their apparent places at `observer`.
    ///
    /// Apparent places are exact (aberration, parallax, refraction after Bennett turned round), so that what
    /// is fitted is the camera in the ground frame. `flip_from`: the frame's width in pixels where it was
    /// identified as a mirror image.
    pub fn new(
        found: &Identification,
        stars: &[Star],
        flip_from: Option<usize>,
        observer: &Observer,
        seconds: f64,
        exposure_s: f64,
    ) -> Self {
        let known = catalogue::stars();
        let sights = found
            .matches
            .iter()
            .filter_map(|&(s, c)| {
                let (star, target) = (&stars[s], Target::from(&known[c]));
                let airless = observer.direction(&target).into_inner();
                let x = flip_from.map_or(star.x, |width| width as f64 - 1.0 - star.x);
                Some(Sight {
                    ground: lifted(observer.air(), &airless)?,
                    airless,
                    pixel: [x, star.y],
                    sigma_px: sigma_px(star),
                })
            })
            .collect();
        let ground = observer.site().ground_from_icrs(observer.instant());
        Self {
            seconds,
            exposure_s,
            sights,
            camera: found.attitude * ground.inverse(),
        }
    }
}

fn sigma_px(star: &Star) -> f64 {
    let photons = CENTRE_SHARE * f64::from(star.fwhm_px.clamp(1.0, 12.0)) / f64::from(star.snr.max(1.0));
    let wings = if star.saturated { SATURATED_PX } else { 0.0 };
    FLOOR_PX.hypot(photons).hypot(wings)
}

/// An airless direction where it is seen; `None` too low to say.
pub(super) fn lifted(air: &Air, airless: &Vector3<f64>) -> Option<Vector3<f64>> {
    let across = airless.x.hypot(airless.y);
    let altitude = Angle::from_rad(airless.z.atan2(across));
    if altitude.deg() < LOWEST_DEG {
        return None;
    }
    let seen = air.lifted_altitude(altitude);
    let k = seen.cos() / across.max(1e-12);
    Some(Vector3::new(airless.x * k, airless.y * k, seen.sin()))
}
