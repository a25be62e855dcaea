//! The starlet transform of a tile: smoothing by a B-spline whose taps move apart from scale to scale.

/// Scales that a tile is parted into; what is left is smoother than any noise that a stack shows.
pub(super) const SCALES: usize = 4;
/// Pixels about a tile that its middle depends on: twice the taps' distance at each scale, and the window of the last.
pub(super) const HALO: usize = 2 * ((1 << SCALES) - 1) + 2 * (1 << (SCALES - 1));
/// The cubic B-spline's taps.
const SPLINE: [f32; 3] = [6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0];

/// Values of one plane over a tile, row by row.
#[derive(Clone, Debug, Default)]
pub(super) struct Patch {
    pub(super) width: usize,
    pub(super) values: Vec<f32>,
}

impl Patch {
    pub(super) fn of(width: usize, values: Vec<f32>) -> Self {
        Self { width, values }
    }

    pub(super) fn height(&self) -> usize {
        self.values.len() / self.width.max(1)
    }

    /// Smoothed by the spline with taps `step` pixels apart; mirrored at the borders.
    pub(super) fn smoothed(&self, step: usize) -> Self {
        let (width, height) = (self.width, self.height());
        let mut down = vec![0.0; self.values.len()];
        for (y, out) in down.chunks_exact_mut(width.max(1)).enumerate() {
            let row = |by: isize| {
                let at = mirrored(y as isize + by * step as isize, height) * width;
                &self.values[at..at + width]
            };
            weigh(out, [row(-2), row(-1), row(0), row(1), row(2)]);
        }
        let mut padded = vec![0.0; width + 4 * step];
        let mut out = vec![0.0; width];
        for row in down.chunks_exact_mut(width.max(1)) {
            padded[2 * step..][..width].copy_from_slice(row);
            for k in (0..2 * step).chain(2 * step + width..padded.len()) {
                padded[k] = row[mirrored(k as isize - 2 * step as isize, width)];
            }
            weigh(
                &mut out,
                std::array::from_fn(|k| &padded[k * step..k * step + width]),
            );
            row.copy_from_slice(&out);
        }
        Self::of(width, down)
    }

    /// What a smoothing took away; `self` becomes the smoother one.
    pub(super) fn part(&mut self, step: usize) -> Self {
        let smooth = self.smoothed(step);
        let detail = self.values.iter().zip(&smooth.values).map(|(v, s)| v - s);
        let detail = Self::of(self.width, detail.collect());
        *self = smooth;
        detail
    }
}

fn weigh(out: &mut [f32], [a, b, c, d, e]: [&[f32]; 5]) {
    let [middle, near, far] = SPLINE;
    let n = out.len();
    let [a, b, c, d, e] = [a, b, c, d, e].map(|row| &row[..n]);
    for (k, out) in out.iter_mut().enumerate() {
        *out = middle * c[k] + near * (b[k] + d[k]) + far * (a[k] + e[k]);
    }
}

/// The place inside 0..`n` that a mirror at either end shows.
fn mirrored(at: isize, n: usize) -> usize {
    let last = n as isize - 1;
    if last <= 0 {
        return 0;
    }
    let at = at.rem_euclid(2 * last);
    at.min(2 * last - at) as usize
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightloom_fit::Random;

    /// Spread of each scale for noise of spread 1: Starck & Murtagh 2006, “Astronomical Image and Data Analysis”, table of
    /// the à trous transform with the B3 spline in two dimensions (from memory; the first follows from the taps:
    /// √((1 − (6/16)²)² + …) = 0.8907).
    const OF_ONE: [f64; SCALES] = [0.8907, 0.2007, 0.0855, 0.0412];

    #[test]
    fn scales_add_up_and_share_noise_as_published() {
        let mut random = Random::new(3);
        let all: Vec<f32> = (0..1024 * 1024).map(|_| random.normal() as f32).collect();
        let mut rest = Patch::of(1024, all.clone());
        let mut sum = vec![0.0f64; all.len()];
        for (scale, expected) in OF_ONE.iter().enumerate() {
            let detail = rest.part(1 << scale);
            let square: f64 = detail.values.iter().map(|v| f64::from(*v).powi(2)).sum();
            let spread = (square / all.len() as f64).sqrt();
            assert!(
                (spread / expected - 1.0).abs() < 0.04,
                "scale {scale}: {spread} for {expected}"
            );
            sum.iter_mut()
                .zip(&detail.values)
                .for_each(|(s, d)| *s += f64::from(*d));
        }
        sum.iter_mut()
            .zip(&rest.values)
            .for_each(|(s, d)| *s += f64::from(*d));
        assert!(
            sum.iter()
                .zip(&all)
                .all(|(s, v)| (s - f64::from(*v)).abs() < 1e-4)
        );
    }

    #[test]
    fn a_mirror_stays_inside() {
        assert_eq!([-3, -1, 0, 4, 5, 8].map(|k| mirrored(k, 5)), [3, 1, 0, 4, 3, 0]);
        assert_eq!(mirrored(-7, 1), 0);
        assert!((-40..40).all(|k| mirrored(k, 2) < 2));
    }
}
