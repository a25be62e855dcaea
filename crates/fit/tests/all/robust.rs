//! Robust fits held to statsmodels'.

use nalgebra::SVector;
use nightloom_fit::{BIWEIGHT, CAUCHY, Loss, Normal, Random, Robust, Row, Scale, robust};

/// Written by tests/reference/make_reference.py; also in Venables & Ripley (2002), Modern Applied Statistics with S,
/// section 6.5, to four decimals.
const REFERENCE: &str = include_str!("../reference/robust.csv");
const TOLERANCE: f64 = 1e-6;

fn numbers(text: &str) -> Vec<f64> {
    text.split_whitespace().map(|v| v.parse().unwrap()).collect()
}

#[test]
fn stack_loss_has_the_coefficients_of_the_reference() {
    let lines: Vec<&str> = REFERENCE.lines().filter(|l| !l.starts_with('#')).collect();
    let (fits, data) = lines.split_at(2);
    let rows: Vec<Row<4>> = data
        .iter()
        .map(|line| numbers(line))
        .map(|v| Row {
            terms: SVector::from([1.0, v[0] - 60.0, v[1] - 20.0, v[2] - 85.0]),
            value: v[3],
            weight: 1.0,
        })
        .collect();
    assert_eq!(rows.len(), 21);
    for (line, loss, reach) in [(fits[0], Loss::Huber, 1.345), (fits[1], Loss::Biweight, BIWEIGHT)] {
        let should = numbers(line.split_once(' ').unwrap().1);
        let settings = Robust {
            loss,
            scale: Scale::AboutZero(reach, 0.0),
            rounds: 1000,
        };
        let found = robust(&rows, &Normal::new(), None, &settings).unwrap();
        let level = found[0] - 60.0 * found[1] - 20.0 * found[2] - 85.0 * found[3];
        for (is, should) in [level, found[1], found[2], found[3]].iter().zip(&should) {
            assert!(
                (is - should).abs() < TOLERANCE * should.abs(),
                "{loss:?}: {is}, not {should}"
            );
        }
    }
}

/// A line under a third of outliers on one side, and one under none: all losses stay with it, by either scale.
#[test]
fn a_line_is_found_under_one_sided_outliers() {
    for seed in 0..10 {
        let mut random = Random::new(seed);
        for part in [0.0, 0.2] {
            let rows: Vec<Row<2>> = (0..600)
                .map(|i| {
                    let x = f64::from(i) / 300.0 - 1.0;
                    let off = if random.chance(part) {
                        50.0 * random.uniform()
                    } else {
                        0.0
                    };
                    Row {
                        terms: SVector::from([1.0, x]),
                        value: 2.0 - 3.0 * x + 0.1 * random.normal() + off,
                        weight: 1.0,
                    }
                })
                .collect();
            for scale in [
                Scale::AboutZero(CAUCHY, 1e-9),
                Scale::AboutMedian(CAUCHY, 1e-9),
                Scale::Fixed(0.25),
            ] {
                for loss in [Loss::Biweight, Loss::Cauchy] {
                    let settings = Robust {
                        loss,
                        scale,
                        rounds: 60,
                    };
                    let found = robust(&rows, &Normal::new(), Some(SVector::from([2.1, -3.0])), &settings);
                    let found = found.unwrap();
                    let off = (found[0] - 2.0).abs().max((found[1] + 3.0).abs());
                    assert!(off < 0.06, "{seed} {scale:?} {loss:?}: {found:?}");
                }
            }
        }
    }
}

#[test]
fn what_the_rows_do_not_hold_is_no_answer() {
    let rows = [Row {
        terms: SVector::from([1.0, 2.0]),
        value: 3.0,
        weight: 1.0,
    }];
    let settings = Robust {
        loss: Loss::Huber,
        scale: Scale::Fixed(1.0),
        rounds: 5,
    };
    assert!(robust(&rows, &Normal::new(), None, &settings).is_none());
    // What is expected beforehand can hold the rest.
    let mut prior = Normal::new();
    prior.expect(1, 1.0, 1e-3);
    let found = robust(&rows, &prior, None, &settings).unwrap();
    assert!((found - SVector::from([1.0, 1.0])).amax() < 1e-9);
}
