//! Photometry on painted frames whose zero point, fall-off, colour term, extinction and sky are known.

use nalgebra::{Rotation3, Vector3};
use nightloom_optics::Lens;
use nightloom_raster::Plane;
use nightloom_sky::{Air, Angle, Instant, Site, airmass_pickering, catalogue};
use nightloom_stars::{
    BlindIdentification, BlindSettings, DetectSettings, LightInput, NoPhotometry, Overhead, Photometry,
    identify_blind, measure, photometry,
};

use crate::scene::{FULL_WELL, Look, Random, Source, expose, paint};

const WIDTH: usize = 1500;
const HEIGHT: usize = 1000;
/// What is painted: zero point for a frame, colour terms of red, green and blue, loss per airmass, fall-off.
const ZERO: f64 = 6.0;
const COLOUR: [f64; 3] = [-0.55, 0.08, 0.60];
const EXTINCTION: f64 = 0.25;
const FALLOFF: [f64; 2] = [0.5, 0.2];
/// V magnitude per square arcsecond and B−V of the painted sky.
const SKY: f64 = 20.6;
const SKY_BV: f64 = 0.7;

fn instant() -> Instant {
    "2026-08-12T22:00:00Z".parse().unwrap()
}

fn site() -> Site {
    Site::new(45.0, 10.0, 500.0).unwrap()
}

/// A camera 40° high in the south-west.
fn attitude() -> Rotation3<f64> {
    let ground = site().ground_from_icrs(instant());
    let (a, h) = (225f64.to_radians(), 40f64.to_radians());
    let z = Vector3::new(a.sin() * h.cos(), a.cos() * h.cos(), h.sin());
    let x = z.cross(&Vector3::z()).normalize();
    let camera = Rotation3::from_basis_unchecked(&[x, z.cross(&x), z]).inverse();
    camera * ground
}

fn lens() -> Lens {
    let mut lens = Lens::rectilinear(1100.0, WIDTH, HEIGHT);
    lens.radial = [-0.03, 0.0, 0.0];
    lens
}

fn magnitude_of_falloff(pixel: [f64; 2]) -> f64 {
    let lens = lens();
    let half = 0.5 * (WIDTH as f64).hypot(HEIGHT as f64);
    let h2 =
        ((pixel[0] - lens.centre_px[0]).powi(2) + (pixel[1] - lens.centre_px[1]).powi(2)) / (half * half);
    FALLOFF[0] * h2 + FALLOFF[1] * h2 * h2
}

/// Electrons in each colour of each star, and the sky.
fn painted(colour: usize, power: f64) -> Plane {
    let (lens, attitude, ground) = (lens(), attitude(), site().ground_from_icrs(instant()));
    let air = Air::at_elevation(500.0, 10.0);
    let sources: Vec<Source> = catalogue::stars()
        .iter()
        .filter_map(|star| {
            let d = star.direction(instant()).into_inner();
            let up = air.lift(&(ground * d));
            let [x, y] = lens.project(&(attitude * (ground.inverse() * up)))?;
            let inside =
                x > 3.0 && y > 3.0 && x < WIDTH as f64 - 4.0 && y < HEIGHT as f64 - 4.0 && up.z > 0.0;
            let airmass = airmass_pickering(Angle::from_rad(up.z.clamp(-1.0, 1.0).asin()));
            let seen = f64::from(star.v_mag) + EXTINCTION * airmass - COLOUR[colour] * f64::from(star.b_v)
                + magnitude_of_falloff([x, y]);
            let electrons = FULL_WELL * 10f64.powf(-0.4 * (seen - ZERO));
            inside.then_some(Source { x, y, electrons })
        })
        .collect();
    let look = Look {
        sky_electrons: 0.0,
        ..Look::default()
    };
    let mut plane = paint(WIDTH, HEIGHT, &sources, &look);
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let pixel = [x as f64, y as f64];
            let scale = lens.scale_at(pixel).unwrap();
            let solid = scale.radial.arcsec() * scale.tangential.arcsec();
            let seen = SKY - COLOUR[colour] * SKY_BV + magnitude_of_falloff(pixel);
            *plane.at_mut(x, y) += (FULL_WELL * solid * 10f64.powf(-0.4 * (seen - ZERO))) as f32;
        }
    }
    let mut plane = expose(plane, &look, &mut Random(77 + colour as u64));
    if (power - 1.0).abs() > 1e-9 {
        plane
            .data_mut()
            .iter_mut()
            .for_each(|v| *v = v.max(0.0).powf(power as f32));
    }
    plane
}

fn told(power: f64, overhead: bool) -> (Result<Photometry, NoPhotometry>, BlindIdentification) {
    let planes = [0, 1, 2].map(|c| painted(c, power));
    let mut luminance = planes[1].clone();
    for (l, (r, b)) in luminance
        .data_mut()
        .iter_mut()
        .zip(planes[0].data().iter().zip(planes[2].data()))
    {
        *l = 0.5 * *l + 0.25 * (r + b);
    }
    let field = measure(&luminance, &DetectSettings::default());
    let found = identify_blind(
        &field.stars,
        [WIDTH, HEIGHT],
        &BlindSettings::default(),
        instant(),
    )
    .unwrap();
    let input = LightInput {
        colours: 3,
        plane: &|c| planes[c].clone(),
        field: &field,
        found: &found,
        exposure_s: None,
        overhead: overhead.then(|| Overhead {
            ground_from_icrs: site().ground_from_icrs(instant()),
            air: Air::at_elevation(500.0, 10.0),
        }),
        black_sigma: 0.0,
        was_linear: true,
    };
    (photometry(&input), found)
}

/// Tolerances are some three standard deviations of what the painted noise, the catalogue's close pairs
/// (which are painted too) and the straight colour terms leave.
#[test]
fn painted_light_is_told() {
    const ZERO_MAG: f64 = 0.05;
    const COLOUR_MAG: f64 = 0.03;
    const AIR_MAG: f64 = 0.05;
    const CORNER_STOPS: f64 = 0.12;
    const SKY_MAG: f64 = 0.05;
    let told = told(1.0, true).0.unwrap();
    assert!((told.zero_point_mag - ZERO).abs() < ZERO_MAG, "{told:?}");
    assert!(
        (told.zero_point_mag - ZERO).abs() < 2.0 * told.zero_point_sigma,
        "{told:?}"
    );
    assert!(
        (told.colour_term - COLOUR[1]).abs() < COLOUR_MAG,
        "{}",
        told.colour_term
    );
    assert!(
        (told.extinction_mag.unwrap() - EXTINCTION).abs() < AIR_MAG,
        "{:?}",
        told.extinction_mag
    );
    let corner = (FALLOFF[0] + FALLOFF[1]) / 0.752_575;
    assert!(
        (told.corner_stops[0] - corner).abs() < CORNER_STOPS,
        "{:?}",
        told.corner_stops
    );
    assert!((told.corner_stops[0] - corner).abs() < 2.0 * told.corner_stops[1]);
    let sky = told.sky.unwrap();
    assert!(
        (sky.mag_arcsec2 - SKY).abs() < SKY_MAG,
        "{} {}",
        sky.mag_arcsec2,
        sky.b_v
    );
    assert!((sky.b_v - SKY_BV).abs() < 0.15, "{}", sky.b_v);
    assert!(
        (sky.darkest.mag_arcsec2 - SKY).abs() < 3.0 * SKY_MAG,
        "{:?}",
        sky.darkest
    );
}

/// Without place and time the loss in the air is assumed, and the sky's error says so.
#[test]
fn unknown_air_widens_the_error() {
    let told = told(1.0, false).0.unwrap();
    assert!(told.extinction_mag.is_none());
    let sky = told.sky.unwrap();
    assert!(
        sky.sigma > 0.12 && (sky.mag_arcsec2 - SKY).abs() < 3.0 * sky.sigma,
        "{} ± {}",
        sky.mag_arcsec2,
        sky.sigma
    );
}

/// A tone curve (a display's, a power of 1/2.2) is refused by the slope of the stars' magnitudes.
#[test]
fn a_tone_curve_is_refused() {
    let refused = told(1.0 / 2.2, true).0.unwrap_err();
    assert!(
        matches!(refused, NoPhotometry::NotLinear { seen } if seen < 0.93),
        "{refused}"
    );
}
