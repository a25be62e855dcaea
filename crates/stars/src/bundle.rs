//! Least squares over one lens, one rotation per frame and one direction per star.
//!
//! Gauss–Newton with Cauchy weights (iteratively reweighted). The stars' directions are
//! eliminated one by one (Schur complement; Brown 1958, Triggs et al. 2000 §6.1), so the system
//! solved has 6 + 3 (frames − 1) unknowns however many stars there are.

use nalgebra::{DMatrix, DVector, Matrix2, Matrix2x3, Matrix3x2, Rotation3, Vector2, Vector3};
use nightloom_fit::{CAUCHY, Damping, Loss, Problem, descend, median_of};
use nightloom_optics::Lens;
use rayon::prelude::*;

use crate::{AirPath, Stop};

/// A star seen in a frame.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sighting {
    pub(crate) frame: usize,
    /// Index in that frame's list of stars.
    pub(crate) star: usize,
    pub(crate) pixel: [f64; 2],
}

/// One star with all its sightings; its direction in the reference camera.
#[derive(Clone, Debug)]
pub(crate) struct Track {
    pub(crate) direction: Vector3<f64>,
    pub(crate) sightings: Vec<Sighting>,
}

/// How far each lens parameter may stray from the guess, one standard deviation.
#[derive(Clone, Copy, Debug)]
pub(crate) struct LensPrior {
    pub(crate) guess: Lens,
    /// log focal length, centre x, centre y (pixels), k₁, k₂, k₃.
    pub(crate) sigma: [f64; LENS],
}

impl LensPrior {
    /// Offset of each parameter from the guess, and its standard deviation.
    pub(crate) fn offsets(&self, lens: &Lens) -> [(f64, f64); LENS] {
        let offset = lens_offset(lens, &self.guess);
        std::array::from_fn(|i| (offset[i], self.sigma[i]))
    }

    /// Squared offsets in standard deviations.
    pub(crate) fn cost(&self, lens: &Lens) -> f64 {
        self.offsets(lens)
            .iter()
            .map(|(offset, sigma)| (offset / sigma).powi(2))
            .sum()
    }
}

/// Lens parameters: log focal length, centre x and y, k₁, k₂, k₃.
pub(crate) const LENS: usize = 6;
const ROUNDS: usize = 12;
/// Centres are not better than this, pixels: keeps a perfect fit from weighing without bound.
const FLOOR_PX: f64 = 0.02;

/// All that is fitted.
#[derive(Clone, Debug)]
pub(crate) struct Bundle {
    pub(crate) lens: Lens,
    pub(crate) reference: usize,
    /// One per frame; `None` is not part of the fit.
    pub(crate) rotations: Vec<Option<Rotation3<f64>>>,
    pub(crate) tracks: Vec<Track>,
    /// Refraction, where it is known.
    pub(crate) air: Option<AirPath>,
}

impl Bundle {
    /// Where a true direction is seen in a frame's camera.
    pub(crate) fn sight(&self, frame: usize, direction: &Vector3<f64>) -> Option<Vector3<f64>> {
        let rotation = self.rotations[frame]?;
        Some(match &self.air {
            Some(air) => rotation * air.lift(frame, direction),
            None => rotation * direction,
        })
    }

    /// The true direction of a pixel of the reference.
    pub(crate) fn direction(&self, pixel: [f64; 2]) -> Option<Vector3<f64>> {
        let seen = self.lens.unproject(pixel)?.into_inner();
        Some(
            self.air
                .as_ref()
                .map_or(seen, |air| air.lower(self.reference, &seen)),
        )
    }

    /// Seen minus computed, pixels.
    pub(crate) fn residual(&self, track: &Track, sighting: &Sighting) -> Option<Vector2<f64>> {
        let seen = Vector2::from(sighting.pixel);
        let computed = self
            .lens
            .project(&self.sight(sighting.frame, &track.direction)?)?;
        Some(seen - Vector2::from(computed))
    }

    /// A robust standard deviation of the residuals on one axis, pixels.
    pub(crate) fn scale(&self) -> f64 {
        let tracks = self.tracks.par_iter().filter(|t| t.sightings.len() > 1);
        let squares: Vec<f64> = tracks
            .flat_map_iter(|t| t.sightings.iter().filter_map(|s| self.residual(t, s)))
            .map(|r| r.norm_squared())
            .collect();
        // The median of a squared two-axis Gaussian residual is 1.386 σ² of one axis.
        median_of(squares).map_or(FLOOR_PX, |m| (m / 1.386).sqrt().max(FLOOR_PX))
    }

    fn cost(&self, scale: f64, prior: &LensPrior) -> f64 {
        let tracks = self.tracks.par_iter();
        let costs: Vec<f64> = tracks
            .flat_map_iter(|t| t.sightings.iter().map(|s| self.residual(t, s)))
            .map(|r| r.map_or(30.0, |r| (1.0 + r.norm_squared() / (CAUCHY * scale).powi(2)).ln()))
            .collect();
        // In order, so that the sum is the same on any number of threads.
        let stars: f64 = costs.iter().sum();
        stars * CAUCHY * CAUCHY + prior.cost(&self.lens)
    }

    /// Fits until nothing moves, or until `stop` says so.
    pub(crate) fn solve(&mut self, prior: &LensPrior, stop: Stop<'_>) {
        let settings = Damping {
            start: 1e-6,
            fall: 0.2,
            least: 1e-9,
            rise: 20.0,
            most: 1e3,
            rounds: ROUNDS,
            settled: 1e-9,
        };
        *self = descend(&Solving { prior, stop }, self.clone(), &settings).at;
    }
}

/// A bundle that is being fitted.
struct Solving<'a> {
    prior: &'a LensPrior,
    stop: Stop<'a>,
}

/// A bundle's stars by the scale and the equations of the bundle before.
impl Problem for Solving<'_> {
    type Point = Bundle;
    type Local = (f64, System);

    fn local(&self, at: &Bundle) -> Option<(Self::Local, f64)> {
        if (self.stop)() {
            return None;
        }
        let scale = at.scale();
        let system = System::build(at, scale, self.prior);
        Some(((scale, system), at.cost(scale, self.prior)))
    }

    fn step(&self, at: &Bundle, (_, system): &Self::Local, damping: f64) -> Option<Bundle> {
        system.step(at, damping)
    }

    fn cost(&self, (scale, _): &Self::Local, at: &Bundle) -> f64 {
        at.cost(*scale, self.prior)
    }
}

fn lens_offset(lens: &Lens, guess: &Lens) -> [f64; LENS] {
    let k = |i: usize| lens.radial[i] - guess.radial[i];
    [
        (lens.focal_px / guess.focal_px).ln(),
        lens.centre_px[0] - guess.centre_px[0],
        lens.centre_px[1] - guess.centre_px[1],
        k(0),
        k(1),
        k(2),
    ]
}

pub(crate) fn lens_moved(lens: &Lens, step: &[f64]) -> Lens {
    Lens {
        projection: lens.projection,
        focal_px: lens.focal_px * step[0].clamp(-0.3, 0.3).exp(),
        centre_px: [lens.centre_px[0] + step[1], lens.centre_px[1] + step[2]],
        radial: [
            lens.radial[0] + step[3],
            lens.radial[1] + step[4],
            lens.radial[2] + step[5],
        ],
    }
}

/// Two unit vectors square to `v` and to each other.
pub(crate) fn tangents(v: &Vector3<f64>) -> Matrix3x2<f64> {
    let axis = if v.z.abs() < 0.9 {
        Vector3::z()
    } else {
        Vector3::x()
    };
    let a = v.cross(&axis).normalize();
    Matrix3x2::from_columns(&[a, v.cross(&a).normalize()])
}

/// Derivative of the pixel by the direction, by central differences along the tangents.
pub(crate) fn by_direction(lens: &Lens, v: &Vector3<f64>) -> Option<Matrix2x3<f64>> {
    const H: f64 = 1e-6;
    let basis = tangents(v);
    let along = |t: Vector3<f64>| {
        let (p, m) = (lens.project(&(v + t * H))?, lens.project(&(v - t * H))?);
        Some(Vector2::new(p[0] - m[0], p[1] - m[1]) / (2.0 * H))
    };
    let columns = [along(basis.column(0).into())?, along(basis.column(1).into())?];
    Some(nalgebra::Matrix2::from_columns(&columns) * basis.transpose())
}

/// Derivative of the pixel by each lens parameter.
pub(crate) fn by_lens(lens: &Lens, v: &Vector3<f64>, pixel: Vector2<f64>) -> Option<[Vector2<f64>; LENS]> {
    const H: f64 = 1e-5;
    let radial = |i: usize| {
        let mut moved = *lens;
        moved.radial[i] += H;
        lens_difference(&moved, v, pixel, H)
    };
    let off = pixel - Vector2::from(lens.centre_px);
    Some([
        off,
        Vector2::x(),
        Vector2::y(),
        radial(0)?,
        radial(1)?,
        radial(2)?,
    ])
}

fn lens_difference(moved: &Lens, v: &Vector3<f64>, pixel: Vector2<f64>, h: f64) -> Option<Vector2<f64>> {
    Some((Vector2::from(moved.project(v)?) - pixel) / h)
}

/// Tracks whose slopes are held at once.
const AT_ONCE: usize = 1024;

/// The reduced normal equations and what is needed to get the stars back.
pub(crate) struct System {
    normal: DMatrix<f64>,
    side: DVector<f64>,
    /// First unknown of each frame.
    first: Vec<Option<usize>>,
    stars: Vec<Eliminated>,
}

/// One star's share.
struct Eliminated {
    inverse: Matrix2<f64>,
    side: Vector2<f64>,
    /// Coupling with the lens and the frames: row of the system, derivative product.
    coupling: Vec<(usize, Vector2<f64>)>,
}

impl System {
    fn build(bundle: &Bundle, scale: f64, prior: &LensPrior) -> Self {
        let mut unknowns = LENS;
        let first = (0..bundle.rotations.len())
            .map(|f| {
                (f != bundle.reference && bundle.rotations[f].is_some()).then(|| {
                    unknowns += 3;
                    unknowns - 3
                })
            })
            .collect();
        let mut system = Self {
            normal: DMatrix::zeros(unknowns, unknowns),
            side: DVector::zeros(unknowns),
            first,
            stars: Vec::with_capacity(bundle.tracks.len()),
        };
        for (i, (offset, sigma)) in prior.offsets(&bundle.lens).into_iter().enumerate() {
            system.normal[(i, i)] += 1.0 / (sigma * sigma);
            system.side[i] -= offset / (sigma * sigma);
        }
        for tracks in bundle.tracks.chunks(AT_ONCE) {
            // The slopes beside each other, their sums in order.
            let slopes: Vec<Vec<Option<Row>>> = tracks
                .par_iter()
                .map(|track| {
                    let basis = tangents(&track.direction);
                    let sightings = track.sightings.iter();
                    let rows = sightings.map(|s| system.derivatives(bundle, track, s, &basis));
                    rows.collect()
                })
                .collect();
            for rows in &slopes {
                let star = system.add(rows, scale);
                system.stars.push(star);
            }
        }
        system
    }

    /// Adds one star's sightings and takes its direction out again.
    fn add(&mut self, rows: &[Option<Row>], scale: f64) -> Eliminated {
        let mut own = Matrix2::zeros();
        let mut side = Vector2::zeros();
        let mut coupling: Vec<(usize, Vector2<f64>)> = (0..LENS).map(|i| (i, Vector2::zeros())).collect();
        for row in rows.iter().flatten() {
            let weight = Loss::Cauchy.weight(row.residual.norm() / (CAUCHY * scale)) / (scale * scale);
            own += weight * row.star.transpose() * row.star;
            side += weight * row.star.transpose() * row.residual;
            for (n, (i, di)) in row.camera.iter().enumerate() {
                self.side[*i] += weight * di.dot(&row.residual);
                for (j, dj) in &row.camera[..=n] {
                    let value = weight * di.dot(dj);
                    self.normal[(*i, *j)] += value;
                    if i != j {
                        self.normal[(*j, *i)] += value;
                    }
                }
                let share = weight * row.star.transpose() * di;
                if *i < LENS {
                    coupling[*i].1 += share;
                } else {
                    coupling.push((*i, share));
                }
            }
        }
        // A star seen once gives nothing and takes nothing.
        let inverse = own
            .try_inverse()
            .filter(|m| m.iter().all(|v| v.is_finite()))
            .unwrap_or_else(Matrix2::zeros);
        for (i, wi) in &coupling {
            let left = inverse * wi;
            self.side[*i] -= left.dot(&side);
            for (j, wj) in &coupling {
                self.normal[(*i, *j)] -= left.dot(wj);
            }
        }
        Eliminated {
            inverse,
            side,
            coupling,
        }
    }

    fn derivatives(
        &self,
        bundle: &Bundle,
        track: &Track,
        sighting: &Sighting,
        basis: &Matrix3x2<f64>,
    ) -> Option<Row> {
        let rotation = bundle.rotations[sighting.frame]?;
        let v = bundle.sight(sighting.frame, &track.direction)?;
        let pixel = Vector2::from(bundle.lens.project(&v)?);
        let by_direction = by_direction(&bundle.lens, &v)?;
        let mut camera: Vec<(usize, Vector2<f64>)> = by_lens(&bundle.lens, &v, pixel)?
            .into_iter()
            .enumerate()
            .collect();
        if let Some(first) = self.first[sighting.frame] {
            let turn = -by_direction * v.cross_matrix();
            camera.extend((0..3).map(|k| (first + k, Vector2::from(turn.column(k)))));
        }
        Some(Row {
            residual: Vector2::from(sighting.pixel) - pixel,
            // Refraction changes by a thousandth of the direction at most: left out of the slope.
            star: by_direction * rotation.matrix() * basis,
            camera,
        })
    }

    /// The bundle after one damped step; `None` where the equations cannot be solved.
    fn step(&self, bundle: &Bundle, damping: f64) -> Option<Bundle> {
        let mut normal = self.normal.clone();
        for i in 0..normal.nrows() {
            normal[(i, i)] *= 1.0 + damping;
        }
        let step = normal.cholesky()?.solve(&self.side);
        let mut next = bundle.clone();
        next.lens = lens_moved(&bundle.lens, &step.as_slice()[..LENS]);
        for (rotation, first) in next.rotations.iter_mut().zip(&self.first) {
            if let (Some(rotation), Some(first)) = (rotation.as_mut(), first) {
                *rotation =
                    Rotation3::new(Vector3::new(step[*first], step[first + 1], step[first + 2])) * *rotation;
            }
        }
        for (track, star) in next.tracks.iter_mut().zip(&self.stars) {
            let pull = star
                .coupling
                .iter()
                .fold(star.side, |side, (i, w)| side - w * step[*i]);
            let basis = tangents(&track.direction);
            track.direction = (track.direction + basis * (star.inverse * pull)).normalize();
        }
        Some(next)
    }
}

struct Row {
    residual: Vector2<f64>,
    star: Matrix2<f64>,
    camera: Vec<(usize, Vector2<f64>)>,
}
