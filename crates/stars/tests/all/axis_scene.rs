//! Cameras on trackers under the catalogue's stars, with known truth.

use nalgebra::{Rotation3, Unit, UnitVector3, Vector3};
use nightloom_optics::{Lens, level};
use nightloom_raster::Plane;
use nightloom_sky::{Angle, EarthOrientation, Instant, Observer, Site, Target, catalogue};
use nightloom_stars::axis::{AxisFrame, AxisMeasurement, Pole, up_and_right_of};
use nightloom_stars::{BlindSettings, DetectSettings, Field, Identification, Star, identify_blind, measure};

use crate::scene::{FULL_WELL, Look, Random, Source, expose, listed, paint};

/// The sky's turn, radians a second.
const SKY: f64 = std::f64::consts::TAU * 1.002_737_811_911_354_6 / 86_400.0;

/// A camera on a tracker.
#[derive(Clone, Debug)]
pub(crate) struct Rig {
    pub(crate) site: Site,
    pub(crate) start: Instant,
    pub(crate) focal_mm: f64,
    /// Across and down; the sensor is 36 mm wide.
    pub(crate) size: (usize, usize),
    pub(crate) exposure_s: f64,
    /// Error of the axis against the refracted pole: up and east, arcminutes.
    pub(crate) off_arcmin: [f64; 2],
    /// In units of the sky's.
    pub(crate) rate: f64,
    /// Amplitude in arcseconds, period in seconds, phase in radians.
    pub(crate) gear: Option<[f64; 3]>,
    /// Painted stars fainter than the catalogue, by those in it: 8 to V = 10.
    pub(crate) fainter: f64,
    /// Azimuth, altitude and roll, degrees.
    pub(crate) aim: [f64; 3],
}

/// What the camera did beside following.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Touch {
    /// Turned about the axis by hand, with the sky, degrees.
    pub(crate) by_hand_deg: f64,
    /// Turned on its head: a rotation vector in the camera's axes, degrees.
    pub(crate) head_deg: [f64; 3],
    /// The tripod turned under it: a rotation vector in the ground frame, arcminutes.
    pub(crate) ground_arcmin: [f64; 3],
}

impl Rig {
    pub(crate) fn new(latitude: f64, focal_mm: f64) -> Self {
        Self {
            site: Site::new(latitude, 15.0, 300.0).unwrap(),
            start: "2026-10-08T20:00:00Z".parse().unwrap(),
            focal_mm,
            size: (3000, 2000),
            exposure_s: 30.0,
            off_arcmin: [22.0, -9.0],
            rate: 1.0,
            gear: None,
            fainter: 8.0,
            aim: [if latitude < 0.0 { 330.0 } else { 150.0 }, 40.0, 4.0],
        }
    }

    pub(crate) fn lens(&self) -> Lens {
        let (width, height) = self.size;
        let mut lens = Lens::rectilinear(self.focal_mm / 36.0 * width as f64, width, height);
        lens.centre_px[0] += 0.001 * width as f64;
        lens.centre_px[1] -= 0.0006 * width as f64;
        let corner2 = (0.6 * width as f64 / lens.focal_px).powi(2);
        lens.radial[0] = -0.012 / corner2.max(0.2);
        lens
    }

    pub(crate) fn observer(&self, seconds: f64) -> Observer {
        Observer::new(
            &self.site,
            self.start.plus_seconds(seconds),
            EarthOrientation::default(),
        )
        .unwrap()
    }

    pub(crate) fn pole(&self) -> Pole {
        Pole::over(&self.observer(0.0))
    }

    /// The axis, from its error in altitude and along the sky in azimuth, east positive.
    pub(crate) fn axis(&self) -> UnitVector3<f64> {
        let pole = self.pole().refracted;
        let altitude = pole.z.asin() + (self.off_arcmin[0] / 60.0).to_radians();
        let east = (self.off_arcmin[1] / 60.0).to_radians() / pole.z.asin().cos();
        let azimuth = if self.site.latitude.rad() < 0.0 {
            std::f64::consts::PI - east
        } else {
            east
        };
        Unit::new_normalize(Vector3::new(
            altitude.cos() * azimuth.sin(),
            altitude.cos() * azimuth.cos(),
            altitude.sin(),
        ))
    }

    /// Turned about the axis after `seconds`, with the sky positive.
    pub(crate) fn turned(&self, seconds: f64) -> f64 {
        let wave = self.gear.map_or(0.0, |[a, p, phase]| {
            (a / 3600.0).to_radians() * (std::f64::consts::TAU * seconds / p + phase).sin()
        });
        self.rate * SKY * seconds + wave
    }

    /// Ground frame to camera: `seconds` after the start, everything touched so far included.
    pub(crate) fn camera(&self, seconds: f64, touch: &Touch) -> Rotation3<f64> {
        let [azimuth, altitude, roll] = self.aim.map(f64::to_radians);
        let forward = Vector3::new(
            azimuth.sin() * altitude.cos(),
            azimuth.cos() * altitude.cos(),
            altitude.sin(),
        );
        let mount = Rotation3::from_axis_angle(&Vector3::z_axis(), -roll) * level(&forward);
        let head = Rotation3::new(Vector3::from(touch.head_deg).map(f64::to_radians));
        let ground = Rotation3::new(Vector3::from(touch.ground_arcmin).map(|a| (a / 60.0).to_radians()));
        // Following the sky is a negative turn about the north pole, a positive one about the south pole.
        let sense = if self.site.latitude.rad() < 0.0 { 1.0 } else { -1.0 };
        let by = sense * (self.turned(seconds) + touch.by_hand_deg.to_radians());
        let turn = Rotation3::from_axis_angle(&self.axis(), by);
        head * mount * turn.inverse() * ground.inverse()
    }

    /// A frame as identification would give it, by lists of stars with the centres' errors of real ones.
    pub(crate) fn listed(&self, seconds: f64, touch: &Touch, random: &mut Random) -> AxisFrame {
        self.listed_as(seconds, touch, 0.0, random)
    }

    /// The same with a clock that is ahead.
    pub(crate) fn listed_with_clock(&self, seconds: f64, ahead_s: f64, random: &mut Random) -> AxisFrame {
        self.listed_as(seconds, &Touch::default(), ahead_s, random)
    }

    fn listed_as(&self, seconds: f64, touch: &Touch, ahead_s: f64, random: &mut Random) -> AxisFrame {
        let middle = seconds + 0.5 * self.exposure_s;
        let (observer, camera) = (self.observer(middle), self.camera(middle, touch));
        let (mut stars, mut matches) = (Vec::new(), Vec::new());
        for (index, [x, y]) in self.seen(&observer, &camera) {
            let star = self.star(catalogue::stars()[index].v_mag.into(), x, y, random);
            matches.push((stars.len(), index));
            stars.push(star);
        }
        let found = Identification {
            attitude: camera * self.site.ground_from_icrs(observer.instant()),
            lens: self.lens(),
            matches,
            rms_px: 0.1,
            log_odds: 100.0,
        };
        AxisFrame::new(
            &found,
            &stars,
            None,
            &self.observer(middle + ahead_s),
            middle,
            self.exposure_s,
        )
    }

    /// Signal over noise and centre of a star in a frame: 24 e⁻ of noise in the core, light as a lens at
    /// f/2.8 gathers it.
    fn star(&self, v_mag: f64, x: f64, y: f64, random: &mut Random) -> Star {
        let electrons = self.electrons(v_mag);
        let snr = electrons / (electrons + 24.0 * 24.0 * 4.0).sqrt();
        let sigma = 0.03f64.hypot(0.6 * 2.6 / snr);
        let mut star = listed(
            x + sigma * random.normal(),
            y + sigma * random.normal(),
            electrons / FULL_WELL,
        );
        star.snr = snr as f32;
        star.fwhm_px = 2.6;
        star
    }

    /// Electrons from a star: 9e5 photons/s/cm² at V = 0 (Bessell's zero point, rounded), 40 % of them kept.
    fn electrons(&self, v_mag: f64) -> f64 {
        let opening_cm = 0.1 * self.focal_mm / 2.8;
        let area = std::f64::consts::FRAC_PI_4 * opening_cm * opening_cm;
        9e5 * 0.4 * area * self.exposure_s * 10f64.powf(-0.4 * v_mag)
    }

    /// Catalogue stars in the frame with their pixels.
    fn seen(&self, observer: &Observer, camera: &Rotation3<f64>) -> Vec<(usize, [f64; 2])> {
        let (lens, (width, height)) = (self.lens(), self.size);
        let known = catalogue::stars().iter().enumerate();
        known
            .filter_map(|(index, star)| {
                let seen = lifted(observer, &observer.direction(&Target::from(star)))?;
                let [x, y] = lens.project(&(camera * seen))?;
                let inside = x > 4.0 && y > 4.0 && x < width as f64 - 5.0 && y < height as f64 - 5.0;
                inside.then_some((index, [x, y]))
            })
            .collect()
    }

    /// A frame painted with its noise, measured and identified by the real ones.
    pub(crate) fn painted(
        &self,
        seconds: f64,
        touch: &Touch,
        random: &mut Random,
    ) -> Option<(AxisFrame, Lens)> {
        let middle = seconds + 0.5 * self.exposure_s;
        let (observer, camera) = (self.observer(middle), self.camera(middle, touch));
        let plane = self.paint(&observer, &camera, random);
        let field = measure(&plane, &DetectSettings::default());
        let tangent = 0.5 * 36f64.hypot(24.0) / self.focal_mm;
        let settings = BlindSettings {
            focal_range: [0.87 / tangent, 1.15 / tangent],
            ..BlindSettings::default()
        };
        let size = [self.size.0, self.size.1];
        let blind = identify_blind(&field.stars, size, &settings, observer.instant())?;
        let frame = AxisFrame::new(
            &blind.found,
            &field.stars,
            None,
            &observer,
            middle,
            self.exposure_s,
        );
        Some((frame, blind.found.lens))
    }

    /// One frame whose stars are drawn out as the axis and the exposure have it, measured for real and matched
    /// with the truth.
    pub(crate) fn trailed(&self, random: &mut Random) -> (AxisFrame, Field) {
        const STEPS: usize = 41;
        let middle = 0.5 * self.exposure_s;
        let (observer, camera) = (self.observer(middle), self.camera(middle, &Touch::default()));
        let moments: Vec<(Observer, Rotation3<f64>)> = (0..STEPS)
            .map(|n| self.exposure_s * n as f64 / (STEPS - 1) as f64)
            .map(|s| (self.observer(s), self.camera(s, &Touch::default())))
            .collect();
        let seen = self.seen(&observer, &camera);
        let mut sources = Vec::new();
        for (index, _) in &seen {
            let star = &catalogue::stars()[*index];
            let electrons = self.electrons(star.v_mag.into()) / STEPS as f64;
            for (observer, camera) in &moments {
                let place = lifted(observer, &observer.direction(&Target::from(star)));
                if let Some([x, y]) = place.and_then(|p| self.lens().project(&(camera * p))) {
                    sources.push(Source { x, y, electrons });
                }
            }
        }
        let (width, height) = self.size;
        let look = Look::default();
        let plane = expose(paint(width, height, &sources, &look), &look, random);
        let field = measure(&plane, &DetectSettings::default());
        let near = |s: &Star, p: &[f64; 2]| (s.x - p[0]).hypot(s.y - p[1]) < 2.5;
        let matches = seen
            .iter()
            .filter_map(|(index, p)| Some((field.stars.iter().position(|s| near(s, p))?, *index)))
            .collect();
        let found = Identification {
            attitude: camera * self.site.ground_from_icrs(observer.instant()),
            lens: self.lens(),
            matches,
            rms_px: 0.1,
            log_odds: 100.0,
        };
        let frame = AxisFrame::new(&found, &field.stars, None, &observer, middle, self.exposure_s);
        (frame, field)
    }

    fn paint(&self, observer: &Observer, camera: &Rotation3<f64>, random: &mut Random) -> Plane {
        let mut sources: Vec<Source> = self
            .seen(observer, camera)
            .into_iter()
            .map(|(index, [x, y])| Source {
                x,
                y,
                electrons: self.electrons(catalogue::stars()[index].v_mag.into()),
            })
            .collect();
        // Fainter ones as the sky has them (thrice as many a magnitude), where chance puts them in this frame.
        let (width, height) = self.size;
        let known = sources.len() as f64;
        for _ in 0..(self.fainter * known) as usize {
            let v_mag = 8.0 + (1.0 + 8.0 * random.unit()).log10() / 0.48;
            sources.push(Source {
                x: random.range(3.0, width as f64 - 4.0),
                y: random.range(3.0, height as f64 - 4.0),
                electrons: self.electrons(v_mag),
            });
        }
        let look = Look::default();
        expose(paint(width, height, &sources, &look), &look, random)
    }
}

fn lifted(observer: &Observer, airless: &UnitVector3<f64>) -> Option<Vector3<f64>> {
    let across = airless.x.hypot(airless.y);
    let altitude = Angle::from_rad(airless.z.atan2(across));
    let seen = observer.air().lifted_altitude(altitude);
    (altitude.deg() > 1.0).then(|| {
        let k = seen.cos() / across;
        Vector3::new(airless.x * k, airless.y * k, seen.sin())
    })
}

/// Distance of the measured axis from the true one, arcminutes.
pub(crate) fn miss_arcmin(found: &AxisMeasurement, truth: &UnitVector3<f64>) -> f64 {
    found.axis.angle(truth).to_degrees() * 60.0
}

/// Squared distance from the truth over its covariance: follows chi square with two degrees.
pub(crate) fn chi2(found: &AxisMeasurement, truth: &UnitVector3<f64>) -> f64 {
    let off = nalgebra::Vector2::from(up_and_right_of(&found.axis, truth));
    found
        .covariance
        .try_inverse()
        .map_or(f64::INFINITY, |inverse| off.dot(&(inverse * off)))
}
