//! Where a camera looks, through a lens that is told.

use nalgebra::Vector3;
use nightloom_optics::{Attitude, Lens};
use nightloom_sky::{Instant, Site};

use crate::Star;
use crate::identify::{Identification, apparent};

/// Pairs kept of all, those that fit best.
const KEPT: f64 = 0.9;

impl Identification {
    /// The attitude that the identified stars of a frame have through another lens than the identification's own: the best
    /// rotation between the catalogue's directions and the pixels' (Kabsch 1976), the farthest tenth left out once.
    ///
    /// An attitude belongs to its lens: where the middle of a narrow field's lens is known to pixels only, a pole told through
    /// one lens lies minutes of arc beside the one that another's axes have. `site` and `instant` are those that the stars
    /// were identified with. `None` with fewer than three pairs inside the lens.
    pub fn attitude_through(
        &self,
        stars: &[Star],
        lens: &Lens,
        site: Option<Site>,
        instant: Instant,
    ) -> Option<Attitude> {
        let catalogue = apparent(site, instant);
        let mut pairs: Vec<(Vector3<f64>, Vector3<f64>)> = self
            .matches
            .iter()
            .filter_map(|&(star, entry)| {
                let star = stars.get(star)?;
                let seen = lens.unproject([star.x, star.y])?.into_inner();
                Some(((*catalogue.get(entry)?)?, seen))
            })
            .collect();
        let turn = |pairs: &[(Vector3<f64>, Vector3<f64>)]| {
            (pairs.len() >= 3)
                .then(|| nightloom_fit::rotation_between(pairs.iter().map(|p| (p.0, p.1, 1.0))))
                .flatten()
        };
        let first = turn(&pairs)?;
        let off = |p: &(Vector3<f64>, Vector3<f64>)| (first * p.0 - p.1).norm_squared();
        pairs.sort_by(|a, b| off(a).total_cmp(&off(b)));
        pairs.truncate((pairs.len() as f64 * KEPT).ceil() as usize);
        turn(&pairs)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightloom_optics::Lens;

    fn star(x: f64, y: f64) -> Star {
        Star {
            x,
            y,
            flux: 1.0,
            peak: 0.2,
            fwhm_px: 2.0,
            elongation: 1.0,
            angle: nightloom_sky::Angle::from_deg(0.0),
            saturated: false,
            snr: 100.0,
        }
    }

    /// A frame of 85 mm on pixels of 30 µm, its stars where the catalogue puts them.
    fn frame() -> (Identification, Vec<Star>, Attitude, Instant) {
        let when: Instant = "2026-10-10T22:00:00Z".parse().expect("a valid instant");
        let lens = Lens::rectilinear(2833.0, 1200, 800);
        let attitude = Attitude::from_euler_angles(0.4, -1.0, 0.2);
        let (mut stars, mut matches) = (Vec::new(), Vec::new());
        for (entry, direction) in apparent(None, when).iter().enumerate() {
            let seen = direction.and_then(|d| lens.project(&(attitude * d)));
            if let Some([x, y]) =
                seen.filter(|p| (0.0..1200.0).contains(&p[0]) && (0.0..800.0).contains(&p[1]))
            {
                matches.push((stars.len(), entry));
                stars.push(star(x, y));
            }
        }
        let found = Identification {
            attitude,
            lens,
            matches,
            rms_px: 0.0,
            log_odds: 100.0,
        };
        (found, stars, attitude, when)
    }

    #[test]
    fn through_its_own_lens_it_is_the_same() {
        let (found, stars, truth, when) = frame();
        assert!(stars.len() > 20, "{}", stars.len());
        let told = found
            .attitude_through(&stars, &found.lens, None, when)
            .expect("an attitude");
        // Not by the angle, whose cosine near 1 tells nothing below 1e-8.
        assert!((told.matrix() - truth.matrix()).norm() < 1e-9);
        assert!(
            found
                .attitude_through(&stars[..2], &found.lens, None, when)
                .is_none()
        );
    }

    #[test]
    fn through_a_lens_whose_middle_lies_elsewhere_the_axes_lean_with_it() {
        let (found, stars, truth, when) = frame();
        let lens = Lens {
            centre_px: [found.lens.centre_px[0] - 4.0, found.lens.centre_px[1] + 3.0],
            ..found.lens
        };
        let told = found
            .attitude_through(&stars, &lens, None, when)
            .expect("an attitude");
        // Five pixels of 1/2833 rad.
        let lean = (told * truth.inverse()).angle();
        assert!((lean * 2833.0 - 5.0).abs() < 0.1, "{lean}");
        // The pole, 60° from the field, is then told where that camera's turning has it: what is left is the second order of
        // the shift, some hundredths of a pixel.
        let catalogue = apparent(None, when);
        for &(star, entry) in &found.matches {
            let at = lens
                .project(&(told * catalogue[entry].expect("above ground")))
                .expect("in the frame");
            let off = (at[0] - stars[star].x).hypot(at[1] - stars[star].y);
            assert!(off < 0.3, "{off}");
        }
    }
}
