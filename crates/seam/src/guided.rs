//! Guided filter: He, Sun & Tang 2013, IEEE TPAMI 35, 1397, algorithm 1 (grey guide).

use nightloom_raster::Plane;
use rayon::prelude::*;

/// Mean over the square window of `radius`, cut at the edges of the plane.
pub fn box_mean(plane: &Plane, radius: usize) -> Plane {
    let (width, height) = (plane.width(), plane.height());
    let mut across = Plane::filled(width, height, 0.0);
    across
        .data_mut()
        .par_chunks_mut(width.max(1))
        .enumerate()
        .for_each(|(y, out)| {
            running_mean(plane.row(y), radius, out);
        });
    let mut out = Plane::filled(width, height, 0.0);
    out.data_mut()
        .par_chunks_mut((width * 64).max(1))
        .enumerate()
        .for_each(|(band, rows)| {
            let y0 = band * 64;
            let mut sums = vec![0.0f64; width];
            let (mut from, mut to) = (0, 0);
            for (k, row) in rows.chunks_mut(width).enumerate() {
                let y = y0 + k;
                let (lo, hi) = (y.saturating_sub(radius), (y + radius + 1).min(height));
                if k == 0 {
                    from = lo;
                    to = lo;
                }
                while to < hi {
                    sums.iter_mut()
                        .zip(across.row(to))
                        .for_each(|(s, &v)| *s += f64::from(v));
                    to += 1;
                }
                while from < lo {
                    sums.iter_mut()
                        .zip(across.row(from))
                        .for_each(|(s, &v)| *s -= f64::from(v));
                    from += 1;
                }
                let n = 1.0 / (hi - lo) as f64;
                row.iter_mut().zip(&sums).for_each(|(o, s)| *o = (s * n) as f32);
            }
        });
    out
}

fn running_mean(row: &[f32], radius: usize, out: &mut [f32]) {
    let n = row.len();
    let mut sum = 0.0f64;
    let (mut from, mut to) = (0, 0);
    for (x, o) in out.iter_mut().enumerate() {
        let (lo, hi) = (x.saturating_sub(radius), (x + radius + 1).min(n));
        while to < hi {
            sum += f64::from(row[to]);
            to += 1;
        }
        while from < lo {
            sum -= f64::from(row[from]);
            from += 1;
        }
        *o = (sum / (hi - lo) as f64) as f32;
    }
}

/// Filters `input` so that it follows the edges of `guide`, both of one size.
///
/// `radius` in pixels; `epsilon` in squared units of the guide: variances well below it are
/// smoothed, well above it are kept. Windows are cut at the edges of the plane.
/// Returns `None` if the sizes differ.
pub fn guided_filter(guide: &Plane, input: &Plane, radius: usize, epsilon: f32) -> Option<Plane> {
    if (guide.width(), guide.height()) != (input.width(), input.height()) {
        return None;
    }
    let product = |a: &Plane, b: &Plane| {
        let data = a.data().iter().zip(b.data()).map(|(a, b)| a * b).collect();
        Plane::from_vec(a.width(), a.height(), data)
    };
    let mean_i = box_mean(guide, radius);
    let mean_p = box_mean(input, radius);
    let mut a = box_mean(&product(guide, input), radius);
    let var = box_mean(&product(guide, guide), radius);
    let mut b = mean_p.clone();
    for i in 0..a.data().len() {
        let (mi, mp) = (mean_i.data()[i], mean_p.data()[i]);
        let slope = (a.data()[i] - mi * mp) / (var.data()[i] - mi * mi + epsilon);
        a.data_mut()[i] = slope;
        b.data_mut()[i] = mp - slope * mi;
    }
    let (a, b) = (box_mean(&a, radius), box_mean(&b, radius));
    let data = a
        .data()
        .iter()
        .zip(guide.data())
        .zip(b.data())
        .map(|((a, i), b)| a * i + b)
        .collect();
    Some(Plane::from_vec(guide.width(), guide.height(), data))
}
