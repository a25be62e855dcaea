//! One axis for all frames, by least squares.
//!
//! A camera that turns about the axis a stands at C = M · exp(θ a) in the ground frame; M is how it is mounted.
//! Fitted are a, an M for every segment of frames between which nothing was re-aimed, and a θ for every frame
//! but a segment's first. Cameras come with the covariance of the stars' own fit, so that this is the
//! least-squares solution over the stars' residuals.

use nalgebra::{DMatrix, DVector, Matrix2, Matrix3xX, Rotation3, Unit, Vector3};

use super::cameras::Cameras;
use super::turn::{log, right_jacobian, up_and_right};

const ROUNDS: usize = 30;

/// The solution.
#[derive(Clone, Debug)]
pub(super) struct AxisFit {
    pub(super) axis: Unit<Vector3<f64>>,
    /// Of the axis towards up and right of itself (as one looks along it), radians².
    pub(super) covariance: Matrix2<f64>,
    /// Angle turned since the segment's first frame, radians, in the order of the frames used.
    pub(super) angles: Vec<f64>,
    /// Of the angles, radians²; a segment's first frame has none.
    pub(super) angle_covariance: DMatrix<f64>,
    /// Squared misfit over its variance, and how many figures are over.
    pub(super) chi2: f64,
    pub(super) freedom: usize,
    /// Misfit of each frame as a turn of the camera in its own axes, radians.
    pub(super) misfits: Vec<Vector3<f64>>,
}

/// Which frames, and which of them share a mount.
pub(super) struct Plan<'a> {
    pub(super) cameras: &'a Cameras,
    /// Frames used, in order.
    pub(super) frames: &'a [usize],
    /// Segment of each.
    pub(super) segments: &'a [usize],
}

struct State {
    axis: Vector3<f64>,
    mounts: Vec<Rotation3<f64>>,
    angles: Vec<f64>,
}

impl Plan<'_> {
    /// Fits from an axis that is roughly right. `None` where the frames do not hold one.
    pub(super) fn fit(&self, start: &Vector3<f64>) -> Option<AxisFit> {
        let weight = self.covariance().cholesky()?.inverse();
        let mut state = self.start(start);
        let mut normal = DMatrix::zeros(0, 0);
        for _ in 0..ROUNDS {
            let (misfit, slope) = self.linear(&state);
            let half = slope.transpose() * &weight;
            normal = &half * &slope;
            let step = normal.clone().cholesky()?.solve(&(&half * &misfit));
            self.move_by(&mut state, &step);
            if step.amax() < 1e-12 {
                break;
            }
        }
        self.conclude(&state, &weight, &normal)
    }

    fn conclude(&self, state: &State, weight: &DMatrix<f64>, normal: &DMatrix<f64>) -> Option<AxisFit> {
        let (misfit, slope) = self.linear(state);
        let covariance = normal.clone().cholesky()?.inverse();
        let n = self.frames.len();
        let first_angle = 2 + 3 * state.mounts.len();
        let mut angle_covariance = DMatrix::zeros(n, n);
        let column = |frame: usize| self.angle_column(frame).map(|c| first_angle + c);
        for i in 0..n {
            for j in 0..n {
                if let (Some(a), Some(b)) = (column(i), column(j)) {
                    angle_covariance[(i, j)] = covariance[(a, b)];
                }
            }
        }
        Some(AxisFit {
            axis: Unit::new_normalize(state.axis),
            covariance: covariance.fixed_view::<2, 2>(0, 0).into_owned(),
            angles: state.angles.clone(),
            angle_covariance,
            chi2: misfit.dot(&(weight * &misfit)),
            freedom: misfit.len().saturating_sub(slope.ncols()),
            misfits: (0..n)
                .map(|i| misfit.fixed_rows::<3>(3 * i).into_owned())
                .collect(),
        })
    }

    /// Of the frames used.
    fn covariance(&self) -> DMatrix<f64> {
        let n = self.frames.len();
        DMatrix::from_fn(3 * n, 3 * n, |i, j| {
            self.cameras.covariance[(3 * self.frames[i / 3] + i % 3, 3 * self.frames[j / 3] + j % 3)]
        })
    }

    fn start(&self, axis: &Vector3<f64>) -> State {
        let mut mounts: Vec<Rotation3<f64>> = Vec::new();
        let mut angles = Vec::with_capacity(self.frames.len());
        for (i, &frame) in self.frames.iter().enumerate() {
            let camera = self.cameras.rotations[frame];
            if self.is_first(i) {
                mounts.push(camera);
            }
            let mount = mounts[mounts.len() - 1];
            angles.push(log(&(mount.inverse() * camera)).dot(axis));
        }
        State {
            axis: *axis,
            mounts,
            angles,
        }
    }

    fn is_first(&self, i: usize) -> bool {
        i == 0 || self.segments[i] != self.segments[i - 1]
    }

    /// Number of a frame's angle among the unknown angles.
    fn angle_column(&self, i: usize) -> Option<usize> {
        (!self.is_first(i)).then(|| (0..i).filter(|&k| !self.is_first(k)).count())
    }

    /// Misfit (camera found against camera of the model, as a turn) and its derivatives.
    fn linear(&self, state: &State) -> (DVector<f64>, DMatrix<f64>) {
        let n = self.frames.len();
        let angles = (0..n).filter(|&i| !self.is_first(i)).count();
        let unknowns = 2 + 3 * state.mounts.len() + angles;
        let mut misfit = DVector::zeros(3 * n);
        let mut slope = DMatrix::zeros(3 * n, unknowns);
        let tangents = Matrix3xX::from_columns(&up_and_right(&state.axis));
        let mut mount = 0;
        for (i, &frame) in self.frames.iter().enumerate() {
            if i > 0 && self.is_first(i) {
                mount += 1;
            }
            let turn = state.axis * state.angles[i];
            let model = state.mounts[mount] * Rotation3::new(turn);
            let off = log(&(self.cameras.rotations[frame] * model.inverse()));
            misfit.fixed_rows_mut::<3>(3 * i).copy_from(&off);
            let by_axis = model.matrix() * right_jacobian(&turn) * state.angles[i] * &tangents;
            slope.view_mut((3 * i, 0), (3, 2)).copy_from(&by_axis);
            for k in 0..3 {
                slope[(3 * i + k, 2 + 3 * mount + k)] = 1.0;
            }
            if let Some(column) = self.angle_column(i) {
                let along = model * state.axis;
                slope
                    .view_mut((3 * i, 2 + 3 * state.mounts.len() + column), (3, 1))
                    .copy_from(&along);
            }
        }
        (misfit, slope)
    }

    fn move_by(&self, state: &mut State, step: &DVector<f64>) {
        let [up, right] = up_and_right(&state.axis);
        let first_angle = 2 + 3 * state.mounts.len();
        for i in 0..state.angles.len() {
            if let Some(column) = self.angle_column(i) {
                state.angles[i] += step[first_angle + column];
            }
        }
        for (k, mount) in state.mounts.iter_mut().enumerate() {
            let by = Vector3::new(step[2 + 3 * k], step[3 + 3 * k], step[4 + 3 * k]);
            *mount = Rotation3::new(by) * *mount;
        }
        state.axis = (state.axis + up * step[0] + right * step[1]).normalize();
    }
}
