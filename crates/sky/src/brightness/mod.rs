//! How bright the sky and the land are: natural and artificial background, moonlight, twilight.
//!
//! The primary unit is the V magnitude of a square arcsecond; [`SurfaceBrightness`] is additive and gives
//! luminance and exposure values too. [`SkyOverSite`] holds what belongs to a site, [`Lights`] what the sun
//! and the moon do at one moment.

mod background;
mod illuminance;
mod moonlight;
mod twilight;

pub use background::{NATURAL_ZENITH_MAG, SkyBackground};
pub use illuminance::{LandLight, ev100_incident, ev100_reflected, moon_lux, sun_lux};
pub use moonlight::{MEAN_MOON_KM, MoonLight, moon_scattering};
pub use twilight::{TWILIGHT_REFERENCE_MAG, twilight_excess_mag};

use std::iter::Sum;
use std::ops::Add;

use crate::{Angle, airmass_pickering};

/// Luminance of a sky of magnitude 0 per square arcsecond, cd/m² (the usual 10.8e4 · 10^(−0.4 μ); the
/// zero point of V differs by some percent from author to author).
const ZERO_MAG_CD_M2: f64 = 10.8e4;

/// Surface brightness of a patch of sky in V: additive, unlike magnitudes.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct SurfaceBrightness {
    cd_m2: f64,
}

impl SurfaceBrightness {
    /// No light at all (an infinite magnitude).
    pub const DARK: Self = Self { cd_m2: 0.0 };

    /// From V magnitudes per square arcsecond.
    pub fn from_mag(mag_arcsec2: f64) -> Self {
        Self {
            cd_m2: ZERO_MAG_CD_M2 * 10f64.powf(-0.4 * mag_arcsec2),
        }
    }
    /// From luminance in cd/m²; below zero counts as zero.
    pub const fn from_cd_m2(cd_m2: f64) -> Self {
        Self {
            cd_m2: cd_m2.max(0.0),
        }
    }
    /// In V magnitudes per square arcsecond; infinite where there is no light.
    pub fn mag(self) -> f64 {
        -2.5 * (self.cd_m2 / ZERO_MAG_CD_M2).log10()
    }
    /// Luminance in cd/m².
    pub const fn cd_m2(self) -> f64 {
        self.cd_m2
    }
    /// The exposure value at ISO 100 of a reflected-light meter on it (ISO 2720, K = 12.5 cd·s/m²).
    pub fn ev100(self) -> f64 {
        ev100_reflected(self.cd_m2)
    }
    /// `factor` times the light.
    #[must_use]
    pub fn scaled(self, factor: f64) -> Self {
        Self::from_cd_m2(self.cd_m2 * factor)
    }
}

impl Add for SurfaceBrightness {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self {
            cd_m2: self.cd_m2 + other.cd_m2,
        }
    }
}

impl Sum for SurfaceBrightness {
    fn sum<I: Iterator<Item = Self>>(parts: I) -> Self {
        parts.fold(Self::DARK, Add::add)
    }
}

/// What the sun and the moon do at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lights {
    /// Altitude of the sun's centre, true (without refraction).
    pub sun_altitude: Angle,
    /// The moon.
    pub moon: MoonLight,
}

/// A direction whose sky is asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SkyPatch {
    /// Apparent altitude; the brightness below the horizon is that at the horizon.
    pub altitude: Angle,
    /// How far the moon is from it, 0° to 180°.
    pub moon_separation: Angle,
}

/// The light of one patch of sky by its causes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SkyParts {
    /// Airglow, zodiacal light and unresolved stars, without the Milky Way.
    pub natural: SurfaceBrightness,
    /// Man's light scattered back.
    pub artificial: SurfaceBrightness,
    /// Moonlight scattered by the air.
    pub moon: SurfaceBrightness,
    /// The sun's light after sunset and before sunrise.
    pub twilight: SurfaceBrightness,
}

impl SkyParts {
    /// All of it.
    pub fn total(&self) -> SurfaceBrightness {
        self.background() + self.moon + self.twilight
    }
    /// What is there on a moonless night.
    pub fn background(&self) -> SurfaceBrightness {
        self.natural + self.artificial
    }
}

/// The sky over a site: its background and how much its air takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SkyOverSite {
    /// The background at the zenith.
    pub background: SkyBackground,
    /// Extinction in V, magnitudes per airmass: about 0.12 on a high mountain to 0.3 in haze.
    pub extinction_mag: f64,
}

impl Default for SkyOverSite {
    /// A natural sky and 0.2 mag per airmass, a clear night at low elevation (common practice, no source).
    fn default() -> Self {
        Self {
            background: SkyBackground::default(),
            extinction_mag: 0.2,
        }
    }
}

impl SkyOverSite {
    /// The light of a patch by its causes.
    ///
    /// Moonlight is good to 8 % to 23 % where Krisciunas & Schaefer (1991) tried it. The twilight is that of
    /// the zenith: low over the sunken sun it is brighter by magnitudes. The artificial part is taken as even
    /// round the horizon, so a near town's dome is not in it; nor is the Milky Way, which adds up to 1 mag.
    pub fn parts(&self, lights: &Lights, patch: &SkyPatch) -> SkyParts {
        let k = self.extinction_mag;
        SkyParts {
            natural: self.background.natural_at(patch.altitude, k),
            artificial: self.background.artificial_at(patch.altitude, k),
            moon: lights.moon.sky(patch.altitude, patch.moon_separation, k),
            twilight: twilight::twilight_zenith(lights.sun_altitude),
        }
    }

    /// How much brighter the moon makes the patch: magnitudes per square arcsecond that it costs, 0 without
    /// moon. (In tenths of a magnitude, ten times this.)
    pub fn moon_cost_mag(&self, lights: &Lights, patch: &SkyPatch) -> f64 {
        let parts = self.parts(lights, patch);
        let without = parts.background() + parts.twilight;
        without.mag() - parts.total().mag()
    }

    /// What a minute is worth on the subject now, 0 to 1, as a share of a minute on it at the zenith of
    /// this site's dark, moonless sky.
    ///
    /// For exposures that the sky limits, signal over noise grows with S·√(t/B): S is the subject's light
    /// left by extinction and B the sky's brightness, so the time for one result goes as B/S². The grade
    /// is the dark zenith's B/S² over this one's: 0.5 means that two minutes now do what one does there.
    /// 0 below the horizon. A definition of our own; what enters it is described at [`SkyOverSite::parts`].
    pub fn grade(&self, lights: &Lights, patch: &SkyPatch) -> f64 {
        if patch.altitude.deg() <= 0.0 {
            return 0.0;
        }
        let lost_mag = self.extinction_mag * (airmass_pickering(patch.altitude) - 1.0);
        let dark = self.background.zenith();
        let sky = self.parts(lights, patch).total();
        (dark.cd_m2() / sky.cd_m2() * 10f64.powf(-0.8 * lost_mag)).min(1.0)
    }

    /// The light that falls on level, open land, by its causes.
    pub fn land(&self, lights: &Lights) -> LandLight {
        LandLight {
            moon_lux: lights.moon.land_lux(),
            twilight_lux: illuminance::twilight_lux(lights.sun_altitude),
            night_sky_lux: std::f64::consts::PI * self.background.zenith().cd_m2(),
        }
    }
}
