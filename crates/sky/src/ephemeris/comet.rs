//! Comets and other small bodies from orbital elements, by two-body motion about the sun.

use nalgebra::Vector3;

use super::AU_KM;
use super::layout::FIRST_JD;
use crate::Angle;

/// Gaussian gravitational constant (Gauss 1809; the IAU's defining value until 2012), au^1.5 a day.
const GAUSS_K: f64 = 0.017_202_098_95;
/// Obliquity of the ecliptic of J2000.0 to which published elements refer (IAU 1976).
const OBLIQUITY: Angle = Angle::from_arcsec(84_381.448);

/// Osculating elements, ecliptic and equinox J2000.0, as comet circulars give them.
///
/// Two-body motion: exact at the epoch of osculation; the planets' pull and the jets of gas are not in it, so
/// elements more than a few months old may be minutes of arc off.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct CometOrbit {
    /// Perihelion distance, astronomical units.
    pub perihelion_au: f64,
    /// Eccentricity: below 1 an ellipse, 1 a parabola, above a hyperbola.
    pub eccentricity: f64,
    /// Inclination.
    pub inclination: Angle,
    /// Longitude of the ascending node.
    pub ascending_node: Angle,
    /// Argument of perihelion.
    pub argument_of_perihelion: Angle,
    /// TDB (or TT) Julian date of the passage through perihelion.
    pub perihelion_jd_tdb: f64,
}

/// Elements of no orbit.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("the orbit's {element} is {found}; expected {expected}")]
pub struct OrbitError {
    /// Which element.
    pub element: &'static str,
    /// What it must be.
    pub expected: &'static str,
    /// What it is.
    pub found: f64,
}

impl CometOrbit {
    /// Checks that the elements describe an orbit.
    ///
    /// # Errors
    /// An element that is not a number, a perihelion distance outside 0.001 to 1000 au, an eccentricity outside 0 to
    /// 20, a perihelion outside the years 1000 to 3000.
    pub fn checked(self) -> Result<Self, OrbitError> {
        let within = |element, expected, found: f64, low: f64, high: f64| {
            if (low..=high).contains(&found) {
                Ok(())
            } else {
                Err(OrbitError {
                    element,
                    expected,
                    found,
                })
            }
        };
        let turn = |element, angle: Angle| within(element, "-360 to 360 degrees", angle.deg(), -360.0, 360.0);
        let q = self.perihelion_au;
        within("perihelion distance", "0.001 to 1000 au", q, 0.001, 1000.0)?;
        within("eccentricity", "0 to 20", self.eccentricity, 0.0, 20.0)?;
        turn("inclination", self.inclination)?;
        turn("ascending node", self.ascending_node)?;
        turn("argument of perihelion", self.argument_of_perihelion)?;
        let jd = self.perihelion_jd_tdb;
        within(
            "time of perihelion",
            "a Julian date in the years 1000 to 3000",
            jd,
            2_086_300.0,
            2_816_800.0,
        )?;
        Ok(self)
    }

    /// True anomaly, −180° to 180°, and distance from the sun in astronomical units, `days` after perihelion.
    pub fn anomaly_and_distance(&self, days: f64) -> (Angle, f64) {
        let (x, y) = in_plane(self.perihelion_au, self.eccentricity, days);
        (Angle::from_rad(y.atan2(x)), x.hypot(y))
    }

    /// Place against the sun, kilometres, ICRS axes, at `days` of the ephemeris.
    pub(super) fn heliocentric(&self, days: f64) -> Vector3<f64> {
        let since_perihelion = days - (self.perihelion_jd_tdb - FIRST_JD);
        let (x, y) = in_plane(self.perihelion_au, self.eccentricity, since_perihelion);
        let (sin_node, cos_node) = self.ascending_node.rad().sin_cos();
        let (sin_i, cos_i) = self.inclination.rad().sin_cos();
        let (sin_w, cos_w) = self.argument_of_perihelion.rad().sin_cos();
        // In the plane, from the node: along it and square to it.
        let along = x * cos_w - y * sin_w;
        let across = x * sin_w + y * cos_w;
        let ecliptic = Vector3::new(
            along * cos_node - across * sin_node * cos_i,
            along * sin_node + across * cos_node * cos_i,
            across * sin_i,
        );
        let (sin_e, cos_e) = OBLIQUITY.rad().sin_cos();
        Vector3::new(
            ecliptic.x,
            ecliptic.y * cos_e - ecliptic.z * sin_e,
            ecliptic.y * sin_e + ecliptic.z * cos_e,
        ) * AU_KM
    }
}

/// Place in the orbit's plane, au, x towards perihelion, `days` after its passage.
///
/// Universal variables (Battin 1999, An Introduction to the Mathematics and Methods of Astrodynamics, sec. 4.5),
/// measured from perihelion, where no term cancels near e = 1:
/// k t = q s + e s³ c₃(α s²), r = q + e s² c₂(α s²), α = (1 − e)/q, lengths in au and k² = μ taken as 1.
fn in_plane(q: f64, e: f64, days: f64) -> (f64, f64) {
    let alpha = (1.0 - e) / q;
    let time = GAUSS_K * within_half_a_period(alpha, days);
    let s = universal_anomaly(q, e, alpha, time.abs()).copysign(time);
    let (c1, c2, _) = stumpff(alpha * s * s);
    (q - s * s * c2, (q * (1.0 + e)).sqrt() * s * c1)
}

fn within_half_a_period(alpha: f64, days: f64) -> f64 {
    if alpha <= 0.0 {
        return days;
    }
    let period = std::f64::consts::TAU / (GAUSS_K * alpha.powf(1.5));
    days - period * (days / period).round()
}

/// Solves for s ≥ 0 by Newton's method. The time is convex in s up to half a period, so the steps come down
/// on the root from above once they are past it.
fn universal_anomaly(q: f64, e: f64, alpha: f64, time: f64) -> f64 {
    const ENOUGH: usize = 60;
    let most = if alpha > 0.0 {
        std::f64::consts::PI / alpha.sqrt()
    } else if alpha < 0.0 {
        // Long past any time asked for, and sinh is still finite.
        600.0 / (-alpha).sqrt()
    } else {
        f64::INFINITY
    };
    let mut s = parabolic_anomaly(q, time).min(most);
    for _ in 0..ENOUGH {
        let (_, c2, c3) = stumpff(alpha * s * s);
        let excess = q * s + e * s * s * s * c3 - time;
        let distance = q + e * s * s * c2;
        let next = (s - excess / distance).clamp(0.0, most);
        let done = (next - s).abs() <= 1e-14 * s;
        s = next;
        if done {
            break;
        }
    }
    s
}

/// The same for a parabola, in closed form (Barker's equation; Meeus 1998, ch. 34): q s + s³/6 = t.
fn parabolic_anomaly(q: f64, time: f64) -> f64 {
    let root = (2.0 * q).sqrt();
    // s = √(2q) tan(v/2): tan + tan³/3 = t/(q √(2q)).
    let w = 1.5 * time / (q * root);
    let y = (w + (w * w + 1.0).sqrt()).cbrt();
    root * (y - 1.0 / y)
}

/// The Stumpff functions c₁, c₂, c₃ (Stumpff 1959): (sin √z)/√z and so on, and their like for negative z.
fn stumpff(z: f64) -> (f64, f64, f64) {
    if z.abs() < 0.1 {
        let series = |first: f64, n: f64| {
            let (mut term, mut total) = (first, first);
            for k in 1..9 {
                let at = n + 2.0 * f64::from(k);
                term *= -z / (at * (at - 1.0));
                total += term;
            }
            total
        };
        return (series(1.0, 1.0), series(0.5, 2.0), series(1.0 / 6.0, 3.0));
    }
    let root = z.abs().sqrt();
    if z > 0.0 {
        let (sin, cos) = root.sin_cos();
        (sin / root, (1.0 - cos) / z, (root - sin) / (z * root))
    } else {
        let (sinh, cosh) = (root.sinh(), root.cosh());
        (sinh / root, (1.0 - cosh) / z, (root - sinh) / (z * root))
    }
}
