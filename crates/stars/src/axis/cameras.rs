//! One lens and one camera in the ground frame per frame, from all stars at once.
//!
//! Gauss–Newton on the stars' pixels with Cauchy weights. The lens is one for all frames: an error of its
//! principal point then turns all cameras alike and falls out of the rotation between them, while a lens of
//! its own would let every frame look a few pixels elsewhere.

use nalgebra::{DMatrix, Matrix3, Rotation3, SMatrix, SVector, Vector2, Vector3};
use nightloom_fit::{CAUCHY, Damping, Loss, Problem, descend, median};
use nightloom_optics::Lens;

use super::{AxisFrame, Sight};
use crate::bundle::{LENS, LensPrior, by_direction, by_lens, lens_moved};
use crate::pose::GAUSS;

const ROUNDS: usize = 20;

/// What the fit comes to.
pub(super) struct Cameras {
    pub(super) lens: Lens,
    /// Ground frame to camera, frame by frame.
    pub(super) rotations: Vec<Rotation3<f64>>,
    /// Of small turns of the cameras in their own axes, three a frame, radians²; the lens let go free.
    pub(super) covariance: DMatrix<f64>,
    /// Root mean square of the stars' residuals that count, one frame each, pixels.
    pub(super) rms_px: Vec<f64>,
    /// Residuals over what was expected of them.
    pub(super) scale: f64,
    /// By what part the focal lengths of the frames differ, where they do.
    pub(super) zoomed: Option<f64>,
}

type LensBlock = SMatrix<f64, LENS, LENS>;
type Coupling = SMatrix<f64, 3, LENS>;

struct Normal {
    own: Vec<Matrix3<f64>>,
    coupling: Vec<Coupling>,
    lens: LensBlock,
    side: Vec<Vector3<f64>>,
    lens_side: SVector<f64, LENS>,
}

/// A frame whose scale stands so many standard deviations from the others' is of another focal length, if it is so by
/// this part at least.
const CREPT: (f64, f64) = (6.0, 2e-4);

/// Fits lens and cameras. `None` where the stars do not hold them.
///
/// A zoom that creeps gives every frame its own focal length; such frames are brought to that of the first, and by how
/// much they differ is told.
pub(super) fn fit(frames: &[AxisFrame], guess: &Lens) -> Option<Cameras> {
    let plain = fit_one_lens(frames, guess)?;
    let scales = scales(frames, &plain);
    let by_scale = |a: &&(f64, f64), b: &&(f64, f64)| a.0.total_cmp(&b.0);
    let (least, most) = (scales.iter().min_by(by_scale)?, scales.iter().max_by(by_scale)?);
    let spread = most.0 - least.0;
    let sigma = most.1.hypot(least.1);
    if spread < CREPT.1 || spread < CREPT.0 * sigma {
        return Some(plain);
    }
    let mut even: Vec<AxisFrame> = frames.to_vec();
    let centre = plain.lens.centre_px;
    for (frame, (scale, _)) in even.iter_mut().zip(&scales) {
        for sight in &mut frame.sights {
            for (at, middle) in sight.pixel.iter_mut().zip(centre) {
                *at = middle + (*at - middle) / (1.0 + scale);
            }
        }
    }
    let mut fitted = fit_one_lens(&even, &plain.lens)?;
    fitted.zoomed = Some(spread);
    Some(fitted)
}

/// By what part each frame's picture is larger than the common lens has it, and the standard deviation.
fn scales(frames: &[AxisFrame], fitted: &Cameras) -> Vec<(f64, f64)> {
    let centre = fitted.lens.centre_px;
    frames
        .iter()
        .zip(&fitted.rotations)
        .map(|(frame, camera)| {
            let (mut product, mut square) = (0.0, 1e-12);
            for sight in &frame.sights {
                let Some(off) = residual(sight, &fitted.lens, camera) else {
                    continue;
                };
                let w = weight(&off, fitted.scale);
                let arm = [0, 1].map(|k| (sight.pixel[k] - centre[k]) / sight.sigma_px);
                product += w * (off.x * arm[0] + off.y * arm[1]);
                square += w * (arm[0] * arm[0] + arm[1] * arm[1]);
            }
            (product / square, fitted.scale / square.sqrt())
        })
        .collect()
}

fn fit_one_lens(frames: &[AxisFrame], guess: &Lens) -> Option<Cameras> {
    let sky = Sky {
        frames,
        prior: prior(frames, guess),
    };
    let cameras = frames.iter().map(|f| f.camera).collect();
    let settings = Damping {
        rounds: ROUNDS,
        settled: 1e-12,
        ..GAUSS
    };
    let (lens, rotations) = descend(&sky, (*guess, cameras), &settings).at;
    let (normal, scale) = sky.local(&(lens, rotations.clone()))?.0;
    Some(Cameras {
        covariance: normal.covariance()?,
        rms_px: frames
            .iter()
            .zip(&rotations)
            .map(|(f, r)| rms_px(f, &lens, r, scale))
            .collect(),
        lens,
        rotations,
        scale,
        zoomed: None,
    })
}

/// Stars above all cameras, and what is thought of their lens.
struct Sky<'a> {
    frames: &'a [AxisFrame],
    prior: LensPrior,
}

impl Problem for Sky<'_> {
    type Point = (Lens, Vec<Rotation3<f64>>);
    type Local = (Normal, f64);

    fn local(&self, at: &Self::Point) -> Option<(Self::Local, f64)> {
        let (lens, cameras) = at;
        let scale = robust_scale(self.frames, lens, cameras)?;
        let local = (
            Normal::build(self.frames, lens, cameras, scale, &self.prior),
            scale,
        );
        let cost = self.cost(&local, at);
        Some((local, cost))
    }

    fn step(
        &self,
        (lens, cameras): &Self::Point,
        (normal, _): &Self::Local,
        damping: f64,
    ) -> Option<Self::Point> {
        let (turns, bend) = normal.solve(damping)?;
        let turned = cameras.iter().zip(&turns).map(|(r, t)| Rotation3::new(*t) * r);
        Some((lens_moved(lens, bend.as_slice()), turned.collect()))
    }

    fn cost(&self, (_, scale): &Self::Local, (lens, cameras): &Self::Point) -> f64 {
        cost(self.frames, lens, cameras, *scale) + self.prior.cost(lens)
    }
}

fn prior(frames: &[AxisFrame], guess: &Lens) -> LensPrior {
    let half = frames
        .iter()
        .flat_map(|f| &f.sights)
        .map(|s| (s.pixel[0] - guess.centre_px[0]).hypot(s.pixel[1] - guess.centre_px[1]))
        .fold(10.0, f64::max);
    // What bends the corner of a narrow field by as much takes larger coefficients.
    let corner2 = (half / guess.focal_px).powi(2);
    let bend = |usual: f64, order: i32| usual * (0.1 / corner2.powi(order)).max(1.0);
    LensPrior {
        guess: *guess,
        sigma: [
            0.02,
            0.01 * half,
            0.01 * half,
            bend(0.1, 1),
            bend(0.05, 2),
            bend(0.02, 3),
        ],
    }
}

/// Seen minus computed over what is expected.
fn residual(sight: &Sight, lens: &Lens, camera: &Rotation3<f64>) -> Option<Vector2<f64>> {
    let computed = lens.project(&(camera * sight.ground))?;
    Some((Vector2::from(sight.pixel) - Vector2::from(computed)) / sight.sigma_px)
}

/// Standard deviation of the residuals over what was expected of them, by the median.
fn robust_scale(frames: &[AxisFrame], lens: &Lens, cameras: &[Rotation3<f64>]) -> Option<f64> {
    let mut squares: Vec<f64> = frames
        .iter()
        .zip(cameras)
        .flat_map(|(f, c)| f.sights.iter().filter_map(|s| residual(s, lens, c)))
        .map(|r| r.norm_squared())
        .collect();
    if squares.len() < 5 {
        return None;
    }
    Some((median(&mut squares)? / 1.386).sqrt().max(0.05))
}

fn weight(r: &Vector2<f64>, scale: f64) -> f64 {
    Loss::Cauchy.weight(r.norm() / (CAUCHY * scale))
}

fn cost(frames: &[AxisFrame], lens: &Lens, cameras: &[Rotation3<f64>], scale: f64) -> f64 {
    let one = |r: Vector2<f64>| CAUCHY * CAUCHY * (1.0 + r.norm_squared() / (CAUCHY * scale).powi(2)).ln();
    frames
        .iter()
        .zip(cameras)
        .flat_map(|(f, c)| f.sights.iter().map(move |s| residual(s, lens, c)))
        .map(|r| r.map_or(30.0, one))
        .sum()
}

fn rms_px(frame: &AxisFrame, lens: &Lens, camera: &Rotation3<f64>, scale: f64) -> f64 {
    let (mut sum, mut weights) = (0.0, 0.0);
    for sight in &frame.sights {
        if let Some(r) = residual(sight, lens, camera) {
            let w = weight(&r, scale);
            sum += w * r.norm_squared() * sight.sigma_px.powi(2);
            weights += w;
        }
    }
    if weights > 0.0 {
        (sum / weights).sqrt()
    } else {
        0.0
    }
}

impl Normal {
    fn build(
        frames: &[AxisFrame],
        lens: &Lens,
        cameras: &[Rotation3<f64>],
        scale: f64,
        prior: &LensPrior,
    ) -> Self {
        let mut normal = Self {
            own: vec![Matrix3::zeros(); frames.len()],
            coupling: vec![Coupling::zeros(); frames.len()],
            lens: LensBlock::zeros(),
            side: vec![Vector3::zeros(); frames.len()],
            lens_side: SVector::zeros(),
        };
        for (i, (offset, sigma)) in prior.offsets(lens).into_iter().enumerate() {
            normal.lens[(i, i)] += 1.0 / (sigma * sigma);
            normal.lens_side[i] -= offset / (sigma * sigma);
        }
        for (n, (frame, camera)) in frames.iter().zip(cameras).enumerate() {
            for sight in &frame.sights {
                // A star that the lens cannot show has no say.
                let _ = normal.add(n, sight, lens, camera, scale);
            }
        }
        normal
    }

    fn add(
        &mut self,
        n: usize,
        sight: &Sight,
        lens: &Lens,
        camera: &Rotation3<f64>,
        scale: f64,
    ) -> Option<()> {
        let v = camera * sight.ground;
        let pixel = Vector2::from(lens.project(&v)?);
        let turned = -by_direction(lens, &v)? * v.cross_matrix();
        let bent = SMatrix::<f64, 2, LENS>::from_columns(&by_lens(lens, &v, pixel)?);
        let off = Vector2::from(sight.pixel) - pixel;
        let w = weight(&(off / sight.sigma_px), scale) / (scale * sight.sigma_px).powi(2);
        self.own[n] += w * turned.transpose() * turned;
        self.coupling[n] += w * turned.transpose() * bent;
        self.lens += w * bent.transpose() * bent;
        self.side[n] += w * turned.transpose() * off;
        self.lens_side += w * bent.transpose() * off;
        Some(())
    }

    /// Turns of the cameras and changes of the lens, the diagonal by 1 + `damping`.
    fn solve(&self, damping: f64) -> Option<(Vec<Vector3<f64>>, SVector<f64, LENS>)> {
        let (mut left, mut side) = (self.lens, self.lens_side);
        (0..LENS).for_each(|i| left[(i, i)] *= 1.0 + damping);
        let mut inverses = Vec::with_capacity(self.own.len());
        for (n, own) in self.own.iter().enumerate() {
            let mut own = *own;
            (0..3).for_each(|i| own[(i, i)] *= 1.0 + damping);
            let inverse = own.try_inverse()?;
            let back = self.coupling[n].transpose() * inverse;
            left -= back * self.coupling[n];
            side -= back * self.side[n];
            inverses.push(inverse);
        }
        let bend = left.cholesky()?.solve(&side);
        let turns = inverses
            .iter()
            .enumerate()
            .map(|(n, inverse)| inverse * (self.side[n] - self.coupling[n] * bend))
            .collect();
        Some((turns, bend))
    }

    /// Of the cameras' turns, the lens let go free: H⁻¹ + H⁻¹ E S⁻¹ Eᵀ H⁻¹ with the lens's Schur complement S.
    fn covariance(&self) -> Option<DMatrix<f64>> {
        let count = self.own.len();
        let mut schur = self.lens;
        let mut ways = Vec::with_capacity(count);
        let mut inverses = Vec::with_capacity(count);
        for (n, own) in self.own.iter().enumerate() {
            let inverse = own.try_inverse()?;
            schur -= self.coupling[n].transpose() * inverse * self.coupling[n];
            ways.push(inverse * self.coupling[n]);
            inverses.push(inverse);
        }
        let schur = schur.cholesky()?.inverse();
        let mut covariance = DMatrix::zeros(3 * count, 3 * count);
        for i in 0..count {
            for j in 0..count {
                let mut block: Matrix3<f64> = ways[i] * schur * ways[j].transpose();
                if i == j {
                    block += inverses[i];
                }
                covariance.fixed_view_mut::<3, 3>(3 * i, 3 * j).copy_from(&block);
            }
        }
        Some(covariance)
    }
}

impl Cameras {
    /// The stars' misfit against residuals of another scale.
    pub(super) fn cost_at(&self, frames: &[AxisFrame], scale: f64) -> f64 {
        cost(frames, &self.lens, &self.rotations, scale)
    }
}
