//! The generator against its authors' numbers and the laws of its distributions.

use nightloom_fit::Random;

/// The first numbers of seed 1234567 by the authors' C source (Vigna, splitmix64.c, 2015).
#[test]
fn numbers_are_those_of_splitmix64() {
    let mut random = Random::new(1_234_567);
    let first: [u64; 5] = std::array::from_fn(|_| random.next_u64());
    assert_eq!(
        first,
        [
            6_457_827_717_110_365_317,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
            4_593_380_528_125_082_431,
            16_408_922_859_458_223_821,
        ]
    );
}

/// Mean and variance of a Poisson draw are its mean; five standard errors.
#[test]
fn poisson_mean_and_variance() {
    const DRAWS: usize = 200_000;
    for mean in [0.3, 7.0, 39.0, 41.0, 5000.0] {
        let mut random = Random::stream(1, 2, 3);
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

/// Moments of a normal draw; five standard errors.
#[test]
fn normal_moments() {
    const DRAWS: usize = 200_000;
    let mut random = Random::new(5);
    let draws: Vec<f64> = (0..DRAWS).map(|_| random.normal()).collect();
    for (power, should, variance) in [(1, 0.0, 1.0), (2, 1.0, 2.0), (3, 0.0, 15.0), (4, 3.0, 96.0)] {
        let moment = draws.iter().map(|d| d.powi(power)).sum::<f64>() / DRAWS as f64;
        let error = (variance / DRAWS as f64).sqrt();
        assert!((moment - should).abs() < 5.0 * error, "moment {power}: {moment}");
    }
}

#[test]
fn streams_differ_and_repeat() {
    let first = |seed, stream, row| Random::stream(seed, stream, row).next_u64();
    assert_eq!(first(1, 2, 3), first(1, 2, 3));
    assert_ne!(first(1, 2, 3), first(1, 3, 2));
    assert_ne!(first(1, 2, 3), first(2, 2, 3));
}
