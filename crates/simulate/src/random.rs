//! Seeded numbers: the same seed and stream give the same numbers everywhere.

/// SplitMix64 (Steele, Lea & Flood 2014, OOPSLA): small, fast, passes the usual batteries.
#[derive(Clone, Debug)]
pub(crate) struct Random {
    state: u64,
    spare: Option<f64>,
}

/// Above this mean a Poisson draw is made from a Gaussian with the first Cornish–Fisher term.
const GAUSSIAN_FROM: f64 = 40.0;

impl Random {
    /// A stream of its own for each (seed, stream, row).
    pub(crate) fn new(seed: u64, stream: u64, row: u64) -> Self {
        let state =
            mix(seed ^ mix(stream.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ mix(row.wrapping_add(0x5851_f42d))));
        Self { state, spare: None }
    }
    pub(crate) fn next_u64(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        mix(self.state)
    }
    /// Uniform in [0, 1).
    pub(crate) fn uniform(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }
    /// Uniform in [low, high).
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }
    /// True with this probability.
    pub(crate) fn chance(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }
    /// Standard normal (Marsaglia's polar method).
    pub(crate) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let (u, v) = (2.0 * self.uniform() - 1.0, 2.0 * self.uniform() - 1.0);
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                let k = (-2.0 * s.ln() / s).sqrt();
                self.spare = Some(v * k);
                return u * k;
            }
        }
    }
    /// Poisson with this mean: exact below 40 (multiplication, Knuth 1969), above it
    /// λ + z√λ + (z² − 1)/6, whose mean is λ and whose variance is λ + 1/18.
    pub(crate) fn poisson(&mut self, mean: f64) -> f64 {
        if mean <= 0.0 {
            return 0.0;
        }
        if mean >= GAUSSIAN_FROM {
            let z = self.normal();
            return (mean + z * mean.sqrt() + (z * z - 1.0) / 6.0).max(0.0);
        }
        let limit = (-mean).exp();
        let mut product = self.uniform();
        let mut count = 0.0;
        while product > limit {
            product *= self.uniform();
            count += 1.0;
        }
        count
    }
}

/// The finaliser of SplitMix64: every bit of the input stirs every bit of the output.
pub(crate) fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::Random;

    /// Mean and variance of a Poisson draw are its mean; five standard errors.
    #[test]
    fn poisson_mean_and_variance() {
        const DRAWS: usize = 200_000;
        for mean in [0.3, 7.0, 39.0, 41.0, 5000.0] {
            let mut random = Random::new(1, 2, 3);
            let draws: Vec<f64> = (0..DRAWS).map(|_| random.poisson(mean)).collect();
            let n = DRAWS as f64;
            let found = draws.iter().sum::<f64>() / n;
            let variance = draws.iter().map(|d| (d - found).powi(2)).sum::<f64>() / n;
            assert!(
                (found - mean).abs() < 5.0 * (mean / n).sqrt(),
                "mean {found} for {mean}"
            );
            let spread = mean * (2.0 / n + 1.0 / (mean * n)).sqrt() * 5.0 + 0.06;
            assert!((variance - mean).abs() < spread, "variance {variance} for {mean}");
        }
    }

    #[test]
    fn streams_differ_and_repeat() {
        let first = |seed, stream, row| Random::new(seed, stream, row).next_u64();
        assert_eq!(first(1, 2, 3), first(1, 2, 3));
        assert_ne!(first(1, 2, 3), first(1, 3, 2));
        assert_ne!(first(1, 2, 3), first(2, 2, 3));
    }
}
