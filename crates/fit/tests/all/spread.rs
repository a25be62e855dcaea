//! Small-sample factors: what the table says is what sets of random numbers do.

use nightloom_fit::{Random, SIGMA_PER_MAD, mad, median, median_and_sigma, per_mean_mad, per_median_mad};

/// Against the script's NumPy this is another generator and another median.
#[test]
fn factors_make_one_sigma_of_small_sets() {
    const SETS: usize = 40_000;
    let mut random = Random::new(20);
    for n in [2, 3, 4, 5, 7, 10, 16, 31, 32, 33, 60] {
        let mut mads: Vec<f64> = (0..SETS)
            .map(|_| {
                mad(&mut (0..n).map(|_| random.normal()).collect::<Vec<f64>>())
                    .unwrap()
                    .1
            })
            .collect();
        let mean = mads.iter().sum::<f64>() / SETS as f64;
        let by_mean = mean * f64::from(per_mean_mad(n));
        let by_median = median(&mut mads).unwrap() * f64::from(per_median_mad(n));
        // A MAD of n scatters by 0.9 of itself at n = 2; four standard errors of the median.
        assert!((by_mean - 1.0).abs() < 0.02, "{n}: {by_mean}");
        assert!((by_median - 1.0).abs() < 0.03, "{n}: {by_median}");
    }
    assert_eq!((per_mean_mad(1), per_median_mad(0)), (0.0, 0.0));
}

#[test]
fn many_normal_values_have_the_sigma_they_were_drawn_with() {
    let mut random = Random::new(2);
    let mut values: Vec<f64> = (0..100_000).map(|_| 3.0 + 0.5 * random.normal()).collect();
    let (middle, sigma) = median_and_sigma(&mut values).unwrap();
    assert!((middle - 3.0).abs() < 0.008 && (sigma / 0.5 - 1.0).abs() < 0.015);
    // Φ(1 / factor) = 3/4, by the series of the error function (Abramowitz & Stegun 7.1.5).
    let x = 1.0 / SIGMA_PER_MAD / 2f64.sqrt();
    let (mut term, mut sum) = (x, x);
    for n in 1..40 {
        term *= -x * x / f64::from(n);
        sum += term / f64::from(2 * n + 1);
    }
    assert!((sum / std::f64::consts::PI.sqrt() - 0.25).abs() < 1e-15);
}

/// The tables are what the script wrote.
#[test]
fn factors_are_the_scripts() {
    let mut seen = 0;
    for line in include_str!("../reference/mad_factors.csv").lines().skip(2) {
        let row: Vec<f32> = line.split(',').map(|v| v.parse().unwrap()).collect();
        let n = row[0] as usize;
        assert_eq!([per_mean_mad(n), per_median_mad(n)], [row[1], row[2]], "{n}");
        seen += 1;
    }
    assert_eq!(seen, 31);
}
