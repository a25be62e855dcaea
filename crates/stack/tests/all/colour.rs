use nightloom_stack::{ColourError, NeutralBasis, NeutralSettings, neutral_by_stars, star_colour};

use crate::scene::Random;

/// Stars of known B−V seen through a camera that is off by known factors.
#[test]
fn the_cameras_factors_are_found_from_catalogue_colours() {
    const TOLERANCE: f32 = 0.02;
    let mut random = Random::new(3);
    let colours: Vec<f64> = (0..60).map(|_| random.between(-0.2, 1.6)).collect();
    let fluxes: Vec<[f64; 3]> = colours
        .iter()
        .map(|c| {
            let (flux, colour) = (10f64.powf(random.between(0.0, 2.0)), star_colour(*c));
            [0, 1, 2].map(|k| flux * colour[k] * [0.5, 1.0, 0.7][k] * (1.0 + 0.03 * random.normal()))
        })
        .collect();
    let found = neutral_by_stars(&fluxes, Some(&colours), &NeutralSettings::default()).unwrap();
    assert_eq!((found.basis, found.stars), (NeutralBasis::Catalogue, 60));
    for (got, right) in found.gains.iter().zip([2.0f32, 1.0, 1.0 / 0.7]) {
        assert!((got / right - 1.0).abs() < TOLERANCE, "{found:?}");
    }
    assert!(found.error.iter().all(|e| (0.002..0.01).contains(e)), "{found:?}");
}

#[test]
fn without_a_catalogue_the_median_star_is_white() {
    let fluxes: Vec<[f64; 3]> = (1..20)
        .map(|k| [0.5 * f64::from(k), f64::from(k), 0.8 * f64::from(k)])
        .collect();
    let unknown = vec![f64::NAN; fluxes.len()];
    for catalogue in [None, Some(&unknown[..])] {
        let found = neutral_by_stars(&fluxes, catalogue, &NeutralSettings::default()).unwrap();
        assert_eq!(found.basis, NeutralBasis::MedianStar);
        assert!((found.gains[0] - 2.0).abs() < 1e-4 && (found.gains[2] - 1.25).abs() < 1e-4);
    }
}

#[test]
fn too_few_stars_are_said() {
    let fluxes = [[1.0, 1.0, 1.0], [0.0, 1.0, 1.0], [f64::NAN, 1.0, 1.0]];
    let error = neutral_by_stars(&fluxes, None, &NeutralSettings::default()).unwrap_err();
    assert_eq!(error, ColourError::TooFewStars { needed: 8, got: 1 });
}

/// A star of the sun's colour, B−V 0.65 (5778 K, Ballesteros 2012), is warmer than D65; Vega's
/// (0.0) is bluer.
#[test]
fn stars_have_their_colours() {
    let (sun, vega, red) = (star_colour(0.65), star_colour(0.0), star_colour(1.6));
    assert!(sun[0] > 1.0 && sun[2] < 1.0, "{sun:?}");
    assert!(vega[0] < 1.0 && vega[2] > 1.0, "{vega:?}");
    assert!(red[0] > sun[0] && red[2] < sun[2], "{red:?}");
}
