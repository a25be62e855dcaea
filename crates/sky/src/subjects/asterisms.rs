//! Figures that are not constellations, by their stars.

use nalgebra::{UnitVector3, Vector3};

use super::{Subject, SubjectKind, stars};
use crate::Angle;

/// Names and Hipparcos numbers of the stars (the figures from memory; the stars' places are the catalogue's).
const FIGURES: [(&[&str], &[u32]); 11] = [
    (
        &["Big Dipper", "Plough"],
        &[54061, 53910, 58001, 59774, 62956, 65378, 67301],
    ),
    (&["Little Dipper"], &[11767, 85822, 72607, 75097]),
    (&["Summer Triangle"], &[91262, 102_098, 97649]),
    (&["Winter Triangle"], &[27989, 32349, 37279]),
    (&["Winter Hexagon"], &[24436, 21421, 24608, 37826, 37279, 32349]),
    (&["Orion's Belt", "Three Kings"], &[25930, 26311, 26727]),
    (&["Great Square of Pegasus"], &[113_963, 113_881, 677, 1067]),
    (&["Northern Cross"], &[102_098, 100_453, 95947, 97165, 102_488]),
    (&["Teapot"], &[88635, 89931, 90185, 90496, 92855, 93506]),
    (&["False Cross"], &[41037, 45556, 42913, 45941]),
    (&["Southern Pointers"], &[71683, 68702]),
];

pub(super) fn subjects() -> impl Iterator<Item = Subject> {
    FIGURES.iter().filter_map(|(names, hips)| {
        let places: Vec<Vector3<f64>> = hips.iter().filter_map(|hip| stars::place(*hip)).collect();
        let centre = UnitVector3::try_new(places.iter().sum(), 0.0)?;
        let farthest = places.iter().map(|p| p.dot(&centre)).fold(1.0, f64::min);
        let extent = Angle::from_rad(2.0 * farthest.acos());
        let right_ascension = centre.y.atan2(centre.x).to_degrees().rem_euclid(360.0);
        let mut subject = Subject::at(
            names[0],
            SubjectKind::Asterism,
            right_ascension,
            centre.z.asin().to_degrees(),
        )
        .also(names[1..].iter().copied());
        subject.size = Some((extent, extent));
        Some(subject)
    })
}
