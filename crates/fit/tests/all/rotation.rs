//! Rotations that are known beforehand.

use nalgebra::{Matrix3, Rotation3, Vector3};
use nightloom_fit::{Random, rotation_between};

fn direction(random: &mut Random) -> Vector3<f64> {
    Vector3::new(random.normal(), random.normal(), random.normal()).normalize()
}

/// Whatever the turn, exact pairs give it back, halves of turns and mirrored-looking sets included.
#[test]
fn exact_pairs_give_their_rotation() {
    let mut random = Random::new(11);
    for n in 0..300 {
        let angle = if n % 3 == 0 {
            std::f64::consts::PI
        } else {
            3.0 * random.uniform()
        };
        let turn = Rotation3::new(direction(&mut random) * angle);
        let count = 2 + random.below(6);
        let pairs: Vec<_> = (0..count)
            .map(|_| {
                let a = direction(&mut random);
                (a, turn * a, 0.1 + random.uniform())
            })
            .collect();
        let found = rotation_between(pairs.iter().copied()).unwrap();
        // Two directions close together hold the turn about them loosely.
        let off = pairs
            .iter()
            .map(|p| (found * p.0 - p.1).norm())
            .fold(0.0, f64::max);
        assert!(off < 1e-12, "{n}: {off}");
        assert!((found.matrix().determinant() - 1.0).abs() < 1e-13);
    }
}

/// Pairs that a mirror would fit better still get a rotation, and the best of all: nothing near it is better
/// (Kabsch 1978).
#[test]
fn the_best_rotation_even_of_mirrored_pairs() {
    let mut random = Random::new(12);
    for n in 0..200 {
        let mirror = Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, if n % 2 == 0 { -1.0 } else { 1.0 }));
        let pairs: Vec<_> = (0..6)
            .map(|_| {
                let a = direction(&mut random);
                let b = (mirror * a + 0.2 * direction(&mut random)).normalize();
                (a, b, 0.1 + random.uniform())
            })
            .collect();
        let cost = |r: &Rotation3<f64>| {
            pairs
                .iter()
                .map(|p| p.2 * (p.1 - r * p.0).norm_squared())
                .sum::<f64>()
        };
        let found = rotation_between(pairs.iter().copied()).unwrap();
        let best = cost(&found);
        for _ in 0..100 {
            let size = 10f64.powf(-3.0 * random.uniform());
            let other = Rotation3::new(direction(&mut random) * size) * found;
            assert!(cost(&other) >= best - 1e-13, "{n}: {} < {best}", cost(&other));
        }
        for _ in 0..100 {
            let other = Rotation3::new(direction(&mut random) * (3.2 * random.uniform()));
            assert!(cost(&other) >= best - 1e-13);
        }
    }
}

/// A pair's weight counts as so many pairs; no weight at all is no answer.
#[test]
fn weights_count_as_repetitions() {
    let mut random = Random::new(13);
    let pairs: Vec<_> = (0..5)
        .map(|_| (direction(&mut random), direction(&mut random)))
        .collect();
    let weighted = rotation_between(pairs.iter().enumerate().map(|(i, p)| (p.0, p.1, i as f64))).unwrap();
    let repeated = pairs
        .iter()
        .enumerate()
        .flat_map(|(i, p)| vec![(p.0, p.1, 1.0); i]);
    assert!(weighted.angle_to(&rotation_between(repeated).unwrap()) < 1e-7);
    assert!(rotation_between(pairs.iter().map(|p| (p.0, p.1, 0.0))).is_none());
    assert!(rotation_between([]).is_none());
    assert!(rotation_between([(Vector3::x(), Vector3::new(f64::NAN, 0.0, 0.0), 1.0)]).is_none());
}
