//! How fast the tracker turned.

/// The sky's turn, radians a second (Earth rotation angle, IERS Conventions 2010, eq. 5.15).
pub(super) const SKY_RAD_S: f64 = std::f64::consts::TAU * 1.002_737_811_911_354_6 / 86_400.0;

/// A turn of more than so many times the sky's was made by hand.
pub(super) const BY_HAND: f64 = 3.0;
/// What a worm may add to a turn unseen, arcseconds: peak to peak of a plain gear, 50″ to each side (from memory).
const WORM_ARCSEC: f64 = 100.0;
/// And to the rate at its steepest, as a part of the sky's: 50″ to each side in a turn of four minutes.
const WORM_RATE: f64 = 0.087;

/// How far a worm may take the rate of a turn that lasts `seconds`, as a part of the sky's.
pub(super) fn worm_rate(seconds: f64) -> f64 {
    let by_swing = (WORM_ARCSEC / 3600.0).to_radians() / (seconds.max(1.0) * SKY_RAD_S);
    by_swing.min(WORM_RATE)
}

/// A rate in units of the sky's.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct AxisRate {
    /// 1 with the stars; negative against them.
    pub times_sidereal: f64,
    /// Standard deviation; the gear's periodic error is not in it where it was not fitted.
    pub sigma: f64,
    /// Time over which it was measured, seconds.
    pub span_s: f64,
    /// The named rates that this may be.
    pub named: Named,
}

impl AxisRate {
    /// Takes the rate that the gear's swing was fitted beside.
    pub(super) fn rename(&mut self, times_sidereal: f64) {
        /// A swing that is not quite a sine leaves so much of its own rate.
        const LEFT: f64 = 0.1;
        self.times_sidereal = times_sidereal;
        self.named = named(times_sidereal, 3.0 * self.sigma + LEFT * worm_rate(self.span_s));
    }
}

/// Rates that trackers have.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Named {
    /// With the stars.
    Sidereal,
    /// With the sun: 0.9973.
    Solar,
    /// With the moon: 0.9635 or so.
    Lunar,
    /// Half of the stars' rate.
    Half,
    /// The run is too short to tell sidereal from solar or lunar.
    NearSidereal,
    /// None of these.
    Odd,
    /// Not at all.
    Off,
    /// Against the sky.
    Reversed,
}

const KNOWN: [(f64, Named); 4] = [
    (1.0, Named::Sidereal),
    (0.997_27, Named::Solar),
    (0.963_5, Named::Lunar),
    (0.5, Named::Half),
];

/// A run of frames tracked without a touch: time and angle with the sky, radians.
pub(super) type Run = Vec<(f64, f64)>;

/// Least squares over runs that share one rate and nothing else. `sigma` is an angle's, radians.
pub(super) fn rate(runs: &[Run], sigma: f64, worm_known: bool) -> Option<AxisRate> {
    let (mut lever, mut turned, mut span) = (0.0, 0.0, 0.0);
    for run in runs.iter().filter(|r| r.len() > 1) {
        let n = run.len() as f64;
        let middle = run.iter().map(|p| p.0).sum::<f64>() / n;
        let angle = run.iter().map(|p| p.1).sum::<f64>() / n;
        lever += run.iter().map(|p| (p.0 - middle).powi(2)).sum::<f64>();
        turned += run.iter().map(|p| (p.0 - middle) * (p.1 - angle)).sum::<f64>();
        span += run[run.len() - 1].0 - run[0].0;
    }
    if lever <= 0.0 || span <= 0.0 {
        return None;
    }
    let times = turned / lever / SKY_RAD_S;
    let sigma = sigma / lever.sqrt() / SKY_RAD_S;
    let worm = if worm_known { 0.0 } else { worm_rate(span) };
    Some(AxisRate {
        times_sidereal: times,
        sigma,
        span_s: span,
        named: named(times, 3.0 * sigma + worm),
    })
}

/// Rates within `reach` of what was measured.
fn named(times: f64, reach: f64) -> Named {
    const LEAST: f64 = 5e-4;
    let reach = reach.max(LEAST);
    let near: Vec<Named> = KNOWN
        .iter()
        .filter(|(known, _)| (times - known).abs() <= reach)
        .map(|(_, name)| *name)
        .collect();
    match near.as_slice() {
        [] if times.abs() < 0.05 => Named::Off,
        [] if (times + 1.0).abs() < 0.2 => Named::Reversed,
        [] => Named::Odd,
        [one] => *one,
        several if several.contains(&Named::Sidereal) => Named::NearSidereal,
        _ => Named::Odd,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(times: f64, frames: usize, step_s: f64) -> Run {
        (0..frames)
            .map(|n| (n as f64 * step_s, n as f64 * step_s * times * SKY_RAD_S))
            .collect()
    }

    #[test]
    fn rates_have_names() {
        let told = |times: f64| rate(&[run(times, 10, 600.0)], 1e-6, true).expect("a run").named;
        assert_eq!(told(1.0), Named::Sidereal);
        assert_eq!(told(0.997_27), Named::Solar);
        assert_eq!(told(0.9635), Named::Lunar);
        assert_eq!(told(0.5), Named::Half);
        assert_eq!(told(0.0), Named::Off);
        assert_eq!(told(-1.0), Named::Reversed);
        assert_eq!(told(1.3), Named::Odd);
        let short = rate(&[run(1.0, 2, 60.0)], 1e-5, false).expect("a run");
        assert_eq!(short.named, Named::NearSidereal);
    }

    #[test]
    fn runs_share_their_rate_only() {
        let mut second = run(1.0, 4, 120.0);
        for point in &mut second {
            *point = (point.0 + 5000.0, point.1 + 0.7);
        }
        let found = rate(&[run(1.0, 4, 120.0), second], 1e-6, true).expect("runs");
        assert!((found.times_sidereal - 1.0).abs() < 1e-9 && (found.span_s - 720.0).abs() < 1e-9);
    }
}
