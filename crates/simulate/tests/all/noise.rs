//! Photon, read and dark noise as a camera test would measure them.

use nightloom_raster::Mosaic;
use nightloom_simulate::ShotRole;

use crate::night::NIGHT;

/// Relative tolerance of the photon transfer slope.
const GAIN_TOLERANCE: f64 = 0.02;
/// Tolerance of mean dark level, raw steps.
const DARK_TOLERANCE: f64 = 0.1;
/// Relative tolerance of the dark frames' noise.
const READ_TOLERANCE: f64 = 0.03;

/// Mean and variance of the difference of two frames over a window, raw steps.
fn pair(a: &Mosaic, b: &Mosaic, window: [usize; 4], steps: f64) -> (f64, f64) {
    let [left, top, width, height] = window;
    let (mut level, mut differences) = (0.0, Vec::new());
    for y in top..top + height {
        for x in left..left + width {
            let (p, q) = (
                f64::from(a.plane.at(x, y)) * steps,
                f64::from(b.plane.at(x, y)) * steps,
            );
            level += (p + q) / 2.0;
            differences.push(p - q);
        }
    }
    let n = differences.len() as f64;
    let mean = differences.iter().sum::<f64>() / n;
    let variance = differences.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0) / 2.0;
    (level / n, variance)
}

/// Photon transfer (Janesick 2007): variance in steps = mean / gain + read noise².
#[test]
fn flats_follow_the_photon_transfer_curve() {
    let night = &*NIGHT;
    let sensor = &night.truth.sensor;
    let flats = night.mosaics(ShotRole::Flat);
    let steps = sensor.white - sensor.black;
    for window in [[300, 200, 300, 200], [20, 20, 200, 200]] {
        let (mean, variance) = pair(&flats[0], &flats[1], window, steps);
        let read = (sensor.read_noise_e / sensor.sky_gain_e).powi(2) + 1.0 / 12.0;
        let gain = mean / (variance - read);
        assert!(
            (gain / sensor.sky_gain_e - 1.0).abs() < GAIN_TOLERANCE,
            "{gain} e⁻ a step at {mean}"
        );
    }
}

#[test]
fn flats_fall_off_as_the_truth_says() {
    let night = &*NIGHT;
    let flat = &night.mosaics(ShotRole::Flat)[0];
    let mean = |left: usize, top: usize| {
        let values = (top..top + 20).flat_map(|y| (left..left + 20).map(move |x| (x, y)));
        values.map(|(x, y)| f64::from(flat.plane.at(x, y))).sum::<f64>() / 400.0
    };
    let centre = mean(440, 290);
    // (870, 580) is 0.967 of the half diagonal from the middle; the fall-off there is near linear.
    let corner = mean(860, 570) / centre;
    let vignetting = &night.truth.sensor.vignetting;
    let expected = vignetting[9] + 0.67 * (vignetting[10] - vignetting[9]);
    assert!((corner - expected).abs() < 0.02, "{corner}, expected {expected}");
}

#[test]
fn darks_hold_dark_current_and_read_noise() {
    let night = &*NIGHT;
    let sensor = &night.truth.sensor;
    let darks = night.mosaics(ShotRole::Dark);
    let steps = sensor.white - sensor.black;
    let mut values: Vec<f64> = darks[0]
        .plane
        .data()
        .iter()
        .map(|v| f64::from(*v) * steps)
        .collect();
    values.sort_by(f64::total_cmp);
    let quantile = |q: f64| values[(q * (values.len() - 1) as f64) as usize];
    let dark_e = sensor.dark_e_s * night.truth.frames[0].exposure.seconds;
    // The middle half is free of hot pixels.
    let middle: Vec<f64> = values[values.len() / 4..3 * values.len() / 4].to_vec();
    let mean = middle.iter().sum::<f64>() / middle.len() as f64;
    assert!(
        (mean - dark_e / sensor.sky_gain_e).abs() < DARK_TOLERANCE,
        "{mean} steps"
    );
    let sigma = (quantile(0.841_345) - quantile(0.158_655)) / 2.0;
    let expected = (sensor.read_noise_e.powi(2) + dark_e).sqrt() / sensor.sky_gain_e;
    assert!(
        (sigma / expected - 1.0).abs() < READ_TOLERANCE + 0.5 / expected.powi(2),
        "{sigma}, expected {expected}"
    );
}

#[test]
fn hot_pixels_stay_in_place() {
    let night = &*NIGHT;
    let sensor = &night.truth.sensor;
    let darks = night.mosaics(ShotRole::Dark);
    let seconds = night.truth.frames[0].exposure.seconds;
    let bright: Vec<_> = sensor
        .hot
        .iter()
        .filter(|h| h.2 * seconds > 100.0 * sensor.sky_gain_e)
        .collect();
    assert!(bright.len() > 20, "{} bright hot pixels", bright.len());
    for (x, y, rate) in bright {
        let expected = (rate * seconds / sensor.sky_gain_e / (sensor.white - sensor.black)).min(1.0);
        for dark in &darks {
            let found = f64::from(dark.plane.at(*x, *y));
            assert!(
                (found / expected - 1.0).abs() < 0.5,
                "({x}, {y}): {found}, expected {expected}"
            );
        }
    }
}
