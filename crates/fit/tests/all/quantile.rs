//! Quantiles held to NumPy's.

use nightloom_fit::{Random, mad, median, median_of, quantile, quantile_sorted};

/// NumPy and SciPy, written by tests/reference/make_reference.py.
const REFERENCE: &str = include_str!("../reference/quantiles.csv");
const PARTS: [f64; 7] = [0.0, 0.1, 0.25, 0.5, 0.9, 0.995, 1.0];

fn numbers(text: &str) -> Vec<f64> {
    text.split_whitespace().map(|v| v.parse().unwrap()).collect()
}

#[test]
fn quantiles_and_deviations_are_those_of_the_reference() {
    let mut seen = 0;
    for line in REFERENCE.lines().filter(|l| !l.starts_with('#')) {
        let (figures, values) = line.split_once('|').unwrap();
        let (figures, values) = (numbers(figures), numbers(values));
        let sorted = {
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            sorted
        };
        for (part, should) in PARTS.iter().zip(&figures) {
            let is = quantile(&mut values.clone(), *part).unwrap();
            assert!(
                (is - should).abs() < 1e-9,
                "{part} of {values:?}: {is}, not {should}"
            );
            assert_eq!(quantile_sorted(&sorted, *part), Some(is));
        }
        let (middle, deviation) = mad(&mut values.clone()).unwrap();
        assert!((middle - figures[3]).abs() < 1e-9 && (deviation - figures[7]).abs() < 1e-9);
        // The same in single precision.
        let mut single: Vec<f32> = values.iter().map(|v| *v as f32).collect();
        assert!((f64::from(median(&mut single).unwrap()) - figures[3]).abs() < 1e-5);
        seen += 1;
    }
    assert_eq!(seen, 8);
}

/// What is not finite is left out wherever it stands, and nothing has no median.
#[test]
fn what_is_not_finite_is_left_out() {
    let mut random = Random::new(4);
    for count in 0..40 {
        let clean: Vec<f64> = (0..count).map(|_| random.normal()).collect();
        let mut mixed = clean.clone();
        for bad in [f64::NAN, -f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            mixed.insert(random.below(mixed.len() + 1), bad);
        }
        assert_eq!(median(&mut mixed.clone()), median(&mut clean.clone()));
        assert_eq!(mad(&mut mixed), mad(&mut clean.clone()));
        assert_eq!(median_of(clean.iter().copied()).is_none(), count == 0);
    }
}

/// Half of the values lie on either side, whatever their order.
#[test]
fn the_median_lies_in_the_middle_of_any_values() {
    let mut random = Random::new(9);
    for _ in 0..2000 {
        let count = 1 + random.below(60);
        // Few different values, so that many are equal.
        let values: Vec<f32> = (0..count).map(|_| random.below(7) as f32).collect();
        let middle = median(&mut values.clone()).unwrap();
        let below = values.iter().filter(|v| **v < middle).count();
        let above = values.iter().filter(|v| **v > middle).count();
        assert!(2 * below <= count && 2 * above <= count, "{middle} of {values:?}");
    }
}
