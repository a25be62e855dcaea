//! Light of stars whose hearts are burnt out, by their skirts.
//!
//! Stars of one frame have one profile; what a burnt-out star shows outside its heart, held against the profile of stars
//! that are not, tells all of its light (least squares of the skirt's pixels on the profile).

use nightloom_fit::median_of;
use nightloom_raster::Plane;

use super::LightInput;
use crate::shape::each_pixel;
use crate::{Background, Star};

/// Level of a pixel at which a channel may no longer be linear; the planes are means of two or more.
pub(super) const FULL: f32 = 0.7;

/// Whether a colour's own pixels may be too full: the brightness that stars were found in is the colours' mean.
pub(super) fn is_burnt(star: &Star) -> bool {
    star.saturated || star.peak > 0.6 * FULL
}

/// The profile of a star: part of its light that falls on one pixel, by distance.
#[derive(Clone, Debug)]
pub(super) struct Skirt {
    /// In steps of [`STEP_PX`].
    parts: Vec<f64>,
    reach: f64,
}

/// Width of a step of the profile, pixels.
const STEP_PX: f64 = 0.5;
/// The profile reaches so many widths of the stars.
const REACH: f64 = 3.5;
/// Stars the profile is made of, at most and at least.
const STARS: [usize; 2] = [120, 12];
/// Signal over noise of those.
const CLEAR_SNR: f32 = 60.0;
/// Part of a star's light that has to be seen in its skirt, and signal over noise of what is seen.
const SEEN: (f64, f64) = (0.002, 10.0);
/// Width of the rim about full pixels that is left out: light and charge spill over.
const RIM_PX: f64 = 0.7;

impl Skirt {
    /// By the brightest stars that are not burnt out; `None` where there are too few.
    pub(super) fn of(plane: &Plane, sky: &Background, input: &LightInput<'_>) -> Option<Self> {
        let reach = REACH * f64::from(input.field.fwhm_px.max(1.5));
        let mut clear: Vec<&Star> = input
            .field
            .stars
            .iter()
            .filter(|s| !is_burnt(s) && s.snr >= CLEAR_SNR)
            .collect();
        clear.sort_by(|a, b| b.snr.total_cmp(&a.snr));
        clear.truncate(STARS[0]);
        let steps = (reach / STEP_PX) as usize + 1;
        let mut seen: Vec<Vec<f64>> = vec![Vec::new(); steps];
        let mut stars = 0;
        for star in clear {
            let pixels = pixels(plane, sky, star, reach);
            let light: f64 = pixels.iter().map(|p| p.1).sum();
            let full = pixels.iter().any(|p| p.2);
            if light <= 0.0 || full {
                continue;
            }
            stars += 1;
            for (away, above, _) in pixels {
                seen[((away / STEP_PX) as usize).min(steps - 1)].push(above / light);
            }
        }
        if stars < STARS[1] {
            return None;
        }
        let parts = seen
            .into_iter()
            .map(|v| median_of(v).unwrap_or(0.0).max(0.0))
            .collect();
        Some(Self { parts, reach })
    }

    /// All of a star's light; `None` where too little of its skirt is seen.
    pub(super) fn light(&self, plane: &Plane, sky: &Background, star: &Star) -> Option<f64> {
        let pixels = pixels(plane, sky, star, self.reach);
        let heart = pixels.iter().filter(|p| p.2).map(|p| p.0).fold(0.0, f64::max) + RIM_PX;
        let (mut product, mut square, mut seen) = (0.0, 0.0, 0.0);
        for (away, above, _) in pixels.into_iter().filter(|p| p.0 > heart) {
            let part = self.parts[((away / STEP_PX) as usize).min(self.parts.len() - 1)];
            product += above * part;
            square += part * part;
            seen += part;
        }
        let noise = f64::from(sky.noise_at(star.x, star.y)) * square.sqrt();
        (seen > SEEN.0 && product > SEEN.1 * noise).then(|| product / square)
    }
}

/// Distance, value above the sky and whether it is full, of each pixel about a star; the sky is the ring's own.
fn pixels(plane: &Plane, sky: &Background, star: &Star, reach: f64) -> Vec<(f64, f64, bool)> {
    const RING_PX: f64 = 4.0;
    let level = sky.level_at(star.x, star.y);
    let (mut inside, mut ring) = (Vec::new(), Vec::new());
    each_pixel(plane, star.x, star.y, reach + RING_PX, |dx, dy, value| {
        let away = dx.hypot(dy);
        let above = f64::from(value - level);
        if away <= reach {
            inside.push((away, above, value > FULL));
        } else {
            ring.push(above);
        }
    });
    let under = median_of(ring).unwrap_or(0.0);
    inside.iter_mut().for_each(|p| p.1 -= under);
    inside
}
