//! How a lens's light falls off towards the corners, told by the stars: for a picture taken without flats.
//!
//! For each sighting of a star
//!
//! ln F = B − κX + z + g·d + ln cos θ + p(u),  p(u) = p₁u + p₂u² + p₃u³
//!
//! with F its light above the sky, B the star's own, X the airmass, z the frame's scale, g a slope over the
//! frame that is not the lens's (haze, what the airmass leaves), d the place in halves of the diagonal, θ the
//! angle off the axis, u = h² and h the distance from the principal point in halves of the diagonal. A pixel
//! of an even surface gets the same light times the solid angle Ω that it sees, so that what a flat would
//! show is
//!
//! V(u) = cos θ · Ω(u)/Ω(0) · exp p(u)
//!
//! (cos⁴θ where the lens is rectilinear and p = 0, the natural law: Horn 1986, *Robot Vision*, §10.3;
//! p is what barrel and pupil add or save). Two kinds of evidence meet in one least-squares fit, each with
//! its error: the same star at several places of the sensor, whatever its brightness; and the catalogue's
//! magnitudes, B = −0.4 ln 10 · V + c₁(B−V) + c₂(B−V)² + q Ω/Ω(0) 10^{0.4 (V − 6.5)}, with the scatter that they
//! show; q is the light of the crowd of faint stars in an aperture, which lifts the faint more, and the middle of a wide
//! frame more than its corners. Each star's B is eliminated (Schur complement); Tukey's biweight (Beaton & Tukey 1974) leaves out variables, blends and
//! spoilt sightings.
//!
//! The background's light is not used: in frames of one aim a sky brighter at its rim and a lens are the same
//! to it, and where the aim changes enough to part the two, so do the stars, which are known each by itself.

mod gather;
mod solve;

pub use gather::{FalloffFrame, falloff_stars};

use nalgebra::{Matrix3, Vector3};
use nightloom_optics::Lens;

/// One star in one frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FalloffStar {
    /// Which frame, counted from 0.
    pub frame: usize,
    /// Which star: the same number wherever it is the same star.
    pub star: usize,
    /// Place in the frame, pixels.
    pub at: [f64; 2],
    /// All its light above the sky, any linear unit that is the same for all frames of one exposure; more
    /// than 0.
    pub flux: f64,
    /// Standard deviation of the light as a part of it, as far as noise goes.
    pub noise: f64,
    /// V and B−V, magnitudes, where it is in the catalogue.
    pub catalogue: Option<[f64; 2]>,
    /// Airmass it was seen through; `None` where place or time is not known.
    pub airmass: Option<f64>,
}

/// Standard deviations that a loss must have to be taken out: where there is none, one frame in forty would be bent.
const SURE: f64 = 2.0;

/// What is asked of the estimate.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FalloffSettings {
    /// Stars without which nothing is said.
    pub least_stars: usize,
    /// Standard deviation in the frame's farthest corner up to which the answer counts, as a part of the light.
    pub most_error: f64,
    /// The same as a part of the light that is lost there, where that allows more: what such an answer leaves in is far less
    /// than what it takes out.
    pub most_share: f64,
}

impl Default for FalloffSettings {
    fn default() -> Self {
        Self {
            least_stars: 30,
            most_error: 0.06,
            most_share: 1.0 / 6.0,
        }
    }
}

/// The fall-off of a lens on a sensor, and how well it is known.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Falloff {
    /// The lens: where its axis meets the sensor, and the natural law.
    pub lens: Lens,
    /// Half of the frame's diagonal, pixels.
    pub half_diagonal_px: f64,
    /// p₁, p₂, p₃ of the module's equation.
    pub polynomial: [f64; 3],
    /// Their covariance, row by row.
    pub covariance: [[f64; 3]; 3],
    /// Standard deviation of what is the same for all stars, as a part of the light at u = 1; it grows with u.
    pub common_error: f64,
    /// Stars that it rests on, and how many of them by their catalogue magnitude.
    pub stars: [usize; 2],
    /// Sightings of them.
    pub sightings: usize,
    /// Robust scatter of bright catalogued stars about the fit, magnitudes; 0 without.
    pub scatter_mag: f64,
    /// Extinction that came with it, magnitudes an airmass, and its standard deviation.
    pub extinction_mag: [f64; 2],
}

/// Why the stars do not tell the fall-off.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoFalloff {
    /// Too few stars.
    #[error(
        "only {found} stars tell of the lens's fall-off, {needed} are needed: stars in the catalogue (V < 8), or the same \
         ones at other places of the sensor; take flats"
    )]
    TooFewStars {
        /// Usable.
        found: usize,
        /// Wanted.
        needed: usize,
    },
    /// No loss beyond what chance makes of none: a camera or converter may have taken it out.
    #[error(
        "the stars show none beyond chance ({:.0} ± {:.0} % of the light are lost in the farthest corner)", 100.0 * lost,
        100.0 * error
    )]
    NoneSeen {
        /// Part of the light lost in the farthest corner.
        lost: f64,
        /// Its standard deviation.
        error: f64,
    },
    /// The answer is too unsure.
    #[error(
        "the stars tell the lens's fall-off in the corner only to {:.0} %, {:.0} % is needed: more frames, or frames that \
         are aimed a little elsewhere, would tell it; so would flats", 100.0 * error, 100.0 * most
    )]
    NotDetermined {
        /// Standard deviation as a part of the light.
        error: f64,
        /// Allowed.
        most: f64,
    },
}

impl Falloff {
    /// What a flat would show at a pixel, 1 on the axis.
    ///
    /// Beyond the lens's image circle it stays as at its rim.
    pub fn at(&self, x: f64, y: f64) -> f64 {
        self.at_u(self.u(x, y))
    }

    /// The standard deviation of [`at`](Self::at) as a part of it, the axis taken for exact.
    pub fn error_at(&self, x: f64, y: f64) -> f64 {
        self.error_at_u(self.u(x, y))
    }

    /// V at `knots` squared distances from the axis, evenly spaced from 0 to that of the frame's farthest
    /// corner, `size` being its width and height; and that squared distance in pixels. For dividing a picture
    /// quickly: between 257 knots straight lines are within 10⁻⁴.
    pub fn profile(&self, size: [usize; 2], knots: usize) -> (Vec<f64>, f64) {
        let last = self.farthest_u(size);
        let step = last / knots.saturating_sub(1).max(1) as f64;
        let values = (0..knots).map(|i| self.at_u(i as f64 * step)).collect();
        (values, last * self.half_diagonal_px.powi(2))
    }

    /// Standard deviation in the corner that is farthest from the axis.
    pub fn corner_error(&self, size: [usize; 2]) -> f64 {
        self.error_at_u(self.farthest_u(size))
    }

    fn u(&self, x: f64, y: f64) -> f64 {
        let [cx, cy] = self.lens.centre_px;
        ((x - cx).powi(2) + (y - cy).powi(2)) / self.half_diagonal_px.powi(2)
    }

    fn farthest_u(&self, [width, height]: [usize; 2]) -> f64 {
        let far = |centre: f64, n: usize| centre.max(n as f64 - 1.0 - centre);
        let [cx, cy] = self.lens.centre_px;
        (far(cx, width).powi(2) + far(cy, height).powi(2)) / self.half_diagonal_px.powi(2)
    }

    fn at_u(&self, u: f64) -> f64 {
        let p: f64 = powers(u).iter().zip(self.polynomial).map(|(u, p)| u * p).sum();
        let natural = (0..=20).find_map(|back| {
            // Beyond the image circle the law has no value: the nearest one within.
            let h = u.sqrt() * (1.0 - 0.02 * f64::from(back));
            let [cx, cy] = self.lens.centre_px;
            natural(&self.lens, [cx + h * self.half_diagonal_px, cy])
        });
        natural.unwrap_or(1.0) * p.exp()
    }

    fn error_at_u(&self, u: f64) -> f64 {
        let row = Vector3::from(powers(u));
        let covariance = Matrix3::from_fn(|i, j| self.covariance[i][j]);
        let fitted = (row.transpose() * covariance * row)[0].max(0.0).sqrt();
        fitted.hypot(self.common_error * u)
    }
}

/// cos θ · Ω/Ω(0) at a pixel; `None` where the lens's image ends.
fn natural(lens: &Lens, pixel: [f64; 2]) -> Option<f64> {
    let cos = lens.angle_off_axis(pixel)?.cos();
    let seen = lens.scale_at(pixel)?;
    let solid = seen.radial.rad() * seen.tangential.rad() * lens.focal_px.powi(2);
    (cos > 0.0).then_some(cos * solid)
}

fn powers(u: f64) -> [f64; 3] {
    [u, u * u, u * u * u]
}

/// Estimates the fall-off from stars seen in frames of `size` (width, height) through `lens`.
///
/// Tracked and untracked frames may be mixed, exposures too: each frame has its own scale.
///
/// # Errors
/// Says why not, where the stars are too few or do not tell.
///
/// # Example
/// ```
/// use nightloom_optics::Lens;
/// use nightloom_stars::{FalloffSettings, NoFalloff, estimate_falloff};
///
/// let lens = Lens::rectilinear(800.0, 1200, 800);
/// let none = estimate_falloff(&[], [1200, 800], &lens, &FalloffSettings::default());
/// assert!(matches!(none, Err(NoFalloff::TooFewStars { found: 0, .. })));
/// ```
pub fn estimate_falloff(
    stars: &[FalloffStar],
    size: [usize; 2],
    lens: &Lens,
    settings: &FalloffSettings,
) -> Result<Falloff, NoFalloff> {
    let half = 0.5 * (size[0] as f64).hypot(size[1] as f64);
    let mut fit = solve::Fit::new(stars, lens, half);
    let found = fit.telling();
    let few = NoFalloff::TooFewStars {
        found,
        needed: settings.least_stars,
    };
    if found < settings.least_stars {
        return Err(few);
    }
    let answer = fit.solve().ok_or(few)?;
    let falloff = Falloff {
        lens: *lens,
        half_diagonal_px: half,
        ..answer
    };
    let error = falloff.corner_error(size);
    let lost = 1.0 - falloff.at_u(falloff.farthest_u(size));
    let most = settings.most_error.max(settings.most_share * lost);
    if error > most {
        return Err(NoFalloff::NotDetermined { error, most });
    }
    if lost < SURE * error {
        return Err(NoFalloff::NoneSeen { lost, error });
    }
    Ok(falloff)
}
