//! How the image moved over the sensor: one rotation of the camera against the sky.
//!
//! A camera that turns by the small vector w (radians about each axis of the camera frame) moves a star
//! at the direction d by w × d, and its image by V = J(w × d), J the lens's derivative. Moments tell V
//! only up to its sign, so V² (as a complex number: length² at twice the angle) is fitted. It is
//! quadratic in w: least squares for the six products wᵢwⱼ gives a start, Gauss–Newton does the rest.

use nalgebra::{Matrix3, SVector, Vector3};
use nightloom_fit::{Damping, Loss, Normal, Problem, median_of};
use nightloom_optics::Lens;

use super::View;
use super::sample::ShapeSample;

use nightloom_stars::Field;

/// How the image moved over the sensor during the exposure.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Motion {
    /// Typical length of the motion over the frame, pixels.
    pub length_px: f64,
    /// Length and direction (degrees from +x towards +y, −90 to 90) at the middle.
    pub middle_px: f64,
    /// Direction at the middle.
    pub middle_deg: f64,
    /// Share of the stars' elongation that one rotation explains, 0 to 1.
    pub explained: f64,
    /// The rotation, camera frame, radians; the sign is not known.
    pub turn_rad: [f64; 3],
    /// What of the motion lies along right ascension, where the frame was identified.
    pub turn: Option<Turn>,
    /// Growth of elongation along the radius (positive) or across it (negative) at the corner, as length²
    /// in square pixels, beside the motion.
    pub radial_px2: f64,
    /// Share of the elongation that the radial pattern alone explains.
    pub radial_explained: f64,
    /// Length of the shift that an even motion over the whole sensor comes to, pixels, and its share
    /// explained.
    pub shift_explained: f64,
}

/// The rotation against the pole.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Turn {
    /// Rotation about the pole, radians: motion along right ascension.
    pub polar_rad: f64,
    /// Share of the elongation that rotation about the pole alone explains.
    pub polar_explained: f64,
    /// Rotation about an axis across the pole, radians: what an axis off the pole makes.
    pub crosswise_rad: f64,
    /// Share that rotation about an axis across the pole explains.
    pub crosswise_explained: f64,
}

/// One star's place for the fit.
struct Point {
    /// Motion per radian about each axis, pixels: x and y parts.
    by_axis: [[f64; 2]; 3],
    seen: [f64; 2],
    weight: f64,
    /// (u + iv)² by half the frame's diagonal.
    radial: [f64; 2],
}

/// Fewer shapes say nothing of motion.
const LEAST: usize = 5;

pub(super) fn fit(samples: &[ShapeSample], field: &Field, view: &View) -> Motion {
    let points = points(samples, field, view);
    let none = Motion {
        length_px: 0.0,
        middle_px: 0.0,
        middle_deg: 0.0,
        explained: 0.0,
        turn_rad: [0.0; 3],
        turn: None,
        radial_px2: 0.0,
        radial_explained: 0.0,
        shift_explained: 0.0,
    };
    if points.len() < LEAST {
        return none;
    }
    let all = Matrix3::identity();
    let free = best(&points, &all, 3, true);
    let plain = best(&points, &all, 3, false);
    let radial = fit_radial(&points);
    let shift = best(&points, &all, 2, false);
    let lengths = points
        .iter()
        .map(|p| square(p, &plain.turn))
        .map(|v| v[0].hypot(v[1]).sqrt());
    let middle = middle(field, view, &plain.turn);
    Motion {
        length_px: median_of(lengths).unwrap_or(0.0),
        middle_px: middle[0].hypot(middle[1]),
        middle_deg: half_turn(middle[1].atan2(middle[0]).to_degrees()),
        explained: plain.explained,
        turn_rad: plain.turn.into(),
        turn: view.pole.map(|pole| against_pole(&points, &pole)),
        radial_px2: free.radial,
        radial_explained: radial.1,
        shift_explained: shift.explained,
    }
}

/// The image's motion at a pixel under the rotation `turn`, pixels.
pub(super) fn motion_at(lens: &Lens, pixel: [f64; 2], turn: &Vector3<f64>) -> Option<[f64; 2]> {
    let by = derivative(lens, pixel)?;
    Some([0, 1].map(|k| (0..3).map(|i| by[i][k] * turn[i]).sum()))
}

fn derivative(lens: &Lens, pixel: [f64; 2]) -> Option<[[f64; 2]; 3]> {
    const SMALL: f64 = 1e-5;
    let d = lens.unproject(pixel)?.into_inner();
    let mut by = [[0.0; 2]; 3];
    for (i, out) in by.iter_mut().enumerate() {
        let mut axis = Vector3::zeros();
        axis[i] = 1.0;
        let moved = lens.project(&(d + axis.cross(&d) * SMALL).normalize())?;
        *out = [(moved[0] - pixel[0]) / SMALL, (moved[1] - pixel[1]) / SMALL];
    }
    Some(by)
}

fn points(samples: &[ShapeSample], field: &Field, view: &View) -> Vec<Point> {
    let half = 0.5 * (field.width as f64).hypot(field.height as f64);
    let middle = [
        0.5 * (field.width as f64 - 1.0),
        0.5 * (field.height as f64 - 1.0),
    ];
    samples
        .iter()
        .filter_map(|s| {
            let (u, v) = ((s.x - middle[0]) / half, (s.y - middle[1]) / half);
            Some(Point {
                by_axis: derivative(&view.lens, [s.x, s.y])?,
                seen: s.squared(),
                weight: 1.0,
                radial: [u * u - v * v, 2.0 * u * v],
            })
        })
        .collect()
}

fn velocity(point: &Point, turn: &Vector3<f64>) -> [f64; 2] {
    [0, 1].map(|k| (0..3).map(|i| point.by_axis[i][k] * turn[i]).sum())
}

fn square(point: &Point, turn: &Vector3<f64>) -> [f64; 2] {
    let [x, y] = velocity(point, turn);
    [x * x - y * y, 2.0 * x * y]
}

/// A fitted rotation.
#[derive(Clone, Copy)]
struct Fitted {
    turn: Vector3<f64>,
    radial: f64,
    explained: f64,
    cost: f64,
}

/// The best rotation within the span of the first `count` columns of `basis`, with or without a radial
/// pattern beside it.
fn best(points: &[Point], basis: &Matrix3<f64>, count: usize, radial: bool) -> Fitted {
    starts(points, basis, count)
        .into_iter()
        .map(|start| descend(points, basis, count, radial, start))
        .min_by(|a, b| a.cost.total_cmp(&b.cost))
        .unwrap_or(Fitted {
            turn: Vector3::zeros(),
            radial: 0.0,
            explained: 0.0,
            cost: f64::INFINITY,
        })
}

/// Starts: the leading eigenvector of the products' least squares, and each axis by itself.
fn starts(points: &[Point], basis: &Matrix3<f64>, count: usize) -> Vec<SVector<f64, 3>> {
    let mut normal = Normal::<6>::new();
    const PAIRS: [(usize, usize); 6] = [(0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)];
    for p in points {
        let v: Vec<[f64; 2]> = (0..3)
            .map(|i| velocity(p, &basis.column(i).into_owned()))
            .collect();
        let row = |k: usize| {
            SVector::<f64, 6>::from_fn(|n, _| {
                let (i, j) = PAIRS[n];
                if i >= count || j >= count {
                    return 0.0;
                }
                let product = if k == 0 {
                    v[i][0] * v[j][0] - v[i][1] * v[j][1]
                } else {
                    v[i][0] * v[j][1] + v[i][1] * v[j][0]
                };
                if i == j { product } else { 2.0 * product }
            })
        };
        for k in 0..2 {
            normal.add(row(k), p.seen[k], p.weight);
        }
    }
    normal.ridge(1e-6 * normal.trace() / 6.0 + 1e-30);
    let mut out = Vec::new();
    if let Some(w) = normal.solve() {
        let products = Matrix3::new(w[0], w[3], w[4], w[3], w[1], w[5], w[4], w[5], w[2]);
        let eigen = products.symmetric_eigen();
        for i in 0..3 {
            if eigen.eigenvalues[i] > 0.0 {
                out.push(eigen.eigenvectors.column(i) * eigen.eigenvalues[i].sqrt());
            }
        }
    }
    let typical = median_of(points.iter().map(|p| p.seen[0].hypot(p.seen[1]).sqrt())).unwrap_or(0.0);
    for i in 0..count {
        let axis = basis.column(i).into_owned();
        let per = median_of(
            points
                .iter()
                .map(|p| velocity(p, &axis))
                .map(|v| v[0].hypot(v[1])),
        );
        let size = typical / per.unwrap_or(1.0).max(1e-9);
        out.push(SVector::<f64, 3>::from_fn(|n, _| if n == i { size } else { 0.0 }));
    }
    out
}

/// Damped steps with weights after Cauchy, so that a few misread stars do not count.
fn descend(
    points: &[Point],
    basis: &Matrix3<f64>,
    count: usize,
    radial: bool,
    start: SVector<f64, 3>,
) -> Fitted {
    let scale = spread(points);
    let turning = Turning {
        points,
        basis,
        count,
        radial,
        scale,
        leash: leash(points, basis, count, scale),
    };
    let start = SVector::<f64, 4>::from_fn(|i, _| if i < count { start[i] } else { 0.0 });
    let settings = Damping {
        start: 1e-3,
        fall: 0.3,
        rounds: 40,
        settled: 1e-9,
        ..Damping::default()
    };
    let found = nightloom_fit::descend(&turning, start, &settings);
    let at = found.at;
    let turn = basis * Vector3::new(at[0], at[1], at[2]);
    Fitted {
        turn,
        radial: at[3],
        explained: explained(points, |p| model(p, &turn, at[3])),
        cost: found.cost.unwrap_or(f64::INFINITY),
    }
}

/// Part of the typical stiffness by which large turns are held back: a narrow field hardly feels the turn
/// about the line of sight.
const LEASH: f64 = 3e-4;

fn leash(points: &[Point], basis: &Matrix3<f64>, count: usize, scale: f64) -> f64 {
    let stiffest = (0..count)
        .map(|i| basis.column(i).into_owned())
        .map(|axis| {
            points
                .iter()
                .map(|p| velocity(p, &axis))
                .map(|v| v[0].powi(2) + v[1].powi(2))
                .sum::<f64>()
        })
        .fold(0.0, f64::max);
    LEASH * 4.0 * stiffest * scale
}

/// Points to which a turn within the first `count` columns of `basis` is fitted.
struct Turning<'a> {
    points: &'a [Point],
    basis: &'a Matrix3<f64>,
    count: usize,
    radial: bool,
    scale: f64,
    leash: f64,
}

impl Problem for Turning<'_> {
    type Point = SVector<f64, 4>;
    type Local = Normal<4>;

    fn local(&self, at: &SVector<f64, 4>) -> Option<(Normal<4>, f64)> {
        let turn = self.basis * Vector3::new(at[0], at[1], at[2]);
        let mut normal = Normal::new();
        for p in self.points {
            let v = velocity(p, &turn);
            let model = model(p, &turn, at[3]);
            let miss = [p.seen[0] - model[0], p.seen[1] - model[1]];
            let weight = p.weight * Loss::Cauchy.weight(miss[0].hypot(miss[1]) / self.scale);
            let mut slope = [[0.0; 4]; 2];
            let [across, down] = &mut slope;
            for (i, (a, d)) in across.iter_mut().zip(down).enumerate().take(self.count) {
                let g = velocity(p, &self.basis.column(i).into_owned());
                *a = 2.0 * (v[0] * g[0] - v[1] * g[1]);
                *d = 2.0 * (v[0] * g[1] + v[1] * g[0]);
            }
            if self.radial {
                (slope[0][3], slope[1][3]) = (p.radial[0], p.radial[1]);
            }
            (0..2).for_each(|k| normal.add(slope[k], miss[k], weight));
        }
        for i in 0..3 {
            normal.expect(i, -at[i], self.leash.sqrt().recip());
        }
        normal.ridge(1e-12 * normal.trace() + 1e-30);
        let cost = self.cost(&normal, at);
        Some((normal, cost))
    }

    fn step(&self, at: &SVector<f64, 4>, local: &Normal<4>, damping: f64) -> Option<SVector<f64, 4>> {
        Some(at + local.damped(damping).solve()?)
    }

    fn cost(&self, _: &Normal<4>, at: &SVector<f64, 4>) -> f64 {
        let turn = self.basis * Vector3::new(at[0], at[1], at[2]);
        let square = self.scale * self.scale;
        let off = |p: &Point| {
            let m = model(p, &turn, at[3]);
            let miss = (p.seen[0] - m[0]).powi(2) + (p.seen[1] - m[1]).powi(2);
            p.weight * square * (1.0 + miss / square).ln()
        };
        self.points.iter().map(off).sum::<f64>() + self.leash * at.fixed_rows::<3>(0).norm_squared()
    }
}

fn model(p: &Point, turn: &Vector3<f64>, radial: f64) -> [f64; 2] {
    let v = square(p, turn);
    [v[0] + radial * p.radial[0], v[1] + radial * p.radial[1]]
}

/// Typical size of what is fitted: the misses that Cauchy's weights take for large.
fn spread(points: &[Point]) -> f64 {
    0.5 * median_of(points.iter().map(|p| p.seen[0].hypot(p.seen[1])))
        .unwrap_or(1.0)
        .max(0.3)
}

/// Share of the squared lengths that a model explains, by medians: 1 − typical miss / typical size.
fn explained(points: &[Point], model: impl Fn(&Point) -> [f64; 2]) -> f64 {
    let misses = points
        .iter()
        .map(|p| (p, model(p)))
        .map(|(p, m)| (p.seen[0] - m[0]).hypot(p.seen[1] - m[1]));
    let sizes = points.iter().map(|p| p.seen[0].hypot(p.seen[1]));
    let size = median_of(sizes).unwrap_or(0.0).max(1e-9);
    (1.0 - median_of(misses).unwrap_or(size) / size).clamp(0.0, 1.0)
}

fn fit_radial(points: &[Point]) -> (f64, f64) {
    let (mut num, mut den) = (0.0, 0.0);
    for p in points {
        num += p.seen[0] * p.radial[0] + p.seen[1] * p.radial[1];
        den += p.radial[0].powi(2) + p.radial[1].powi(2);
    }
    let k = num / den.max(1e-12);
    (k, explained(points, |p| [k * p.radial[0], k * p.radial[1]]))
}

fn against_pole(points: &[Point], pole: &Vector3<f64>) -> Turn {
    let pole = pole.normalize();
    let aside = if pole.x.abs() < 0.7 {
        Vector3::x()
    } else {
        Vector3::y()
    };
    let first = pole.cross(&aside).normalize();
    let basis = |a: Vector3<f64>, b: Vector3<f64>, c: Vector3<f64>| Matrix3::from_columns(&[a, b, c]);
    let second = pole.cross(&first);
    let polar = best(points, &basis(pole, first, second), 1, false);
    let across = best(points, &basis(first, second, pole), 2, false);
    Turn {
        polar_rad: polar.turn.norm(),
        polar_explained: polar.explained,
        crosswise_rad: across.turn.norm(),
        crosswise_explained: across.explained,
    }
}

fn middle(field: &Field, view: &View, turn: &Vector3<f64>) -> [f64; 2] {
    let at = [
        0.5 * (field.width as f64 - 1.0),
        0.5 * (field.height as f64 - 1.0),
    ];
    motion_at(&view.lens, at, turn).unwrap_or([0.0; 2])
}

fn half_turn(deg: f64) -> f64 {
    let d = deg.rem_euclid(180.0);
    if d > 90.0 { d - 180.0 } else { d }
}
