//! The Laplacian pyramid (Burt & Adelson 1983) with the kernel 1, 4, 6, 4, 1 over 16.

use nightloom_raster::Plane;
use rayon::prelude::*;

/// The details of each scale, the finest first, and what is left.
pub(super) struct Pyramid {
    pub(super) details: Vec<Plane>,
    pub(super) rest: Plane,
}

impl Pyramid {
    /// `levels` details, fewer where a side would fall below two pixels.
    pub(super) fn new(plane: Plane, levels: usize) -> Self {
        let mut details = Vec::new();
        let mut rest = plane;
        while details.len() < levels && rest.width().min(rest.height()) >= 4 {
            let smaller = reduce(&rest);
            let back = expand(&smaller, rest.width(), rest.height());
            let detail = rest.data_mut().iter_mut().zip(back.data());
            detail.for_each(|(v, b)| *v -= b);
            details.push(std::mem::replace(&mut rest, smaller));
        }
        Self { details, rest }
    }

    /// The plane it was made of.
    pub(super) fn collapse(self) -> Plane {
        let mut plane = self.rest;
        for mut detail in self.details.into_iter().rev() {
            let back = expand(&plane, detail.width(), detail.height());
            detail
                .data_mut()
                .iter_mut()
                .zip(back.data())
                .for_each(|(v, b)| *v += b);
            plane = detail;
        }
        plane
    }
}

/// Half the size, rounded up.
pub(super) fn reduce(plane: &Plane) -> Plane {
    const KERNEL: [f32; 5] = [0.0625, 0.25, 0.375, 0.25, 0.0625];
    let (w, h) = (plane.width(), plane.height());
    let (half_w, half_h) = (w.div_ceil(2), h.div_ceil(2));
    let mut out = Plane::filled(half_w, half_h, 0.0);
    let rows = out.data_mut().par_chunks_mut(half_w).enumerate();
    rows.for_each_init(
        || vec![0.0f32; w],
        |line, (y, out)| {
            line.fill(0.0);
            for (i, k) in KERNEL.iter().enumerate() {
                let from = plane.row(mirrored(2 * y + i, 2, h));
                line.iter_mut().zip(from).for_each(|(l, v)| *l += k * v);
            }
            for (x, o) in out.iter_mut().enumerate() {
                let terms = KERNEL.iter().enumerate();
                *o = terms.map(|(i, k)| k * line[mirrored(2 * x + i, 2, w)]).sum();
            }
        },
    );
    out
}

/// Twice the size: what lies on a pixel of the small one gets 1, 6, 1 over 8, what lies between 4, 4.
pub(super) fn expand(plane: &Plane, w: usize, h: usize) -> Plane {
    let mut out = Plane::filled(w, h, 0.0);
    let rows = out.data_mut().par_chunks_mut(w.max(1)).enumerate();
    rows.for_each_init(
        || vec![0.0f32; plane.width()],
        |line, (y, out)| {
            line.fill(0.0);
            for (i, k) in spread(y) {
                let from = plane.row(mirrored(i, 1, plane.height()));
                line.iter_mut().zip(from).for_each(|(l, v)| *l += k * v);
            }
            for (x, o) in out.iter_mut().enumerate() {
                *o = spread(x)
                    .map(|(i, k)| k * line[mirrored(i, 1, plane.width())])
                    .iter()
                    .sum();
            }
        },
    );
    out
}

/// Small pixels (counted one up) and weights that pixel `i` of the large one is made of.
fn spread(i: usize) -> [(usize, f32); 3] {
    let at = i / 2;
    if i.is_multiple_of(2) {
        [(at, 0.125), (at + 1, 0.75), (at + 2, 0.125)]
    } else {
        [(at + 1, 0.5), (at + 2, 0.5), (at + 1, 0.0)]
    }
}

/// Pixel `i` − `before` of `n`, mirrored about the outermost ones.
fn mirrored(i: usize, before: usize, n: usize) -> usize {
    let last = n - 1;
    let i = before.abs_diff(i);
    if i <= last {
        i
    } else {
        (2 * last).saturating_sub(i)
    }
}

/// Variance that white noise of variance 1 has in each detail and in the rest, from a seeded picture of
/// noise; to a few per cent.
pub(super) fn white_noise(levels: usize) -> Vec<f32> {
    const SIDE: usize = 256;
    let mut state = 1u64;
    let noise = Plane::from_fn(SIDE, SIDE, |_, _| {
        // The sum of four uniform values, to unit variance.
        let sum: f64 = (0..4).map(|_| uniform(&mut state)).sum();
        ((sum - 2.0) * 3f64.sqrt()) as f32
    });
    let pyramid = Pyramid::new(noise, levels);
    let variance = |p: &Plane| {
        let square: f64 = p.data().iter().map(|v| f64::from(*v).powi(2)).sum();
        (square / p.data().len() as f64) as f32
    };
    let mut all: Vec<f32> = pyramid.details.iter().map(variance).collect();
    all.push(variance(&pyramid.rest));
    all
}

/// SplitMix64 (Steele, Lea & Flood 2014).
fn uniform(state: &mut u64) -> f64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}
