//! Chooses between the baseline and the AVX2 + FMA build of the resampling loop.
#![allow(
    unsafe_code,
    reason = "calling a function built for a CPU feature that was just detected"
)]

#[cfg(target_arch = "x86_64")]
use std::arch::x86_64::*;

use crate::resample::{Kernel, Patch, Place, lifted, supported};

/// [`Kernel::row`] as fast as this machine can.
pub(crate) fn resample_row<const N: usize>(
    patch: &Patch<N>,
    points: (&[f32], &[f32]),
    out: [&mut [f32]; N],
    added: [&mut [f32]; N],
) {
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") && std::arch::is_x86_feature_detected!("fma") {
        // SAFETY: both features were detected on the line above; the function has no other needs.
        return unsafe { resample_row_avx2(patch, points, out, added) };
    }
    Kernel::get().row(patch, points, out, added);
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
fn resample_row_avx2<const N: usize>(
    patch: &Patch<N>,
    (xs, ys): (&[f32], &[f32]),
    out: [&mut [f32]; N],
    added: [&mut [f32]; N],
) {
    let kernel = Kernel::get();
    let (w, h) = patch.size;
    for (k, (x, y)) in xs.iter().zip(ys).enumerate() {
        let place = supported((*x, *y), w, h).then(|| kernel.place(patch, *x, *y));
        for c in 0..N {
            let found = place
                .as_ref()
                .map(|place| at_avx2(patch.data[c], patch.width, place));
            (out[c][k], added[c][k]) = lifted(found);
        }
    }
}

/// The plain kernel's value and the least of the middle 4 × 4 pixels.
#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
#[inline]
fn at_avx2(data: &[f32], stride: usize, place: &Place) -> (f32, f32) {
    let rows = &data[place.first..place.first + 5 * stride + 8];
    let mut sum = _mm256_setzero_ps();
    let mut low = _mm256_set1_ps(f32::INFINITY);
    for (j, weight) in place.wy[..6].iter().enumerate() {
        // SAFETY: `rows` holds 5 strides and 8 values, and j is at most 5.
        let row = unsafe { _mm256_loadu_ps(rows.as_ptr().add(j * stride)) };
        sum = _mm256_fmadd_ps(row, _mm256_set1_ps(*weight), sum);
        if j > 0 && j < 5 {
            low = _mm256_min_ps(row, low);
        }
    }
    // SAFETY: the weights of one phase are eight values.
    let wx = unsafe { _mm256_loadu_ps(place.wx.as_ptr()) };
    let sum = _mm256_mul_ps(sum, wx);
    let four = _mm_add_ps(_mm256_castps256_ps128(sum), _mm256_extractf128_ps::<1>(sum));
    let two = _mm_add_ps(four, _mm_movehl_ps(four, four));
    let one = _mm_add_ss(two, _mm_shuffle_ps::<1>(two, two));
    // Lanes 1 to 4 are the middle columns: 4 takes the place of 0.
    let four = _mm_move_ss(_mm256_castps256_ps128(low), _mm256_extractf128_ps::<1>(low));
    let two = _mm_min_ps(four, _mm_movehl_ps(four, four));
    let least = _mm_min_ss(two, _mm_shuffle_ps::<1>(two, two));
    (_mm_cvtss_f32(one), _mm_cvtss_f32(least))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The two builds differ by rounding only: fused multiply-add rounds once where the baseline
    /// rounds twice.
    #[test]
    fn fast_and_baseline_agree() {
        const TOLERANCE: f32 = 2e-6;
        let (w, h) = (40, 30);
        let mut data: Vec<f32> = (0..w * h).map(|k| ((k * 7919) % 1013) as f32 / 1013.0).collect();
        data.extend([0.0; 8]);
        let patch = Patch {
            data: [&data],
            width: w,
            origin: (-3, -3),
            size: (w - 6, h - 6),
        };
        let xs: Vec<f32> = (0..200).map(|k| k as f32 * 0.21).collect();
        let ys: Vec<f32> = (0..200).map(|k| (k * 37 % 200) as f32 * 0.16).collect();
        let (mut a, mut b) = (vec![0.0; 200], vec![0.0; 200]);
        let (mut added_a, mut added_b) = (vec![0.0; 200], vec![0.0; 200]);
        resample_row(&patch, (&xs, &ys), [&mut a], [&mut added_a]);
        Kernel::get().row(&patch, (&xs, &ys), [&mut b], [&mut added_b]);
        assert!(a.iter().any(|v| v.is_nan()) && a.iter().any(|v| v.is_finite()));
        for (a, b) in a.iter().chain(&added_a).zip(b.iter().chain(&added_b)) {
            assert!(
                (a.is_nan() && b.is_nan()) || (a - b).abs() < TOLERANCE,
                "{a} against {b}"
            );
        }
    }
}
