use nalgebra::{DMatrix, DVector};
use nightloom_fit::{Random, non_negative};

/// `scipy.optimize.nnls` of SciPy 1.17.1 on the same numbers.
#[test]
fn as_scipy_has_it() {
    let design = DMatrix::from_fn(9, 5, |i, j| {
        ((i * 7 + j * 13) % 11) as f64 / 10.0 + f64::from(u8::from(i == j))
    });
    let values = DVector::from_fn(9, |i, _| ((i * 5) % 7) as f64 - 2.5);
    let found = non_negative(&design, &values, None);
    for (got, wanted) in found.iter().zip([0.0, 1.008_509_76, 0.0, 0.0, 0.498_233_58]) {
        assert!((got - wanted).abs() < 1e-8, "{found}");
    }
    assert!(((values - design * found).norm() - 5.720_767_964_695_129).abs() < 1e-9);
}

/// The conditions of Kuhn and Tucker (Lawson & Hanson 1974, theorem 23.4): no slope where a term is used, none upwards where
/// it is not.
#[test]
fn nothing_better_lies_near() {
    let mut random = Random::new(3);
    for _ in 0..300 {
        let (rows, terms) = (6 + random.below(30), 1 + random.below(12));
        let mut design = DMatrix::from_fn(rows, terms, |_, _| random.uniform());
        if terms > 2 && random.chance(0.3) {
            let same = design.column(0).into_owned();
            design.set_column(2, &same);
        }
        let values = DVector::from_fn(rows, |_, _| random.normal());
        let weights = DVector::from_fn(rows, |_, _| random.uniform());
        let found = non_negative(&design, &values, Some(&weights));
        let left = (&values - &design * &found).component_mul(&weights);
        let slope = design.transpose() * left;
        for (v, s) in found.iter().zip(slope.iter()) {
            assert!(*v >= 0.0 && *s < 1e-6, "{v} {s}");
            assert!(*v == 0.0 || s.abs() < 1e-6, "{v} {s}");
        }
    }
}
