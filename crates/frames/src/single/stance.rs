//! Where and when a frame was taken, as far as it or its outing tells.

use std::path::Path;

use nalgebra::{Rotation3, Vector3};
use nightloom_raster::FrameMeta;
use nightloom_sky::{Air, Instant, Site};
use nightloom_stars::Overhead;

use crate::around::{settings_around, site_by_file};
use nightloom_outing::{ClockFrame, World, read_clock, site_zone};

/// Air temperature that refraction is reckoned with, degrees Celsius (common practice, no source).
const USUAL_C: f64 = 10.0;

/// A tripod under the sky at the middle of an exposure.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stance {
    pub(crate) site: Site,
    pub(crate) middle: Instant,
    pub(super) overhead: Overhead,
}

impl Stance {
    pub(crate) fn new(site: Site, middle: Instant) -> Self {
        Self {
            site,
            middle,
            overhead: Overhead {
                ground_from_icrs: site.ground_from_icrs(middle),
                air: Air::at_elevation(site.elevation_m, USUAL_C),
            },
        }
    }

    fn turn(&self) -> &Rotation3<f64> {
        &self.overhead.ground_from_icrs
    }

    /// The true direction, ICRS, of what is seen in a direction given in ICRS axes.
    pub(super) fn lowered(&self, seen: &Vector3<f64>) -> Vector3<f64> {
        self.turn().inverse() * self.overhead.air.lower(&(self.turn() * seen))
    }

    /// Sine of the altitude of a direction.
    pub(crate) fn height(&self, direction: &Vector3<f64>) -> f64 {
        (self.turn() * direction).z
    }
}

/// What is known of place and time: as told, as the outing about the frame says, as the file says.
///
/// `None` where one of both is missing, or nothing tells the offset of the camera's clock.
pub(crate) fn stance(
    path: &Path,
    told: Option<Site>,
    at: Option<Instant>,
    meta: &FrameMeta,
    world: &dyn World,
) -> Option<Stance> {
    let outing = settings_around(path).unwrap_or_default();
    let (mut place, clock) = (outing.site, outing.camera_clock);
    place.place = told.or(place.place).or_else(|| site_by_file(meta));
    let site = place.place?;
    if let Some(at) = at {
        return Some(Stance::new(site, at));
    }
    if place.zone.is_none() {
        place.zone = site_zone(None, &site).ok().map(|z| z.name);
    }
    let frame = ClockFrame {
        name: "",
        meta,
        starry: false,
    };
    let told = read_clock(&[frame], &clock, &place, Some(world.now()));
    let time = told.times.first().copied().flatten().filter(|_| told.absolute)?;
    Some(Stance::new(site, time.middle()))
}
