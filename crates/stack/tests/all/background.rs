use nightloom_raster::Rgb;
use nightloom_stack::{BackgroundError, GradientSettings, fit_background, fit_background_by, fit_smooth_sky};

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

/// Of the background alone, then of all smooth light: median and 95th percentile of the error, as parts of all light there.
const MOST_OFF: [f64; 4] = [0.04, 0.14, 0.03, 0.12];

/// A sky whose lights have other shapes than the terms, ten times: what is left of the town's light and of the airglow, and
/// what the band lost. No source but the painting; the shapes are those of airglow and towns (see `ground_light`).
#[test]
fn lights_beside_a_band_are_told_apart() {
    let altitude = |y: f64| 45.0 * (1.0 - y / H as f64) + 2.0;
    let aslant = |y: f64, layer: f64| 1.0 / (1.0 - (layer * altitude(y).to_radians().cos()).powi(2)).sqrt();
    let air = |y: f64, k: f64| 10f64.powf(-0.4 * k * (1.0 / altitude(y).to_radians().sin() - 1.0));
    for seed in 0..10 {
        let mut random = Random::new(seed);
        let mut roll = |low: f64, high: f64| low + (high - low) * random.uniform();
        let (slope, at, wide) = (
            roll(-0.8, 0.8),
            roll(0.3, 0.7) * W as f64,
            roll(0.06, 0.12) * W as f64,
        );
        let (town, side, strength) = (roll(0.0, 1.0) * W as f64, roll(150.0, 400.0), roll(0.005, 0.03));
        let away = |x: f64, y: f64| (x - at - slope * (y - 0.5 * H as f64)) / wide;
        let band = |x: f64, y: f64| 0.015 * air(y, 0.17) * (-0.5 * away(x, y).powi(2)).exp();
        let glow = |x: f64, y: f64| {
            let dome = strength * (-altitude(y) / 7.0 - ((x - town) / side).powi(2)).exp();
            0.012 * aslant(y, 0.985) * air(y, 0.17) + dome
        };
        let mut noise = Random::new(seed + 100);
        let plane = nightloom_raster::Plane::from_fn(W, H, |x, y| {
            let (x, y) = (x as f64, y as f64);
            (glow(x, y) + band(x, y) + 0.001 * noise.normal()) as f32
        });
        let rgb = Rgb::from_planes([plane.clone(), plane.clone(), plane]);
        let parts = |x: f64| [0.0, 0.5, 1.0].map(|c| (1.0 - 2.0 * (x / W as f64 - c).abs()).max(0.0));
        let own = |[x, y]: [f64; 2]| {
            let mut terms = vec![1.0, air(y, 0.15)];
            for light in [
                aslant(y, 0.986) * air(y, 0.15),
                (-altitude(y) / 5.0).exp(),
                (-altitude(y) / 15.0).exp(),
            ] {
                terms.extend(parts(x).map(|p| p * light));
            }
            Some(terms)
        };
        let structure = |[x, y]: [f64; 2]| {
            let bell = |w: f64| (-0.5 * (away(x, y) * wide / w).powi(2)).exp();
            Some(vec![
                air(y, 0.15) * bell(0.05 * W as f64),
                air(y, 0.15) * bell(0.13 * W as f64),
            ])
        };
        let settings = GradientSettings {
            mesh_px: 24,
            ..GradientSettings::default()
        };
        let lights = [
            &own as &nightloom_stack::SkyTerms,
            &structure as &nightloom_stack::SkyTerms,
        ];
        let model = fit_background_by(&rgb, None, None, lights, &settings).unwrap();
        let whole = fit_smooth_sky(&rgb, None, None, lights, &settings).unwrap();
        let mut off: [Vec<f64>; 2] = Default::default();
        for y in (10..H - 10).step_by(20) {
            for x in (10..W - 10).step_by(20) {
                let (u, v) = (x as f64, y as f64);
                let all = glow(u, v) + band(u, v);
                off[0].push((f64::from(model.at(1, x, y)) - glow(u, v)).abs() / all);
                off[1].push((f64::from(whole.at(1, x, y)) - all).abs() / all);
            }
        }
        let part = |k: usize, q: f64| nightloom_fit::quantile(&mut off[k].clone(), q).unwrap();
        let told = [part(0, 0.5), part(0, 0.95), part(1, 0.5), part(1, 0.95)];
        assert!(
            told.iter().zip(MOST_OFF).all(|(t, most)| *t < most),
            "seed {seed}: {told:?}"
        );
        let mut row = vec![0.0; W];
        model.eval_row(1, 301, &mut row);
        assert!((row[437] - model.at(1, 437, 301)).abs() < 1e-7);
    }
}
