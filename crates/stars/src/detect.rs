//! Finding stars: matched filter, peaks, and what separates a star from a spike, a streak or a
//! twig.

use nightloom_raster::Plane;
use nightloom_sky::Angle;
use rayon::prelude::*;

use crate::components::components;
use crate::land_finder::find_land;
use crate::points::Scene;
use crate::shape::{FWHM_PER_SIGMA, LocalSky, Moments, centre};
use crate::trails::find_trails;
use crate::{Background, BackgroundSettings, Field, LandMask, LandSettings, Star};

/// Whether stars are drawn out into trails.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Trails {
    /// Decide by the frame itself.
    #[default]
    Auto,
    /// Points: anything drawn out is not a star.
    No,
    /// Trails: the middle of each is its place.
    Yes,
}

/// How stars are found.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DetectSettings {
    /// Detection threshold in standard deviations of the matched-filtered noise.
    pub threshold_sigma: f32,
    /// Full width at half maximum the filter is matched to, pixels; `None` measures it first.
    pub fwhm_px: Option<f32>,
    /// Stars kept at most, brightest first.
    pub max_stars: usize,
    /// Level at and above which a pixel counts as saturated.
    pub saturation: f32,
    /// Whether stars are trailed.
    pub trails: Trails,
    /// How the background is measured.
    pub background: BackgroundSettings,
    /// How land is recognised.
    pub land: LandSettings,
}

impl Default for DetectSettings {
    fn default() -> Self {
        Self {
            threshold_sigma: 5.0,
            fwhm_px: None,
            max_stars: 2000,
            saturation: 0.95,
            trails: Trails::Auto,
            background: BackgroundSettings::default(),
            land: LandSettings::default(),
        }
    }
}

/// Measures the stars, the background and the land of one frame.
///
/// `image` is the luminance of a linear frame at full resolution, 1.0 at saturation. Frames too
/// small or too empty give a field without stars. Holds one more plane of the image's size.
pub fn measure(image: &Plane, settings: &DetectSettings) -> Field {
    let (width, height) = (image.width(), image.height());
    if width < 16 || height < 16 {
        return compose(
            image,
            Vec::new(),
            None,
            LandMask::all_sky(width, height, settings.land.cell_px),
            0.0,
        );
    }
    let background = Background::measure(image, None, &settings.background);
    let sigma = settings.fwhm_px.map_or_else(
        || guess_sigma(image, &background, settings),
        |f| f64::from(f) / FWHM_PER_SIGMA,
    );
    let filtered = crate::filter::matched(image, &background, sigma);
    let noise = filtered_noise(&filtered, settings);
    let patches = components(&filtered, &noise, settings.threshold_sigma);
    let scene = Scene {
        image,
        background: &background,
        settings,
        sigma,
    };
    let trails = match settings.trails {
        Trails::No => None,
        Trails::Auto => find_trails(&patches, sigma, false),
        Trails::Yes => find_trails(&patches, sigma, true),
    };
    let mut stars = match &trails {
        Some(trails) => scene.measure_trails(trails),
        None => {
            let peaks = scene.clean_peaks(&filtered, &noise, &patches);
            drop(filtered);
            scene.measure_points(&peaks)
        }
    };
    stars = keep_star_like(stars, sigma, trails.is_some());
    let land = find_land(image, &stars, &settings.land);
    stars.retain(|s| !land.is_land(s.x, s.y));
    stars.sort_by(|a, b| {
        b.flux
            .total_cmp(&a.flux)
            .then(a.y.total_cmp(&b.y))
            .then(a.x.total_cmp(&b.x))
    });
    stars.truncate(settings.max_stars);
    let trail_px = trails.map_or(0.0, |t| median(t.iter().map(|t| t.length).collect()));
    compose(image, stars, Some(&background), land, trail_px)
}

/// Measures the stars' width from the brightest unsaturated pixel of each mesh cell.
fn guess_sigma(image: &Plane, background: &Background, settings: &DetectSettings) -> f64 {
    const START: f64 = 1.2;
    const TOPS: usize = 400;
    let cell = settings.background.mesh_px.max(16);
    let columns = image.width().div_ceil(cell);
    let tops: Vec<(usize, usize)> = (0..columns * image.height().div_ceil(cell))
        .into_par_iter()
        .filter_map(|i| {
            brightest(
                image,
                background,
                settings.saturation,
                ((i % columns) * cell, (i / columns) * cell),
                cell,
            )
        })
        .collect();
    // A few hundred, from all over the frame, say it as well as thousands.
    let step = tops.len().div_ceil(TOPS).max(1);
    let tops: Vec<(usize, usize)> = tops.into_iter().step_by(step).collect();
    let mut sigma = START;
    for _ in 0..3 {
        let window = Moments::round(std::f64::consts::SQRT_2 * sigma);
        let widths: Vec<f32> = tops
            .par_iter()
            .filter_map(|&(x, y)| {
                let sky = LocalSky::around(image, background, x as f64, y as f64, 5.0 * sigma + 2.0);
                let (_, short, _) = centre(image, &sky, (x as f64, y as f64), window)?.moments?.axes();
                let width = short.sqrt() as f32;
                (width > 0.45 && width < 8.0).then_some(width)
            })
            .collect();
        if widths.len() < 5 {
            return sigma;
        }
        let next = f64::from(median(widths)).clamp(0.55, 6.0);
        let settled = (next / sigma - 1.0).abs() < 0.1;
        sigma = next;
        if settled {
            break;
        }
    }
    sigma
}

fn brightest(
    image: &Plane,
    background: &Background,
    saturation: f32,
    (x0, y0): (usize, usize),
    cell: usize,
) -> Option<(usize, usize)> {
    let (level, noise) = (
        background.level_at((x0 + cell / 2) as f64, (y0 + cell / 2) as f64),
        background.noise_at((x0 + cell / 2) as f64, (y0 + cell / 2) as f64),
    );
    let most = 0.8 * saturation;
    let mut best = (level + 15.0 * noise, None);
    for y in y0..(y0 + cell).min(image.height()) {
        let row = &image.row(y)[x0..(x0 + cell).min(image.width())];
        let fits = |v: f32| if v < most { v } else { f32::NEG_INFINITY };
        let top = row.iter().fold(best.0, |top, v| top.max(fits(*v)));
        if top > best.0 {
            best = (top, row.iter().position(|v| *v == top).map(|i| (x0 + i, y)));
        }
    }
    best.1
}

/// The noise of the filtered plane. Demosaiced pixels are not independent, so it is measured,
/// not computed from the noise of a pixel.
fn filtered_noise(filtered: &Plane, settings: &DetectSettings) -> Background {
    // Neighbours say nearly the same after the filter; every second pixel is enough.
    Background::sampled(filtered, None, &settings.background, 2)
}

/// Drops what has not the shape of the frame's stars.
fn keep_star_like(stars: Vec<Star>, sigma: f64, trailed: bool) -> Vec<Star> {
    let sure = |s: &&Star| s.snr > 12.0 && !s.saturated && s.fwhm_px > 0.0;
    let widths: Vec<f32> = stars.iter().filter(sure).map(|s| s.fwhm_px).collect();
    let lengths: Vec<f32> = stars.iter().filter(sure).map(|s| s.elongation).collect();
    let enough = widths.len() >= 5;
    let fwhm = if enough {
        median(widths)
    } else {
        (sigma * FWHM_PER_SIGMA) as f32
    };
    let elongation = if enough { median(lengths) } else { 1.1 };
    stars
        .into_iter()
        .filter_map(|mut s| {
            // Noise may leave no shape at all; a faint star is then kept as a typical one.
            if s.fwhm_px <= 0.0 {
                (s.fwhm_px, s.elongation) = (fwhm, elongation);
                return (s.snr < 12.0 && !trailed).then_some(s);
            }
            let slack = 1.0 + 4.0 / s.snr.max(1.0);
            // A hot pixel, demosaiced, is a tent about 1.8 pixels wide.
            let narrow = s.fwhm_px < 0.82 * fwhm / slack;
            let wide = s.snr > 9.0 && s.fwhm_px > 1.7 * fwhm * slack && !s.saturated;
            // Noise alone draws a faint star out.
            let sure = trailed || s.snr > 12.0;
            let drawn_out = !trailed && sure && s.elongation > 1.6 * elongation * slack && !s.saturated;
            (!narrow && !wide && !drawn_out).then_some(s)
        })
        .collect()
}

fn compose(
    image: &Plane,
    stars: Vec<Star>,
    background: Option<&Background>,
    land: LandMask,
    trail_px: f32,
) -> Field {
    let good: Vec<&Star> = stars
        .iter()
        .filter(|s| s.snr > 15.0 && !s.saturated)
        .take(300)
        .collect();
    let good = if good.len() >= 5 {
        good
    } else {
        stars.iter().collect()
    };
    let of = |value: fn(&Star) -> f32| good.iter().map(|s| value(s)).collect::<Vec<f32>>();
    let (angle, coherence) = common_direction(&good);
    let (level, noise) = background.map_or((0.0, 0.0), |b| typical_sky(b, &land));
    Field {
        width: image.width(),
        height: image.height(),
        background: level,
        noise,
        fwhm_px: median(of(|s| s.fwhm_px)),
        elongation: if good.is_empty() {
            1.0
        } else {
            median(of(|s| s.elongation))
        },
        trail_angle: angle,
        trail_px,
        trail_coherence: coherence,
        land,
        stars,
    }
}

/// The mean of doubled angles, weighted by how far each star is drawn out.
fn common_direction(stars: &[&Star]) -> (Angle, f32) {
    let (mut c, mut s, mut w) = (0.0, 0.0, 0.0);
    for star in stars {
        let weight = f64::from(star.elongation - 1.0).clamp(0.0, 2.0);
        c += weight * (star.angle * 2.0).cos();
        s += weight * (star.angle * 2.0).sin();
        w += weight;
    }
    if w <= 0.0 {
        return (Angle::from_rad(0.0), 0.0);
    }
    (Angle::from_rad(0.5 * s.atan2(c)), (s.hypot(c) / w) as f32)
}

fn typical_sky(background: &Background, land: &LandMask) -> (f32, f32) {
    let mut level = Vec::new();
    let mut noise = Vec::new();
    for cell in 0..background.level.len() {
        let centre = |i: usize| (i as f64 + 0.5) * background.mesh_px as f64 - 0.5;
        if !land.is_land(
            centre(cell % background.columns),
            centre(cell / background.columns),
        ) {
            level.push(background.level[cell]);
            noise.push(background.noise[cell]);
        }
    }
    (median(level), median(noise))
}

/// The median; 0 of nothing.
pub(crate) fn median(mut values: Vec<f32>) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}
