//! Chooses between the baseline and the AVX2 + FMA build of the resampling loop.
#![allow(
    unsafe_code,
    reason = "calling a function built for a CPU feature that was just detected"
)]

use crate::resample::{Kernel, Patch};

/// [`Kernel::row`] as fast as this machine can.
pub(crate) fn resample_row(patch: &Patch, points: (&[f32], &[f32]), out: &mut [f32], added: &mut [f32]) {
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") && std::arch::is_x86_feature_detected!("fma") {
        // SAFETY: both features were detected on the line above; the function has no other needs.
        return unsafe { resample_row_avx2(patch, points, out, added) };
    }
    Kernel::get().row::<false>(patch, points, out, added);
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
fn resample_row_avx2(patch: &Patch, points: (&[f32], &[f32]), out: &mut [f32], added: &mut [f32]) {
    Kernel::get().row::<true>(patch, points, out, added);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::Block;

    /// The two builds differ by rounding only: fused multiply-add rounds once where the baseline
    /// rounds twice.
    #[test]
    fn fast_and_baseline_agree() {
        const TOLERANCE: f32 = 2e-6;
        let (w, h) = (40, 30);
        let mut data: Vec<f32> = (0..w * h).map(|k| ((k * 7919) % 1013) as f32 / 1013.0).collect();
        data.extend([0.0; 8]);
        let patch = Patch {
            data: &data,
            block: Block {
                x0: 0,
                y0: 0,
                width: w,
                height: h,
            },
            size: (w, h),
        };
        let xs: Vec<f32> = (0..200).map(|k| k as f32 * 0.21).collect();
        let ys: Vec<f32> = (0..200).map(|k| (k * 37 % 200) as f32 * 0.16).collect();
        let (mut a, mut b) = (vec![0.0; 200], vec![0.0; 200]);
        let (mut added_a, mut added_b) = (vec![0.0; 200], vec![0.0; 200]);
        resample_row(&patch, (&xs, &ys), &mut a, &mut added_a);
        Kernel::get().row::<false>(&patch, (&xs, &ys), &mut b, &mut added_b);
        assert!(a.iter().any(|v| v.is_nan()) && a.iter().any(|v| v.is_finite()));
        for (a, b) in a.iter().chain(&added_a).zip(b.iter().chain(&added_b)) {
            assert!(
                (a.is_nan() && b.is_nan()) || (a - b).abs() < TOLERANCE,
                "{a} against {b}"
            );
        }
    }
}
