//! Lines between the bright stars of each constellation.
//!
//! The IAU lays down names and boundaries of the constellations (1930) and no lines. These are nobody's list: they follow
//! from the embedded catalogue alone. Two stars of a constellation are joined if no third of its bright stars is nearer
//! to both of them than they are to each other: the relative neighbourhood graph (G. T. Toussaint 1980, Pattern
//! Recognition 12, 261), made to find what the eye takes for a figure in points.

use std::sync::LazyLock;

use nalgebra::{UnitVector3, Vector3};

use super::boundaries::constellation_of;
use super::constellations::{Constellation, all};
use super::stars::direction;
use crate::CatalogueStar;
use crate::catalogue::stars;

/// Stars down to this V make a figure: what is easily seen by eye in a town's suburb.
const FAINTEST: f32 = 4.0;
/// Fainter ones make it up to so many,
const LEAST: usize = 4;
/// down to here.
const FAINTEST_OF_ALL: f32 = 4.6;
/// The brightest only, where there are many.
const MOST: usize = 12;
/// Nearer than this two stars are one point to the eye, degrees.
const ONE_POINT_DEG: f64 = 1.0;

/// The bright stars of a constellation and the lines between them.
#[derive(Clone, Debug)]
pub struct Figure {
    /// Whose.
    pub constellation: &'static Constellation,
    /// Its bright stars, the brightest first.
    pub stars: Vec<&'static CatalogueStar>,
    /// Which of them are joined, by their places in `stars`.
    pub lines: Vec<[usize; 2]>,
}

static FIGURES: LazyLock<Vec<Figure>> = LazyLock::new(|| {
    let bright = stars().iter().take_while(|s| s.v_mag <= FAINTEST_OF_ALL);
    let placed: Vec<_> = bright
        .filter_map(|star| {
            let place = direction(star);
            Some((constellation_of(&UnitVector3::new_normalize(place))?, star, place))
        })
        .collect();
    all()
        .iter()
        .map(|constellation| {
            let own = placed.iter().filter(|(of, ..)| of == &constellation);
            figure(constellation, own.map(|(_, star, place)| (*star, *place)))
        })
        .filter(|figure| !figure.lines.is_empty())
        .collect()
});

/// The figures of all constellations that have two stars bright enough, by abbreviation. Worked out on first use.
pub fn figures() -> &'static [Figure] {
    &FIGURES
}

fn figure(
    constellation: &'static Constellation,
    own: impl Iterator<Item = (&'static CatalogueStar, Vector3<f64>)>,
) -> Figure {
    let apart = ONE_POINT_DEG.to_radians().cos();
    let mut taken: Vec<(&CatalogueStar, Vector3<f64>)> = Vec::new();
    for (star, place) in own {
        let wanted = star.v_mag <= FAINTEST || taken.len() < LEAST;
        if wanted && taken.len() < MOST && taken.iter().all(|(_, other)| other.dot(&place) < apart) {
            taken.push((star, place));
        }
    }
    let places: Vec<_> = taken.iter().map(|(_, place)| *place).collect();
    Figure {
        constellation,
        stars: taken.into_iter().map(|(star, _)| star).collect(),
        lines: neighbours(&places),
    }
}

/// Pairs of directions that no third is nearer to, both of them, than they are to each other.
fn neighbours(places: &[Vector3<f64>]) -> Vec<[usize; 2]> {
    // Nearer is a greater product.
    let near = |i: usize, j: usize| places[i].dot(&places[j]);
    let pairs = (0..places.len()).flat_map(|j| (0..j).map(move |i| [i, j]));
    pairs
        .filter(|[i, j]| {
            let between = |k: usize| near(*i, k) > near(*i, *j) && near(*j, k) > near(*i, *j);
            !(0..places.len()).any(|k| k != *i && k != *j && between(k))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn neighbours_of_a_row_and_of_a_square() {
        let at = |x: f64, y: f64| Vector3::new(x, y, 1.0).normalize();
        // A row is joined from one to the next, a square along its sides and not across.
        let row = [at(0.0, 0.0), at(0.1, 0.0), at(0.25, 0.0)];
        assert_eq!(neighbours(&row), [[0, 1], [1, 2]]);
        let square = [at(0.1, 0.1), at(-0.1, 0.1), at(-0.1, -0.1), at(0.1, -0.1)];
        assert_eq!(neighbours(&square), [[0, 1], [1, 2], [0, 3], [2, 3]]);
    }
}
