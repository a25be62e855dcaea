//! How bright the sky is in each direction: Milky Way, airglow, a town's dome, scattered moonlight.

use nalgebra::Vector3;
use nightloom_sky::{Angle, Instant, airmass_kasten_young, extinction_factor, moon, moon_phase_angle};

use crate::colour::{black_body_per_v, lines_per_v, per_v, planck_photons};
use crate::milky_way::Galaxy;
use crate::scenario::Scenario;
use crate::sensor::{PHOTONS_OF_V0, THROUGHPUT};
use crate::texture::Texture;

/// Azimuth of the town, from north through east, degrees.
const TOWN_AZIMUTH: f64 = 262.0;
/// Strength of its dome at the horizon, in units of 22 mag/arcsec².
const TOWN: f64 = 6.5;
/// Height of the airglow layer, kilometres (van Rhijn 1921).
const AIRGLOW_KM: f64 = 90.0;
const EARTH_KM: f64 = 6371.0;
/// Share of the dark zenith that is airglow.
const AIRGLOW_SHARE: f64 = 0.62;

/// The moon as a lamp.
#[derive(Clone, Copy, Debug, serde::Serialize)]
pub(crate) struct Moonlight {
    /// Direction in the ground frame.
    #[serde(skip)]
    pub(crate) direction: Vector3<f64>,
    pub(crate) altitude_deg: f64,
    pub(crate) azimuth_deg: f64,
    pub(crate) phase_angle_deg: f64,
}

impl Moonlight {
    /// The moon at an instant; outside the years whose positions are held, a moon that is down.
    pub(crate) fn at(scenario: &Scenario, instant: Instant) -> Self {
        let (Ok(body), Ok(phase)) = (moon(instant, Some(&scenario.site)), moon_phase_angle(instant)) else {
            return Self::down();
        };
        let direction = scenario.site.ground_from_icrs(instant) * body.direction.into_inner();
        let lifted = scenario.air.lift(&direction);
        Self {
            direction: lifted,
            altitude_deg: lifted.z.asin().to_degrees(),
            azimuth_deg: Angle::from_rad(lifted.x.atan2(lifted.y)).wrapped_360().deg(),
            phase_angle_deg: phase.deg(),
        }
    }

    fn down() -> Self {
        Self {
            direction: -Vector3::z(),
            altitude_deg: -90.0,
            azimuth_deg: 0.0,
            phase_angle_deg: 180.0,
        }
    }

    /// Scattered light in a direction, nanolamberts; nothing while the moon is down.
    ///
    /// Krisciunas & Schaefer 1991, PASP 103, 1033, eqs. 3, 15, 18, 20, 21.
    pub(crate) fn scattered_nl(&self, towards: &Vector3<f64>, k: f64) -> f64 {
        if self.altitude_deg <= 0.0 {
            return 0.0;
        }
        let air = |z: f64| (1.0 - 0.96 * (1.0 - z * z)).powf(-0.5);
        let a = self.phase_angle_deg.abs();
        let moon = 10f64.powf(-0.4 * (3.84 + 0.026 * a + 4e-9 * a.powi(4)));
        let cos = towards.dot(&self.direction).clamp(-1.0, 1.0);
        let rho = cos.acos().to_degrees();
        let mie = if rho < 10.0 {
            6.2e7 / rho.max(0.3).powi(2)
        } else {
            10f64.powf(6.15 - rho / 40.0)
        };
        let scatter = 10f64.powf(5.36) * (1.06 + cos * cos) + mie;
        // Their airmass is too small for a moon near the horizon, whose light it lets jump in at its rising.
        let to_moon = airmass_kasten_young(Angle::from_deg(self.altitude_deg));
        let to_sky = air(towards.z.max(0.0));
        scatter * moon * extinction_factor(k, to_moon) * (1.0 - extinction_factor(k, to_sky))
    }
}

/// Nanolamberts of a sky of 22 mag/arcsec² (Krisciunas & Schaefer 1991, eq. 1).
pub(crate) fn nl_of_22() -> f64 {
    34.08 * (20.7233f64 - 0.921_04 * 22.0).exp()
}

/// Luminance in cd/m² of 22 mag/arcsec² (10.8e4 · 10^(−0.4 μ)).
pub(crate) const CD_M2_OF_22: f64 = 1.711_7e-4;

/// The night sky's brightness.
pub(crate) struct Glow {
    galaxy: Galaxy,
    waves: Texture,
    extinction: f64,
    zenith: f64,
    colours: Colours,
}

/// The sources of the sky's light, and how reddened the starlight is.
struct Parts {
    starlight: f64,
    redness: f64,
    airglow: f64,
    town: f64,
    moonlight: f64,
    hydrogen: f64,
}

struct Colours {
    stars: [f64; 3],
    reddened: [f64; 3],
    airglow: [f64; 3],
    town: [f64; 3],
    moon: [f64; 3],
    hydrogen: [f64; 3],
}

impl Glow {
    pub(crate) fn new(scenario: &Scenario) -> Self {
        Self {
            galaxy: Galaxy::new(scenario.seed),
            waves: Texture::new(scenario.seed ^ 0x44),
            extinction: scenario.extinction_mag,
            zenith: 10f64.powf(0.4 * (22.0 - scenario.zenith_mag)),
            colours: Colours {
                stars: black_body_per_v(5700.0),
                reddened: black_body_per_v(4100.0),
                airglow: lines_per_v(5600.0, &[(557.7, 0.26), (589.0, 0.12), (630.0, 0.30)]),
                town: black_body_per_v(2900.0),
                moon: per_v(|nm| planck_photons(4800.0, nm) * (nm / 550.0).powf(-2.6)),
                hydrogen: per_v(|nm| (-0.5 * ((nm - 645.0) / 9.0f64).powi(2)).exp()),
            },
        }
    }

    pub(crate) fn galaxy(&self) -> &Galaxy {
        &self.galaxy
    }

    /// R, G, B in units of what 22 mag/arcsec² of a B−V = 0 light gives in green.
    ///
    /// `apparent` is in the ground frame, `icrs` the same direction before refraction.
    pub(crate) fn at(
        &self,
        apparent: &Vector3<f64>,
        icrs: &Vector3<f64>,
        moon: Option<&Moonlight>,
    ) -> [f64; 3] {
        let parts = self.parts(apparent, icrs, moon);
        std::array::from_fn(|i| {
            let c = &self.colours;
            let stars = c.stars[i] + (c.reddened[i] - c.stars[i]) * parts.redness;
            parts.starlight * stars
                + parts.airglow * c.airglow[i]
                + parts.town * c.town[i]
                + parts.moonlight * c.moon[i]
                + parts.hydrogen * c.hydrogen[i]
        })
    }

    /// Brightness in Johnson V, mag/arcsec², as it arrives.
    pub(crate) fn v_mag_at(
        &self,
        apparent: &Vector3<f64>,
        icrs: &Vector3<f64>,
        moon: Option<&Moonlight>,
    ) -> f64 {
        let p = self.parts(apparent, icrs, moon);
        22.0 - 2.5 * (p.starlight + p.airglow + p.town + p.moonlight + p.hydrogen).log10()
    }

    /// What each source gives in V, in units of 22 mag/arcsec².
    fn parts(&self, apparent: &Vector3<f64>, icrs: &Vector3<f64>, moon: Option<&Moonlight>) -> Parts {
        let altitude = Angle::from_rad(apparent.z.clamp(-1.0, 1.0).asin());
        let held = Angle::from_deg(altitude.deg().max(0.0));
        let airmass = airmass_kasten_young(held).min(20.0);
        // A wide source loses less than a star, for light is scattered into the beam as well.
        let dimmed = extinction_factor(0.75 * self.extinction, airmass);
        let reddening = (1.0 - (-0.055 * airmass).exp()) * 0.7;
        let way = self.galaxy.at(icrs, true);
        Parts {
            starlight: way.starlight * dimmed,
            redness: (0.16 * way.dust + reddening).min(1.0),
            airglow: self.airglow(apparent, held, airmass) * self.zenith,
            town: self.town(apparent, held),
            moonlight: moon.map_or(0.0, |m| m.scattered_nl(apparent, self.extinction) / nl_of_22()),
            hydrogen: 1.7 * way.hydrogen * dimmed / self.colours.hydrogen[0],
        }
    }

    fn airglow(&self, apparent: &Vector3<f64>, altitude: Angle, airmass: f64) -> f64 {
        let sin_z = altitude.cos() * EARTH_KM / (EARTH_KM + AIRGLOW_KM);
        let van_rhijn = 1.0 / (1.0 - sin_z * sin_z).sqrt();
        // Where the layer is pierced, in layer heights: its waves foreshorten towards the horizon.
        let far = 1.0 / (altitude.sin() + 0.12);
        let (x, y) = (apparent.x * far, apparent.y * far);
        let waves = self
            .waves
            .fractal(x * 1.1 + 0.35 * y, y * 0.45 - 0.25 * x, 0.0, 4);
        let layer = van_rhijn * extinction_factor(self.extinction, airmass - 1.0);
        AIRGLOW_SHARE * layer * (1.0 + 0.16 * waves) + (1.0 - AIRGLOW_SHARE)
    }

    fn town(&self, apparent: &Vector3<f64>, altitude: Angle) -> f64 {
        let azimuth = apparent.x.atan2(apparent.y).to_degrees();
        let off = (azimuth - TOWN_AZIMUTH + 180.0).rem_euclid(360.0) - 180.0;
        let h = altitude.deg();
        let dome = (-(off / 15.0).powi(2)).exp() * (0.75 * (-h / 4.5).exp() + 0.25 * (-h / 14.0).exp());
        TOWN * dome + 0.35 * (-h / 7.0).exp()
    }

    /// The light above the ground as a whole, in the same units: what lights the land where the moon
    /// does not.
    pub(crate) fn ambient(&self) -> [f64; 3] {
        std::array::from_fn(|i| self.zenith * self.colours.airglow[i] + 0.5 * self.colours.stars[i])
    }

    /// Colour of direct moonlight near the horizon.
    pub(crate) fn moon_colour(&self) -> [f64; 3] {
        black_body_per_v(4150.0)
    }
}

/// Electrons a second in a green pixel on the axis from 22 mag/arcsec².
pub(crate) fn rate_of_22(scenario: &Scenario, area_cm2: f64) -> f64 {
    let arcsec = Angle::from_rad(scenario.pitch_mm() / scenario.focal_mm).arcsec();
    PHOTONS_OF_V0 * 10f64.powf(-0.4 * 22.0) * arcsec * arcsec * area_cm2 * THROUGHPUT
}

#[cfg(test)]
mod tests {
    use super::{Moonlight, nl_of_22};
    use nalgebra::Vector3;

    /// Krisciunas & Schaefer 1991 at Z 20°, moon at Z 70°, 50° apart, phase angle 45°, k 0.15: by their
    /// formulas the moon's part alone is 389.6 nL, 19.855 mag/arcsec² (computed). Our airmass towards the
    /// moon is larger by a third of one, which takes 0.05 mag.
    #[test]
    fn moonlit_sky() {
        const TOLERANCE_MAG: f64 = 0.06;
        let at = |azimuth: f64, zenith: f64| {
            let (a, z) = (azimuth.to_radians(), zenith.to_radians());
            Vector3::new(z.sin() * a.sin(), z.sin() * a.cos(), z.cos())
        };
        let moon = Moonlight {
            direction: at(0.0, 70.0),
            altitude_deg: 20.0,
            azimuth_deg: 0.0,
            phase_angle_deg: 45.0,
        };
        let magnitude = |nl: f64| 22.0 - 2.5 * (nl / nl_of_22()).log10();
        let total = magnitude(moon.scattered_nl(&at(0.0, 20.0), 0.15));
        assert!((total - 19.855).abs() < TOLERANCE_MAG, "{total}");
    }
}
