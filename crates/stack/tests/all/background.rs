use nightloom_raster::Rgb;
use nightloom_stack::{BackgroundError, GradientSettings, fit_background};

use crate::scene::Random;

const W: usize = 900;
const H: usize = 600;

/// Town glow, linear and quadratic, from 0.02 to about 0.1.
fn gradient(x: f64, y: f64) -> f64 {
    let (u, v) = (x / W as f64, y / H as f64);
    0.04 + 0.02 * u + 0.03 * v * v - 0.015 * (u - 0.3).powi(2)
}

/// A band 25 % of the picture wide, slanted, with a dark rift along its middle.
fn milky_way(x: f64, y: f64) -> f64 {
    let d = (0.8 * (x - 0.5 * W as f64) + 0.6 * (y - 0.45 * H as f64)) / (0.11 * W as f64);
    0.015 * (-0.5 * d * d).exp() * (1.0 - 0.4 * (-8.0 * d * d).exp())
}

fn picture(noise: f64) -> Rgb {
    let mut random = Random::new(9);
    let mut rgb = Rgb::filled(W, H, [0.0; 3]);
    for plane in rgb.planes_mut() {
        for y in 0..H {
            for x in 0..W {
                let (fx, fy) = (x as f64, y as f64);
                *plane.at_mut(x, y) = (gradient(fx, fy) + milky_way(fx, fy) + noise * random.normal()) as f32;
            }
        }
    }
    rgb
}

/// How much of `pattern` is in green: the regression on pattern and the other one.
fn amplitudes(rgb: &Rgb) -> [f64; 2] {
    let mut normal = nalgebra::Matrix3::<f64>::zeros();
    let mut right = nalgebra::Vector3::<f64>::zeros();
    for y in (0..H).step_by(3) {
        for x in (0..W).step_by(3) {
            let (fx, fy) = (x as f64, y as f64);
            let row = nalgebra::Vector3::new(gradient(fx, fy), milky_way(fx, fy), 1.0);
            normal += row * row.transpose();
            right += row * f64::from(rgb.at(x, y)[1]);
        }
    }
    let fit = normal.try_inverse().unwrap() * right;
    [fit[0], fit[1]]
}

#[test]
fn the_gradient_goes_and_the_milky_way_stays() {
    const GRADIENT_LEFT: f64 = 0.2;
    const CONTRAST_KEPT: f64 = 0.9;
    let mut rgb = picture(0.002);
    let model = fit_background(&rgb, None, None, &GradientSettings::default()).unwrap();
    model.subtract(&mut rgb, 1.0, model.level());
    let [gradient, band] = amplitudes(&rgb);
    assert!(
        gradient.abs() < GRADIENT_LEFT,
        "{gradient} of the gradient is left"
    );
    assert!(band > CONTRAST_KEPT, "{band} of the band is left");
}

#[test]
fn too_little_sky_is_said() {
    let rgb = Rgb::filled(100, 100, [0.1; 3]);
    let error = fit_background(&rgb, None, None, &GradientSettings::default()).unwrap_err();
    assert!(
        matches!(error, BackgroundError::TooLittleSky { needed: 24, got: 4 }),
        "{error}"
    );
}
