//! The matched filter: image minus background, convolved with a Gaussian of the star's width.

#![allow(
    unsafe_code,
    reason = "calling a function built for a CPU feature that was just detected"
)]

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::Background;

/// Rows filtered together: the more, the fewer are filtered twice.
const STRIP: usize = 128;

/// Convolves `image` minus `background` with a normalised Gaussian of `sigma` pixels.
///
/// Beyond the frame's edge the residual counts as zero. Values that are not finite count as sky.
pub(crate) fn matched(image: &Plane, background: &Background, sigma: f64) -> Plane {
    let kernel = gaussian(sigma);
    let width = image.width();
    let mut out = Plane::filled(width, image.height(), 0.0);
    out.data_mut()
        .par_chunks_mut((STRIP * width).max(1))
        .enumerate()
        .for_each(|(strip, rows)| match kernel.len() {
            5 => filter_strip::<5>(image, background, &kernel, strip * STRIP, rows),
            7 => filter_strip::<7>(image, background, &kernel, strip * STRIP, rows),
            9 => filter_strip::<9>(image, background, &kernel, strip * STRIP, rows),
            11 => filter_strip::<11>(image, background, &kernel, strip * STRIP, rows),
            13 => filter_strip::<13>(image, background, &kernel, strip * STRIP, rows),
            15 => filter_strip::<15>(image, background, &kernel, strip * STRIP, rows),
            _ => filter_strip::<0>(image, background, &kernel, strip * STRIP, rows),
        });
    out
}

/// Filters the rows from `y0` on. `N` is the kernel's length where that is known beforehand, or 0.
fn filter_strip<const N: usize>(
    image: &Plane,
    background: &Background,
    kernel: &[f32],
    y0: usize,
    rows: &mut [f32],
) {
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") {
        // SAFETY: the feature was detected on the line above; the function has no other needs.
        return unsafe { strip_avx2::<N>(image, background, kernel, y0, rows) };
    }
    strip::<N>(image, background, kernel, y0, rows);
}

/// [`strip`] in wider registers; without fused products, so that the sums are the same.
#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn strip_avx2<const N: usize>(
    image: &Plane,
    background: &Background,
    kernel: &[f32],
    y0: usize,
    rows: &mut [f32],
) {
    strip::<N>(image, background, kernel, y0, rows);
}

#[inline(always)]
fn strip<const N: usize>(
    image: &Plane,
    background: &Background,
    kernel: &[f32],
    y0: usize,
    rows: &mut [f32],
) {
    let (width, height, taps) = (image.width(), image.height(), kernel.len());
    let half = taps / 2;
    let count = rows.len() / width;
    // The last `taps` rows filtered across, by row modulo `taps`.
    let mut across = vec![0.0f32; taps * width];
    let mut padded = vec![0.0f32; width + 2 * half];
    let mut sky = vec![0.0f32; width];
    for step in 0..count + 2 * half {
        // The row y0 + step − half, which may lie beyond the frame.
        let slot = step % taps;
        let line = &mut across[slot * width..(slot + 1) * width];
        match (y0 + step).checked_sub(half).filter(|y| *y < height) {
            Some(y) => {
                background.level_row(y, &mut sky);
                for ((p, v), s) in padded[half..half + width].iter_mut().zip(image.row(y)).zip(&sky) {
                    let d = v - s;
                    *p = if d.is_finite() { d } else { 0.0 };
                }
                let tap = |k: usize| &padded[k..k + width];
                weigh::<N>(kernel, tap, line);
            }
            None => line.fill(0.0),
        }
        if step >= 2 * half {
            let tap = |k: usize| {
                let slot = (step + 1 + k) % taps;
                &across[slot * width..(slot + 1) * width]
            };
            let done = step - 2 * half;
            weigh::<N>(kernel, tap, &mut rows[done * width..(done + 1) * width]);
        }
    }
}

/// The weighed sum of as many lines as the symmetric kernel is long.
#[inline(always)]
fn weigh<'a, const N: usize>(kernel: &[f32], tap: impl Fn(usize) -> &'a [f32], out: &mut [f32]) {
    let width = out.len();
    if N == 0 {
        out.fill(0.0);
        for (k, weight) in kernel.iter().enumerate() {
            for (o, t) in out.iter_mut().zip(tap(k)) {
                *o += weight * t;
            }
        }
        return;
    }
    let half = N / 2;
    let lines: [&[f32]; N] = std::array::from_fn(|k| &tap(k)[..width]);
    let weights: [f32; N] = std::array::from_fn(|k| kernel[k]);
    for x in 0..width {
        let mut sum = weights[half] * lines[half][x];
        for k in 0..half {
            sum += weights[k] * (lines[k][x] + lines[N - 1 - k][x]);
        }
        out[x] = sum;
    }
}

fn gaussian(sigma: f64) -> Vec<f32> {
    // Cut off there, it finds a star as well to one part in a thousand.
    let half = (2.6 * sigma).ceil().max(1.0) as isize;
    let values: Vec<f64> = (-half..=half)
        .map(|i| (-0.5 * (i as f64 / sigma).powi(2)).exp())
        .collect();
    let sum: f64 = values.iter().sum();
    values.iter().map(|v| (v / sum) as f32).collect()
}
