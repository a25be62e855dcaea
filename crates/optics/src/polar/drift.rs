//! The axis by drift, without knowing any star: the way of the eyepiece.
//!
//! A tracker whose axis is off the pole lets stars drift in declination. With e the error towards up (u) and
//! east (e), H the star's hour angle and ω the sky's rate, the drift towards north is
//! −ω (u sin H + e cos H) in the north and +ω (u sin H + e cos H) in the south, whatever the declination.
//! So in the north a star on the meridian that drifts north says the axis is too far west, and one six hours
//! east of it too high; in the south both are the other way round (Barrett 2016 gives the same senses).

use nightloom_sky::Angle;

use super::AxisError;
use crate::SIDEREAL_ARCSEC_PER_S;

/// One star's drift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// Hour angle, west positive.
    pub hour_angle: Angle,
    /// How far the star went north in the picture's sky: towards the north celestial pole.
    pub north: Angle,
    /// Within this, seconds.
    pub seconds: f64,
}

/// The drift towards north that an axis error makes, in small errors and times.
pub fn north_drift(error: &AxisError, north_hemisphere: bool, hour_angle: Angle, seconds: f64) -> Angle {
    let turn = Angle::from_arcsec(SIDEREAL_ARCSEC_PER_S * seconds).rad();
    let sense = if north_hemisphere { -1.0 } else { 1.0 };
    let both = error.altitude * hour_angle.sin() + error.azimuth * hour_angle.cos();
    both * (sense * turn)
}

/// The axis error from drifts by least squares: from two hour angles or more both parts of it, from one hour
/// angle only the part that it tells of, the other taken for nought. `None` without a drift or without time.
pub fn error_by_drifts(drifts: &[Drift], north_hemisphere: bool) -> Option<AxisError> {
    let sense = if north_hemisphere { -1.0 } else { 1.0 };
    let (mut ss, mut sc, mut cc, mut sd, mut cd) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for drift in drifts {
        let turn = Angle::from_arcsec(SIDEREAL_ARCSEC_PER_S * drift.seconds).rad() * sense;
        let (s, c) = (drift.hour_angle.sin() * turn, drift.hour_angle.cos() * turn);
        let d = drift.north.rad();
        ss += s * s;
        sc += s * c;
        cc += c * c;
        sd += s * d;
        cd += c * d;
    }
    let all = ss + cc;
    if all.is_nan() || all <= 0.0 {
        return None;
    }
    // Hour angles less than some 6° apart or opposite tell one part only: the smallest answer is taken.
    let determinant = ss * cc - sc * sc;
    let (up, east) = if determinant > 0.01 * all * all / 4.0 {
        (
            (cc * sd - sc * cd) / determinant,
            (ss * cd - sc * sd) / determinant,
        )
    } else {
        (sd / all, cd / all)
    };
    Some(AxisError {
        altitude: Angle::from_rad(up),
        azimuth: Angle::from_rad(east),
        total: Angle::from_rad(up.hypot(east)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn error(up: f64, east: f64) -> AxisError {
        AxisError {
            altitude: Angle::from_arcmin(up),
            azimuth: Angle::from_arcmin(east),
            total: Angle::from_arcmin(up.hypot(east)),
        }
    }

    /// The handbook's four rules (Barrett 2016, as in the trade's drift alignment): north, meridian star drifts
    /// north: axis too far west; star at −6 h drifts north: axis too high; both reversed in the south.
    #[test]
    fn the_four_rules() {
        let drift = |hours: f64| Drift {
            hour_angle: Angle::from_deg(15.0 * hours),
            north: Angle::from_arcsec(5.0),
            seconds: 300.0,
        };
        let found = |hours, north| error_by_drifts(&[drift(hours)], north).expect("a drift");
        assert!(found(0.0, true).azimuth.arcmin() < -0.5, "too far west");
        assert!(found(-6.0, true).altitude.arcmin() > 0.5, "too high");
        assert!(found(0.0, false).azimuth.arcmin() > 0.5, "too far east");
        assert!(found(-6.0, false).altitude.arcmin() < -0.5, "too low");
    }

    /// 25″ in an hour of an axis 95.5″ off (published: 25″ of drift in 3600 s means 95.5″).
    #[test]
    fn the_published_size() {
        let drift = north_drift(&error(0.0, 95.5 / 60.0), true, Angle::from_deg(0.0), 3600.0);
        assert!((drift.arcsec() + 25.0).abs() < 0.1, "{}", drift.arcsec());
    }

    #[test]
    fn two_stars_give_both_parts() {
        for north in [true, false] {
            for (up, east) in [(22.0, 9.0), (-22.0, 9.0), (22.0, -9.0), (-22.0, -9.0)] {
                let truth = error(up, east);
                let drifts: Vec<Drift> = [-5.0, 0.5]
                    .into_iter()
                    .map(|hours| {
                        let hour_angle = Angle::from_deg(15.0 * hours);
                        Drift {
                            hour_angle,
                            north: north_drift(&truth, north, hour_angle, 240.0),
                            seconds: 240.0,
                        }
                    })
                    .collect();
                let found = error_by_drifts(&drifts, north).expect("drifts");
                assert!(
                    (found.altitude.arcmin() - up).abs() < 1e-9
                        && (found.azimuth.arcmin() - east).abs() < 1e-9
                );
            }
        }
        assert!(error_by_drifts(&[], true).is_none());
    }
}
