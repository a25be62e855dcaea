//! Seeded numbers: the same seed gives the same numbers everywhere.

/// SplitMix64 (Steele, Lea & Flood 2014, OOPSLA): small, fast, passes the usual batteries.
///
/// ```
/// let mut random = nightloom_fit::Random::new(0);
/// assert_eq!(random.next_u64(), 0xe220_a839_7b1d_cdaf);
/// assert!((0.0..1.0).contains(&random.uniform()));
/// ```
#[derive(Clone, Debug)]
pub struct Random {
    state: u64,
    spare: Option<f64>,
}

/// Above this mean a Poisson draw is made from a Gaussian with the first Cornish–Fisher term.
const GAUSSIAN_FROM: f64 = 40.0;

impl Random {
    /// The numbers of a seed.
    pub fn new(seed: u64) -> Self {
        Self {
            state: seed,
            spare: None,
        }
    }

    /// A stream of its own for each (seed, stream, row).
    pub fn stream(seed: u64, stream: u64, row: u64) -> Self {
        Self::new(mix(seed
            ^ mix(
                stream.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ mix(row.wrapping_add(0x5851_f42d))
            )))
    }

    /// All 64 bits.
    pub fn next_u64(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        mix(self.state)
    }

    /// Uniform in [0, 1).
    pub fn uniform(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Uniform in [low, high).
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// A whole number below `count`, which must not be 0.
    pub fn below(&mut self, count: usize) -> usize {
        (self.next_u64() >> 16) as usize % count
    }

    /// True with this probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }

    /// Standard normal (Marsaglia's polar method).
    pub fn normal(&mut self) -> f64 {
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
    pub fn poisson(&mut self, mean: f64) -> f64 {
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
pub fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}
