//! Triangles of neighbouring stars, compared by their sides (Groth 1986, AJ 91, 1244).

use nalgebra::Vector3;

/// A triangle with its corners ordered by the side opposite: longest, middle, shortest.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Triangle {
    pub(crate) corners: [usize; 3],
    /// Longest side, radians (chord).
    pub(crate) size: f64,
    /// Middle and shortest side over the longest.
    pub(crate) shape: [f64; 2],
    /// Whether the corners run clockwise.
    pub(crate) clockwise: bool,
}

/// Each star with every two of its `neighbours` nearest stars, none twice.
pub(crate) fn triangles(stars: &[Vector3<f64>], neighbours: usize) -> Vec<Triangle> {
    let mut keys = std::collections::BTreeSet::new();
    for (i, star) in stars.iter().enumerate() {
        let mut near: Vec<(f64, usize)> = stars
            .iter()
            .enumerate()
            .filter(|(j, _)| *j != i)
            .map(|(j, other)| ((star - other).norm_squared(), j))
            .collect();
        near.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        near.truncate(neighbours);
        for (n, a) in near.iter().enumerate() {
            for b in &near[n + 1..] {
                let mut key = [i, a.1, b.1];
                key.sort_unstable();
                keys.insert(key);
            }
        }
    }
    keys.into_iter().filter_map(|key| triangle(stars, key)).collect()
}

/// The triangle of three stars; `None` where it is too flat or too even for its corners to be
/// told apart.
pub(crate) fn triangle(stars: &[Vector3<f64>], key: [usize; 3]) -> Option<Triangle> {
    let side = |a: usize, b: usize| (stars[key[a]] - stars[key[b]]).norm();
    let mut sides = [(side(1, 2), key[0]), (side(0, 2), key[1]), (side(0, 1), key[2])];
    sides.sort_by(|a, b| b.0.total_cmp(&a.0));
    let [(a, p), (b, q), (c, r)] = sides;
    if a <= 0.0 || c < 0.1 * a {
        return None;
    }
    let turn = (stars[q] - stars[p])
        .cross(&(stars[r] - stars[p]))
        .dot(&(stars[p] + stars[q] + stars[r]));
    Some(Triangle {
        corners: [p, q, r],
        size: a,
        shape: [b / a, c / a],
        clockwise: turn > 0.0,
    })
}
