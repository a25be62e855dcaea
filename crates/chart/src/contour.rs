//! Lines of equal value over a grid.

/// Pieces of the line on which a grid's value is `level`: the square's edges are crossed where the
/// value is, between their ends in proportion (Lorensen and Cline 1987, in the plane). A square with
/// four crossings is split by the mean of its corners. Squares with a value that is not finite have none.
///
/// `values` and `at` go row after row, `columns` to each.
pub(super) fn contour(columns: usize, at: &[[f64; 2]], values: &[f64], level: f64) -> Vec<[[f64; 2]; 2]> {
    let mut pieces = Vec::new();
    if columns < 2 {
        return pieces;
    }
    let rows = values.len().min(at.len()) / columns;
    for row in 1..rows {
        for column in 1..columns {
            let low = row * columns + column;
            // Around the square, so that neighbours share an edge.
            let around = [low - columns - 1, low - columns, low, low - 1];
            square(
                around.map(|n| at[n]),
                around.map(|n| values[n] - level),
                &mut pieces,
            );
        }
    }
    pieces
}

fn square(at: [[f64; 2]; 4], over: [f64; 4], pieces: &mut Vec<[[f64; 2]; 2]>) {
    if over.iter().any(|v| !v.is_finite()) {
        return;
    }
    let crossings: Vec<[f64; 2]> = (0..4)
        .filter_map(|n| {
            let m = (n + 1) % 4;
            // Zero counts as above.
            ((over[n] >= 0.0) != (over[m] >= 0.0)).then(|| {
                let share = over[n] / (over[n] - over[m]);
                [0, 1].map(|k| at[n][k] + share * (at[m][k] - at[n][k]))
            })
        })
        .collect();
    match crossings[..] {
        [a, b] => pieces.push([a, b]),
        [a, b, c, d] => {
            let middle = over.iter().sum::<f64>() >= 0.0;
            // The middle is on the side of the first corner: that corner is joined to the opposite one.
            if middle == (over[0] >= 0.0) {
                pieces.extend([[a, b], [c, d]]);
            } else {
                pieces.extend([[d, a], [b, c]]);
            }
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const N: usize = 41;

    fn grid(value: impl Fn(f64, f64) -> f64) -> (Vec<[f64; 2]>, Vec<f64>) {
        let at: Vec<[f64; 2]> = (0..N * N)
            .map(|n| [(n % N) as f64 - 20.0, (n / N) as f64 - 20.0])
            .collect();
        let values = at.iter().map(|p| value(p[0], p[1])).collect();
        (at, values)
    }

    /// x² + y² = 15²: each end on the circle, all pieces together its circumference.
    #[test]
    fn a_circle_is_round() {
        let (at, values) = grid(|x, y| x.hypot(y));
        let pieces = contour(N, &at, &values, 15.0);
        let mut long = 0.0;
        for [a, b] in &pieces {
            for end in [a, b] {
                assert!((end[0].hypot(end[1]) - 15.0).abs() < 0.02, "{end:?}");
            }
            long += (a[0] - b[0]).hypot(a[1] - b[1]);
        }
        assert!(
            (long / (std::f64::consts::TAU * 15.0) - 1.0).abs() < 2e-3,
            "{long}"
        );
    }

    #[test]
    fn a_saddle_is_not_crossed() {
        let (at, values) = grid(|x, y| (x - 0.5) * (y - 0.5) - 0.01);
        for [a, b] in contour(N, &at, &values, 0.0) {
            // Both ends on one branch of the hyperbola.
            assert_eq!(a[0] > 0.5, b[0] > 0.5, "{a:?} {b:?}");
            assert_eq!(a[1] > 0.5, b[1] > 0.5, "{a:?} {b:?}");
        }
    }

    #[test]
    fn nothing_where_nothing_is_known() {
        let (at, mut values) = grid(|x, _| x);
        values.iter_mut().for_each(|v| *v = f64::NAN);
        assert!(contour(N, &at, &values, 0.5).is_empty() && contour(1, &at, &values, 0.5).is_empty());
    }
}
