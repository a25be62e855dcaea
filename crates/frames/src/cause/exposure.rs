//! Levels: how much of the frame and of its stars is burnt out, and how dark the rest is.

use nightloom_raster::Plane;

use nightloom_stars::Field;

/// Where the frame's levels lie. Linear, 1 at saturation.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct ExposureLook {
    /// Median level of the sky.
    pub sky: f64,
    /// Noise of one pixel of sky, as measured.
    pub noise: f64,
    /// Share of pixels at or near saturation.
    pub clipped: f64,
    /// Share of the stars that are burnt out.
    pub clipped_stars: f64,
    /// Share of neighbouring pixels with exactly the same value: near 0 in a photograph, near 1 in a drawing.
    pub flat: f64,
    /// Level below which a hundredth of the frame lies, and above which a hundredth lies.
    pub darkest: f64,
    /// Level above which a hundredth lies.
    pub brightest: f64,
}

/// Pixels looked at, about.
const LOOKED_AT: usize = 200_000;
/// Level that counts as burnt out.
const CLIPPED: f32 = 0.95;

pub(super) fn look(image: &Plane, field: &Field) -> ExposureLook {
    let step = (((image.width() * image.height()) as f64 / LOOKED_AT as f64).sqrt() as usize).max(1);
    let mut values = Vec::new();
    let (mut same, mut clipped) = (0usize, 0usize);
    for y in (0..image.height()).step_by(step) {
        let row = image.row(y);
        for x in (0..row.len().saturating_sub(1)).step_by(step) {
            let v = row[x];
            values.push(v);
            clipped += usize::from(v >= CLIPPED);
            same += usize::from(v == row[x + 1] && v < CLIPPED);
        }
    }
    values.sort_unstable_by(f32::total_cmp);
    let n = values.len().max(1) as f64;
    let at = |q: f64| {
        values
            .get((q * (n - 1.0)) as usize)
            .map_or(0.0, |v| f64::from(*v))
    };
    let burnt = field.stars.iter().filter(|s| s.saturated).count();
    ExposureLook {
        sky: f64::from(field.background),
        noise: f64::from(field.noise),
        clipped: clipped as f64 / n,
        clipped_stars: burnt as f64 / field.stars.len().max(1) as f64,
        flat: same as f64 / n,
        darkest: at(0.01),
        brightest: at(0.99),
    }
}
