//! Which frames were used, and how well they are registered.

use nalgebra::Rotation3;
use nightloom_optics::Lens;

use crate::pixels::Mean;
use crate::row;
use crate::scene::{Scene, rotation};

impl Scene {
    pub(crate) fn frames(&self) {
        for frame in self.report.frames.iter().filter(|f| f.role == "sky") {
            let Some(truth) = self.of(&frame.path) else {
                continue;
            };
            if truth.cloud || truth.bumped_at_s.is_some() || !frame.used {
                let what = if truth.cloud {
                    "cloud"
                } else if truth.bumped_at_s.is_some() {
                    "bumped"
                } else {
                    "sound"
                };
                let used = if frame.used { "USED" } else { "left out" };
                row(
                    &format!("{} ({what})", frame.path),
                    format!("{used}: {}", frame.reason),
                );
            }
        }
    }

    /// The map between frames against the true one, over a grid with the corners.
    pub(crate) fn registration(&self) {
        let Some(lens) = self.report.lens else { return };
        let lens = Lens {
            focal_px: lens.focal_px,
            centre_px: lens.centre_px,
            radial: lens.radial,
            ..self.truth.lens
        };
        let (width, height) = self.truth.scenario.size.pixels();
        let reference = rotation(&self.reference_truth().attitude[1]);
        let (mut all, mut corners, mut worst) = (Mean::default(), Mean::default(), 0.0f64);
        for frame in self.report.frames.iter().filter(|f| f.used) {
            let (Some(ours), Some(truth)) = (&frame.rotation_from_reference, self.of(&frame.path)) else {
                continue;
            };
            let ours = rotation(ours);
            let true_turn = rotation(&truth.attitude[1]) * reference.inverse();
            for j in 0..=10 {
                for i in 0..=14 {
                    let at = [
                        (width - 1) as f64 * f64::from(i) / 14.0,
                        (height - 1) as f64 * f64::from(j) / 10.0,
                    ];
                    let map = |lens: &Lens, turn: &Rotation3<f64>| {
                        lens.project(&(turn * lens.unproject(at)?.into_inner()))
                    };
                    let Some((a, b)) = map(&lens, &ours).zip(map(&self.truth.lens, &true_turn)) else {
                        continue;
                    };
                    let square = (a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2);
                    all.add(square);
                    worst = worst.max(square.sqrt());
                    if (i == 0 || i == 14) && (j == 0 || j == 10) {
                        corners.add(square);
                    }
                }
            }
        }
        let told = self
            .report
            .sky
            .as_ref()
            .and_then(|s| s.registration_rms_px)
            .unwrap_or(f64::NAN);
        row("registration, by the stars", format!("{told:.3} px rms"));
        row(
            "registration, against truth",
            format!(
                "{:.3} px rms, corners {:.3}, worst {worst:.3}  (bar 0.3)",
                all.root(),
                corners.root()
            ),
        );
    }
}
