//! Background, centres and fluxes against sep (Barbary 2016), an independent implementation of
//! Bertin & Arnouts 1996. Tables and how they were made: `tests/reference/make_sky.py`.

use nightloom_raster::Plane;
use nightloom_stars::{Background, BackgroundSettings, DetectSettings, measure};

const WIDTH: usize = 192;
const HEIGHT: usize = 160;
/// Full scale of the fixture's electrons.
const UNIT: f32 = 20_000.0;
/// Level against sep, electrons, a sixth of a pixel's noise (20 to 28): sep clips and interpolates
/// in other ways than we do.
const LEVEL_E: f32 = 4.0;
/// Noise against sep.
const NOISE_PART: f32 = 0.03;
/// Centres against sep's windowed ones, pixels.
const CENTRE_PX: f64 = 0.03;
/// Flux against sep's aperture of the same radius, electrons: the 84 pixels of the aperture times
/// the background's tolerance and the noise of our ring. Ours must be nearer to truth.
const FLUX_E: f64 = 600.0;

/// Widths against a least-squares fit by astropy and against photutils, as a part: they weigh all
/// pixels alike, we weigh them by their noise.
const WIDTH_PART: f64 = 0.03;
/// Directions of stars at least a tenth longer than wide, degrees, against the same fit.
const ANGLE_DEG: f64 = 5.0;
/// Flux of bright stars against sep's aperture of 6 pixels; ours is as large within a fifth.
const FLUX_PART: f64 = 0.04;

fn image() -> Plane {
    plane(include_bytes!("../reference/sky.u16"), WIDTH, HEIGHT)
}

fn plane(bytes: &[u8], width: usize, height: usize) -> Plane {
    let values = bytes
        .as_chunks::<2>()
        .0
        .iter()
        .map(|b| f32::from(u16::from_le_bytes(*b)) / UNIT);
    Plane::from_vec(width, height, values.collect())
}

fn table(text: &str) -> Vec<Vec<f64>> {
    text.lines()
        .filter(|l| !l.starts_with('#'))
        .skip(1)
        .map(|l| l.split(',').map(|v| v.parse().unwrap()).collect())
        .collect()
}

#[test]
fn background_agrees_with_sep_and_with_truth() {
    let settings = BackgroundSettings {
        mesh_px: 32,
        ..BackgroundSettings::default()
    };
    let background = Background::measure(&image(), None, &settings);
    let rows = table(include_str!("../reference/background.csv"));
    assert_eq!(rows.len(), 120);
    let (mut ours, mut theirs) = (0.0, 0.0);
    for row in &rows {
        // Beyond the outermost mesh centres sep extrapolates its spline, we hold the last value.
        let inside = (16.0..176.0).contains(&row[0]) && (16.0..144.0).contains(&row[1]);
        let (level, noise) = (
            background.level_at(row[0], row[1]) * UNIT,
            background.noise_at(row[0], row[1]) * UNIT,
        );
        // Below y = 112 the sky curves within a mesh cell, where two splines need not agree.
        if inside && row[1] < 112.0 {
            assert!(
                (level - row[2] as f32).abs() < LEVEL_E,
                "level {level} against {} at {row:?}",
                row[2]
            );
            assert!(
                (noise / row[3] as f32 - 1.0).abs() < NOISE_PART,
                "noise {noise} against {} at {row:?}",
                row[3]
            );
        }
        if inside {
            ours += (f64::from(level) - row[4]).powi(2);
            theirs += (row[2] - row[4]).powi(2);
        }
    }
    // 1.25² : cubics that make no troughs beside land follow a curve a little less closely.
    assert!(
        ours < 1.56 * theirs,
        "squared error against truth {ours}, sep's {theirs}"
    );
    let mut line = vec![0.0; WIDTH];
    background.level_row(77, &mut line);
    for (x, value) in line.iter().enumerate() {
        assert!((value - background.level_at(x as f64, 77.0)).abs() < 1e-6);
    }
}

#[test]
fn centres_and_fluxes_agree_with_sep() {
    let settings = DetectSettings {
        fwhm_px: Some(1.1 * 2.354_82),
        saturation: 3.0,
        background: BackgroundSettings {
            mesh_px: 32,
            ..BackgroundSettings::default()
        },
        ..DetectSettings::default()
    };
    let field = measure(&image(), &settings);
    let rows = table(include_str!("../reference/stars.csv"));
    assert!(rows.len() >= 8);
    let (mut ours, mut theirs) = (0.0, 0.0);
    let (mut our_flux, mut their_flux) = (0.0, 0.0);
    for row in &rows {
        let star = field
            .stars
            .iter()
            .find(|s| (s.x - row[3]).hypot(s.y - row[4]) < 1.0);
        let star = star.unwrap_or_else(|| panic!("not found: {row:?}"));
        let off = (star.x - row[3]).hypot(star.y - row[4]);
        assert!(off < CENTRE_PX, "{off} px from sep's at {row:?}");
        let flux = f64::from(star.flux * UNIT);
        assert!((flux - row[5]).abs() < FLUX_E, "flux {flux} against {row:?}");
        our_flux += (flux - row[2]).powi(2);
        their_flux += (row[5] - row[2]).powi(2);
        ours += (star.x - row[0]).powi(2) + (star.y - row[1]).powi(2);
        theirs += (row[3] - row[0]).powi(2) + (row[4] - row[1]).powi(2);
    }
    assert!(
        our_flux < their_flux,
        "squared flux error {our_flux} against sep's {their_flux}"
    );
    assert!(
        ours < 1.2 * theirs,
        "squared centre error {ours} against sep's {theirs}"
    );
}

/// Width at half maximum of a Gaussian that scatters as a pixel does, by 1/√12 of it: 2 √(2 ln 2)/√12.
const PIXEL_FWHM_PX: f64 = 0.679_78;

#[test]
fn shapes_and_fluxes_agree_with_astropy_photutils_and_sep() {
    let image = plane(include_bytes!("../reference/shapes.u16"), 200, 160);
    let settings = DetectSettings {
        saturation: 3.0,
        background: BackgroundSettings {
            mesh_px: 32,
            ..BackgroundSettings::default()
        },
        ..DetectSettings::default()
    };
    let field = measure(&image, &settings);
    let rows = table(include_str!("../reference/shapes.csv"));
    assert_eq!(rows.len(), 20);
    for row in &rows {
        let star = field
            .stars
            .iter()
            .find(|s| (s.x - row[0]).hypot(s.y - row[1]) < 0.2)
            .unwrap_or_else(|| panic!("not found: {row:?}"));
        let flux = f64::from(star.flux * UNIT) / row[4] - 1.0;
        assert!(flux.abs() < FLUX_PART, "flux off sep's by {flux} at {row:?}");
        let root = f64::from(star.elongation).sqrt();
        let (long, short) = (
            f64::from(star.fwhm_px) * root / row[5] - 1.0,
            f64::from(star.fwhm_px) / root / row[6] - 1.0,
        );
        assert!(
            long.abs() < WIDTH_PART && short.abs() < WIDTH_PART,
            "widths off astropy's by {long} {short} at {row:?}"
        );
        // photutils fits a profile integrated over pixels, so that the pixel's own width is not in its answer.
        let width = f64::from(star.fwhm_px) / row[8].hypot(PIXEL_FWHM_PX) - 1.0;
        assert!(
            width.abs() < WIDTH_PART,
            "width off photutils' by {width} at {row:?}"
        );
        if row[5] > 1.1 * row[6] {
            let turn = (star.angle.deg() - row[7].to_degrees()).rem_euclid(180.0);
            assert!(
                turn.min(180.0 - turn) < ANGLE_DEG,
                "turned by {turn} at {row:?}, elongation {}",
                star.elongation
            );
        }
    }
}
