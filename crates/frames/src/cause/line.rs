//! The length of a line from the Gaussian that fits it best.
//!
//! A line of length L drawn out of a Gaussian of variance b² has the variance b² + L²/12, but the window
//! that follows its shape sees another: the shares of the ends change with L/b. The table holds what the
//! window settles on, found with the same iteration.

use std::sync::OnceLock;

/// L/b of the table's entries.
const STEP: f64 = 0.5;
const ENTRIES: usize = 81;

/// Length of the even motion that draws a round star of variance `short` out to the variance `long`.
pub(super) fn length(long: f64, short: f64) -> f64 {
    static TABLE: OnceLock<Vec<f64>> = OnceLock::new();
    let table = TABLE.get_or_init(|| (0..ENTRIES).map(|i| settled(i as f64 * STEP)).collect());
    if short <= 0.0 || long <= short {
        return 0.0;
    }
    let ratio = long / short;
    let next = table.partition_point(|r| *r < ratio);
    let units = match next {
        0 => 0.0,
        // Near zero the ratio grows with the square of the length.
        1 => STEP * ((ratio - 1.0) / (table[1] - 1.0)).sqrt(),
        n if n >= ENTRIES => STEP * (ENTRIES - 1) as f64 * (ratio / table[ENTRIES - 1]).sqrt(),
        n => STEP * (n as f64 - 1.0 + (ratio - table[n - 1]) / (table[n] - table[n - 1])),
    };
    units * short.sqrt()
}

/// The variance along, in units of that across, which the window settles on.
fn settled(length: f64) -> f64 {
    let profile = |t: f64| erf_like(t + 0.5 * length) - erf_like(t - 0.5 * length);
    let mut variance = 1.0 + length * length / 12.0;
    let step = 0.1;
    let reach = 0.5 * length + 6.0;
    for _ in 0..60 {
        let (mut sum, mut square) = (0.0, 0.0);
        let mut t = -reach;
        while t <= reach {
            let light = if length > 0.0 {
                profile(t)
            } else {
                (-0.5 * t * t).exp()
            };
            let w = light * (-0.25 * t * t / variance).exp();
            sum += w;
            square += w * t * t;
            t += step;
        }
        let seen = square / sum;
        variance = 1.0 / (1.0 / seen - 0.5 / variance);
    }
    variance
}

/// The normal distribution's integral (Abramowitz & Stegun 1964, 26.2.17; error below 7.5e-8).
fn erf_like(x: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.231_641_9 * x.abs());
    let poly = t
        * (0.319_381_530
            + t * (-0.356_563_782 + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    let tail = (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt() * poly;
    if x >= 0.0 { 1.0 - tail } else { tail }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_short_line_has_the_variance_of_a_uniform_distribution() {
        // Variance of a uniform distribution of width L: L²/12 (any handbook of statistics).
        assert!((settled(0.5) - (1.0 + 0.25 / 12.0)).abs() < 2e-3);
        let l = length(1.0 + 0.36 / 12.0, 1.0);
        assert!((l - 0.6).abs() < 0.03, "{l}");
    }

    #[test]
    fn the_table_is_turned_round_without_loss() {
        for units in [1.0, 3.0, 8.0, 25.0] {
            let back = length(4.0 * settled(units), 4.0);
            assert!((back - 2.0 * units).abs() < 0.02 * units, "{units}: {back}");
        }
    }
}
