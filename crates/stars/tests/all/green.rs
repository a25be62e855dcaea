//! Stars measured in the green pixels of a mosaic.

use nightloom_raster::{Cfa, Mosaic, Plane};
use nightloom_stars::{DetectSettings, measure_green};

use crate::profile::{Fall, Profile};
use crate::scene::{Look, Random, expose};

/// Median error of centres that no noise to speak of disturbs, pixels.
const CENTRE_PX: f64 = 0.03;

#[test]
fn centres_lie_in_pixels_of_the_mosaic() {
    for (cfa, fwhm) in [
        (Cfa::RGGB, 2.0),
        (Cfa::GRBG, 2.6),
        (Cfa::BGGR, 4.0),
        (Cfa::GBRG, 2.6),
        (Cfa::X_TRANS, 2.6),
        (Cfa::X_TRANS.moved(4, 3), 4.0),
    ] {
        let mut random = Random(31);
        let look = Look::default();
        let profile = Profile::round(Fall::Gauss, fwhm);
        let mut plane = Plane::filled(500, 400, look.sky_electrons as f32);
        let mut truth = Vec::new();
        for i in 0..80 {
            let x = 40.0 + 45.0 * f64::from(i % 10) + random.unit();
            let y = 40.0 + 45.0 * f64::from(i / 10) + random.unit();
            profile.paint(&mut plane, x, y, 50_000.0);
            truth.push((x, y));
        }
        let mut seen = expose(plane, &look, &mut random);
        for y in 0..400 {
            for x in 0..500 {
                // Red and blue see less.
                let part = [0.5, 1.0, 0.6][cfa.colour(x, y)];
                *seen.at_mut(x, y) *= part;
            }
        }
        let field = measure_green(&Mosaic { plane: seen, cfa }, &DetectSettings::default());
        let (mut dx, mut dy, mut off) = (0.0, 0.0, Vec::new());
        for (x, y) in &truth {
            let star = field
                .stars
                .iter()
                .min_by(|a, b| (a.x - x).hypot(a.y - y).total_cmp(&(b.x - x).hypot(b.y - y)))
                .unwrap();
            dx += (star.x - x) / 80.0;
            dy += (star.y - y) / 80.0;
            off.push((star.x - x).hypot(star.y - y));
        }
        off.sort_by(f64::total_cmp);
        assert!(off[40] < CENTRE_PX, "{} px at {fwhm} px, {cfa:?}", off[40]);
        assert!(off[79] < 0.15, "{} px at {fwhm} px, {cfa:?}", off[79]);
        assert!(
            dx.abs() < 0.01 && dy.abs() < 0.01,
            "shifted by {dx} {dy}: {cfa:?}"
        );
        assert!(field.stars.len() <= 82, "{} stars", field.stars.len());
    }
}
