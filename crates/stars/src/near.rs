//! Whether a star stands near a direction, asked millions of times: a grid on the faces of a cube.
//!
//! A face's coordinates are stretched so that cells cover nearly equal angles all over it; stars just beyond a
//! face's edge are kept with it too, so that one face answers.

use nalgebra::Vector3;

/// Directions that can be asked for at one reach.
pub(crate) struct NearGrid {
    reach2: f32,
    /// Side of a cell, in stretched coordinates of −1 to 1.
    cell: f32,
    /// Cells along a face, one on either side beyond its edge.
    side: usize,
    first: Vec<u32>,
    stars: Vec<[f32; 3]>,
}

/// Angle of a stretched coordinate's unit where it is least, radians (at the middle of a face's edge).
const LEAST_ANGLE: f32 = 0.55;
/// Finer cells would only cost memory.
const FINEST: f32 = 0.006;
const COARSEST: f32 = 0.5;

impl NearGrid {
    /// Sorts unit vectors to be asked for within `reach` radians, at most 0.13.
    pub(crate) fn new(directions: &[Vector3<f64>], reach: f64) -> Self {
        // Half a cell covers the reach, so that four cells hold all that is near.
        let cell = (2.0 * reach as f32 / LEAST_ANGLE).clamp(FINEST, COARSEST);
        let side = (2.0 / cell).ceil() as usize + 2;
        let mut grid = Self {
            reach2: (2.0 * (0.5 * reach).sin()).powi(2) as f32,
            cell,
            side,
            first: vec![0; 6 * side * side + 1],
            stars: Vec::new(),
        };
        let placed: Vec<(usize, [f32; 3])> = directions
            .iter()
            .flat_map(|d| {
                let d = [d.x as f32, d.y as f32, d.z as f32];
                (0..6).filter_map(move |face| Some((face, d, on_face(&d, face)?)))
            })
            .filter_map(|(face, d, at)| Some((grid.cell_of(face, at)?, d)))
            .collect();
        for (cell, _) in &placed {
            grid.first[cell + 1] += 1;
        }
        for i in 1..grid.first.len() {
            grid.first[i] += grid.first[i - 1];
        }
        let mut next = grid.first.clone();
        grid.stars = vec![[0.0; 3]; placed.len()];
        for (cell, d) in placed {
            grid.stars[next[cell] as usize] = d;
            next[cell] += 1;
        }
        grid
    }

    /// The cell of a place on a face; `None` beyond its margin.
    fn cell_of(&self, face: usize, at: [f32; 2]) -> Option<usize> {
        let [i, j] = at.map(|v| (v + 1.0) / self.cell + 1.0);
        let inside = |v: f32| v >= 0.0 && v < self.side as f32;
        (inside(i) && inside(j)).then(|| (face * self.side + j as usize) * self.side + i as usize)
    }

    /// Whether any direction lies within the reach of `d`.
    #[inline]
    pub(crate) fn any(&self, d: &Vector3<f64>) -> bool {
        let d = [d.x as f32, d.y as f32, d.z as f32];
        let face = face_of(&d);
        let Some(at) = on_face(&d, face) else {
            return false;
        };
        let corner = |v: f32| {
            let v = (v + 1.0) / self.cell + 0.5;
            (v.max(0.0) as usize).min(self.side - 2)
        };
        let (i, j) = (corner(at[0]), corner(at[1]));
        (j..j + 2).any(|j| {
            let row = (face * self.side + j) * self.side + i;
            let stars = &self.stars[self.first[row] as usize..self.first[row + 2] as usize];
            stars.iter().any(|s| {
                let off = [s[0] - d[0], s[1] - d[1], s[2] - d[2]];
                off[0] * off[0] + off[1] * off[1] + off[2] * off[2] <= self.reach2
            })
        })
    }
}

/// The face a direction looks at: twice its longest axis, and one more where that is negative.
fn face_of(d: &[f32; 3]) -> usize {
    let size = d.map(f32::abs);
    let axis = if size[0] >= size[1] && size[0] >= size[2] {
        0
    } else if size[1] >= size[2] {
        1
    } else {
        2
    };
    2 * axis + usize::from(d[axis] < 0.0)
}

/// The stretched place on a face; `None` of what lies well aside of it.
fn on_face(d: &[f32; 3], face: usize) -> Option<[f32; 2]> {
    let axis = face / 2;
    let height = if face % 2 == 1 { -d[axis] } else { d[axis] };
    (height > 0.2).then(|| [1, 2].map(|k| stretched(d[(axis + k) % 3] / height)))
}

/// Nearly 4/π times the angle whose tangent is given.
fn stretched(tangent: f32) -> f32 {
    const MIDDLE: f32 = 4.0 / std::f32::consts::PI;
    let size = tangent.abs();
    // Beyond the edge a straight line goes on where the curve would turn back.
    if size > 1.0 {
        tangent.signum() * (1.0 + (2.0 - MIDDLE) * (size - 1.0))
    } else {
        tangent * (MIDDLE + (1.0 - MIDDLE) * size)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against every distance measured, over the whole sky and at the faces' edges and corners.
    #[test]
    fn near_is_what_distances_say() {
        let mut random = nightloom_fit::Random::new(7);
        let mut direction = move || Vector3::from_fn(|_, _| random.normal()).normalize();
        for (count, reach) in [(2000, 0.02), (40_000, 0.0006), (300, 0.1)] {
            let stars: Vec<Vector3<f64>> = (0..count).map(|_| direction()).collect();
            let grid = NearGrid::new(&stars, reach);
            let mut asked: Vec<Vector3<f64>> = (0..1500).map(|_| direction()).collect();
            asked.extend(
                stars
                    .iter()
                    .take(500)
                    .map(|s| (s + direction() * 0.9 * reach).normalize()),
            );
            let edge = |v: &Vector3<f64>| Vector3::new(1.0, 1.0 + 0.5 * reach * v.x, v.z).normalize();
            asked.extend(stars.iter().take(500).map(edge));
            let mut near = 0;
            for d in &asked {
                let least = stars.iter().map(|s| (s - d).norm()).fold(f64::INFINITY, f64::min);
                let chord = 2.0 * (0.5 * reach).sin();
                if (least / chord - 1.0).abs() > 1e-3 {
                    assert_eq!(
                        grid.any(d),
                        least < chord,
                        "{count} stars, {d}, {least} of {chord}"
                    );
                    near += usize::from(least < chord);
                }
            }
            assert!(near > 200, "{near} near of {count}");
        }
    }
}
