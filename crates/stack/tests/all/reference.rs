//! Against other people's libraries; the scripts that made the tables are in tests/reference.

use nightloom_raster::{Plane, Rgb};
use nightloom_stack::{
    GradientSettings, MasterSettings, Source, ToneCurve, ToneSettings, WarpSettings, fit_background, master,
    warp,
};

use crate::table::rows;

/// Gaussians of 2.2 px σ and more, values from 0.1 to about 1.5.
#[test]
fn the_warp_agrees_with_scipy_opencv_and_scikit_image() {
    /// The same kernel in double precision: our phases are rounded to 1/1024 px.
    const SAME_KERNEL: f64 = 2e-4;
    /// Order-5 splines are nearly exact here; a Lanczos-3 kernel itself is off by up to 0.0028 (the
    /// table's last column against its first).
    const SPLINE: f64 = 0.003;
    /// OpenCV rounds to 1/32 px, which at a slope of 0.2 per px is 0.003, on top of the kernels'.
    const OPENCV: f64 = 0.007;
    let bytes = include_bytes!("../fixtures/warp_source.f32").as_chunks::<4>().0;
    let source = Plane::from_vec(48, 48, bytes.iter().map(|b| f32::from_le_bytes(*b)).collect());
    let (s, c) = 0.2f64.sin_cos();
    let mapping = |[x, y]: [f64; 2]| {
        let (u, v) = (x - 23.5, y - 23.5);
        Some([23.5 + c * u - s * v + 0.37, 23.5 + s * u + c * v - 0.21])
    };
    let out = warp(&source, 0, &mapping, 48, 48, &WarpSettings::default()).unwrap();
    let table = rows(include_str!("../fixtures/warp.csv"));
    assert!(table.len() > 200);
    let mut worst = [0.0f64; 4];
    for row in table {
        let got = f64::from(out.at(row[0] as usize, row[1] as usize));
        worst
            .iter_mut()
            .zip(&row[2..])
            .for_each(|(w, v)| *w = w.max((got - v).abs()));
    }
    let limits = [SPLINE, OPENCV, SPLINE, SAME_KERNEL];
    assert!(worst.iter().zip(limits).all(|(w, l)| *w < l), "off by {worst:?}");
}

#[test]
fn the_clipped_mean_agrees_with_astropy() {
    const TOLERANCE: f64 = 1e-6;
    let table = rows(include_str!("../fixtures/sigma_clip.csv"));
    let frames: Vec<Plane> = (0..9)
        .map(|k| Plane::from_vec(table.len(), 1, table.iter().map(|r| r[k] as f32).collect()))
        .collect();
    let sources: Vec<&dyn Source> = frames.iter().map(|f| f as _).collect();
    let got = master(&sources, &MasterSettings::default()).unwrap();
    for (x, row) in table.iter().enumerate() {
        let got = f64::from(got.plane.at(x, 0));
        assert!(
            (got - row[9]).abs() < TOLERANCE,
            "row {x}: {got} where Astropy has {}",
            row[9]
        );
    }
}

/// Astropy's curve is asinh(Q x/stretch) times a constant, ours is scaled to 1 at white: ratios to
/// the value at 1 must agree.
#[test]
fn the_curve_agrees_with_astropys_lupton_stretch() {
    const TOLERANCE: f64 = 2e-6;
    let table = rows(include_str!("../fixtures/asinh.csv"));
    for group in table.chunks_exact(8) {
        let curve = ToneCurve::new(ToneSettings {
            stretch: (group[0][2] / group[0][1]) as f32,
            ..ToneSettings::default()
        });
        for row in group {
            let (got, expected) = (f64::from(curve.display(row[0] as f32)), row[3] / group[7][3]);
            assert!(
                (got - expected).abs() < TOLERANCE,
                "{row:?}: {got} where Astropy has {expected}"
            );
        }
    }
}

#[test]
fn the_background_agrees_with_photutils_and_sep() {
    /// 1 at saturation; the single-pixel noise of the picture is 2e-3. Of photutils every cell is
    /// met, sep's mode estimator scatters more.
    const PHOTUTILS: f64 = 3e-4;
    const SEP: f64 = 5e-4;
    let bytes = include_bytes!("../fixtures/background.u16").as_chunks::<2>().0;
    let values = bytes
        .iter()
        .map(|b| f32::from(u16::from_le_bytes(*b)) / 65535.0)
        .collect();
    let plane = Plane::from_vec(256, 192, values);
    let rgb = Rgb::from_planes([plane.clone(), plane.clone(), plane]);
    let settings = GradientSettings {
        mesh_px: 32,
        order: 1,
        ..Default::default()
    };
    let model = fit_background(&rgb, None, None, &settings).unwrap();
    let mut line = vec![0.0; 256];
    for row in rows(include_str!("../fixtures/background.csv")) {
        // The middle of a cell of 64 px lies between pixels 31 and 32.
        model.eval_row(1, row[1] as usize * 64 + 32, &mut line);
        let x = row[0] as usize * 64 + 31;
        let got = f64::from(0.5 * (line[x] + line[x + 1]));
        assert!((got - row[2]).abs() < PHOTUTILS, "{row:?}: {got}");
        assert!((got - row[3]).abs() < SEP, "{row:?}: {got}");
    }
}
