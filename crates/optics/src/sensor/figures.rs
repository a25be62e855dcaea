//! A sensor's figures, and what follows from them at an ISO and a temperature.

use super::photon_transfer::Transfer;
use crate::field::{FieldError, Range, check};

/// Degrees over which dark current doubles, where nothing better is known: common practice, no source.
pub(crate) const DOUBLING_C: f64 = 6.0;

/// Gain and read noise at one ISO.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct IsoFigures {
    /// ISO speed as set on the camera.
    pub iso: f64,
    /// Electrons per number of the file (DN).
    pub gain_e_per_dn: f64,
    /// Read noise, electrons.
    pub read_noise_e: f64,
    /// Electrons at which the file's numbers end, or the pixel is full.
    pub full_well_e: f64,
}

impl IsoFigures {
    /// From the measurement of the photographer's own frames.
    pub fn measured(iso: f64, transfer: &Transfer) -> Self {
        Self {
            iso,
            gain_e_per_dn: transfer.gain_e_per_dn.value,
            read_noise_e: transfer.read_noise_e.value,
            full_well_e: transfer.full_well_e.value,
        }
    }
    /// Stops between full well and read noise: log2(full well/read noise).
    pub(crate) fn dynamic_range_stops(&self) -> f64 {
        (self.full_well_e / self.read_noise_e).log2()
    }
}

/// What noise and saturation depend on in a camera.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Sensor {
    /// What it is called, for the person.
    pub name: String,
    /// Distance between pixels' centres, micrometres.
    pub pitch_um: f64,
    /// Pixels across and down.
    pub size_px: [u32; 2],
    /// Electrons per photon over the V band, colour filter included, 0 to 1.
    pub qe: f64,
    /// Bits of a number in the raw file.
    pub bits: u8,
    /// Figures by rising ISO, at least one.
    pub isos: Vec<IsoFigures>,
    /// Dark current, electrons per second and pixel …
    pub dark_e_per_s: f64,
    /// … at this temperature of the sensor, degrees Celsius.
    pub dark_at_c: f64,
    /// Degrees over which it doubles.
    pub doubling_c: f64,
}

impl Sensor {
    /// Refuses what cannot be.
    ///
    /// # Errors
    /// Figures that are not above zero; ISO figures that are missing or do not rise.
    pub fn check(&self) -> Result<(), FieldError> {
        check("the pixel pitch in µm", self.pitch_um, Range::Positive, "5.95")?;
        check("the quantum efficiency", self.qe, Range::Share, "0.5")?;
        check(
            "the dark current in electrons per second",
            self.dark_e_per_s,
            Range::NotNegative,
            "0.05",
        )?;
        check(
            "the sensor's temperature in °C",
            self.dark_at_c,
            Range::Finite,
            "20",
        )?;
        check(
            "the degrees over which dark current doubles",
            self.doubling_c,
            Range::Positive,
            "6",
        )?;
        if self.isos.is_empty() {
            return Err(NO_SETTINGS);
        }
        let mut before = 0.0;
        for f in &self.isos {
            check(
                "the step between the sensor's ISO settings",
                f.iso - before,
                Range::Positive,
                "100",
            )?;
            check(
                "the gain in electrons per DN",
                f.gain_e_per_dn,
                Range::Positive,
                "1.2",
            )?;
            check(
                "the read noise in electrons",
                f.read_noise_e,
                Range::NotNegative,
                "2",
            )?;
            check(
                "the full well in electrons",
                f.full_well_e,
                Range::Positive,
                "50000",
            )?;
            before = f.iso;
        }
        Ok(())
    }

    /// Figures at any ISO: between two settings in proportion on logarithmic scales, beyond the last
    /// ones with gain and full well as 1/ISO and the read noise as it was.
    ///
    /// # Errors
    /// An ISO that is not above zero; a sensor without ISO settings.
    pub fn at_iso(&self, iso: f64) -> Result<IsoFigures, FieldError> {
        check("the ISO", iso, Range::Positive, "1600")?;
        let after = self.isos.iter().position(|f| f.iso >= iso);
        let end = match after {
            Some(0) => self.isos.first(),
            None => self.isos.last(),
            Some(k) => return Ok(between(&self.isos[k - 1], &self.isos[k], iso)),
        };
        let end = end.ok_or(NO_SETTINGS)?;
        let ratio = end.iso / iso;
        // Below the lowest setting the pixel is full: only the numbers change.
        let fuller = ratio.min(1.0);
        Ok(IsoFigures {
            iso,
            gain_e_per_dn: end.gain_e_per_dn * ratio,
            read_noise_e: end.read_noise_e,
            full_well_e: end.full_well_e * fuller,
        })
    }
}

const NO_SETTINGS: FieldError = FieldError {
    field: "the number of ISO settings of the sensor",
    expected: "a number above zero",
    example: "1",
    got: 0.0,
};

fn between(a: &IsoFigures, b: &IsoFigures, iso: f64) -> IsoFigures {
    let part = (iso / a.iso).ln() / (b.iso / a.iso).ln();
    let mix = |a: f64, b: f64| {
        if a > 0.0 && b > 0.0 {
            a * (b / a).powf(part)
        } else {
            a + (b - a) * part
        }
    };
    IsoFigures {
        iso,
        gain_e_per_dn: mix(a.gain_e_per_dn, b.gain_e_per_dn),
        read_noise_e: mix(a.read_noise_e, b.read_noise_e),
        full_well_e: mix(a.full_well_e, b.full_well_e),
    }
}
