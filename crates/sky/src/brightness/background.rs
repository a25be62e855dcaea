//! The moonless night sky: what nature gives, and what lamps add.

use super::SurfaceBrightness;
use super::moonlight::scattering_airmass;
use crate::Angle;

/// The natural sky at the zenith away from the Milky Way, V mag/arcsec²: 22.0, the value of Falchi et al.
/// 2016 (Sci. Adv. 2, e1600377; 174 µcd/m²). It is that of a quiet sun; near the maximum of the solar cycle
/// airglow makes it up to 0.4 mag brighter, about 21.6 (from memory, after Krisciunas 1997, PASP 109, 1181).
pub const NATURAL_ZENITH_MAG: f64 = 22.0;

/// The background at the zenith, moonless and away from the Milky Way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SkyBackground {
    natural: SurfaceBrightness,
    artificial: SurfaceBrightness,
}

impl Default for SkyBackground {
    /// A natural sky.
    fn default() -> Self {
        Self::measured(NATURAL_ZENITH_MAG)
    }
}

impl SkyBackground {
    /// From a reading at the zenith, V mag/arcsec², on a moonless night. What exceeds
    /// [`NATURAL_ZENITH_MAG`] counts as artificial; a darker reading counts as natural whole.
    pub fn measured(zenith_mag: f64) -> Self {
        Self::with_natural(zenith_mag, NATURAL_ZENITH_MAG)
    }

    /// The same where the natural sky's own brightness is known, both in V mag/arcsec².
    pub fn with_natural(zenith_mag: f64, natural_mag: f64) -> Self {
        let all = SurfaceBrightness::from_mag(zenith_mag);
        let natural = SurfaceBrightness::from_mag(natural_mag.max(zenith_mag));
        Self {
            natural,
            artificial: SurfaceBrightness::from_cd_m2(all.cd_m2() - natural.cd_m2()),
        }
    }

    /// All of it at the zenith.
    pub fn zenith(&self) -> SurfaceBrightness {
        self.natural + self.artificial
    }

    /// The natural part at an altitude: brighter through the longer path in the airglow's layer, dimmer
    /// through extinction. B = B₀ X 10^(−0.4 k (X − 1)), X = (1 − 0.96 sin² Z)^−½ (Krisciunas & Schaefer
    /// 1991, eqs. 2 and 3; `k` in magnitudes per airmass).
    pub fn natural_at(&self, altitude: Angle, k: f64) -> SurfaceBrightness {
        let x = scattering_airmass(altitude);
        self.natural.scaled(x * 10f64.powf(-0.4 * k * (x - 1.0)))
    }

    /// The artificial part at an altitude: it grows with the air along the line of sight that can scatter,
    /// 1 − 10^(−0.4 k X) (the last factor of Krisciunas & Schaefer's eq. 15, used here for lamps; common
    /// practice, no source). Even round the horizon.
    pub fn artificial_at(&self, altitude: Angle, k: f64) -> SurfaceBrightness {
        let scattered = |x: f64| 1.0 - 10f64.powf(-0.4 * k * x);
        if k <= 0.0 {
            return self.artificial;
        }
        self.artificial
            .scaled(scattered(scattering_airmass(altitude)) / scattered(1.0))
    }
}
