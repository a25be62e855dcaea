//! Finding stars: matched filter, peaks, and what separates a star from a spike, a streak or a
//! twig.

use nightloom_fit::{median_of, quantile};
use nightloom_raster::Plane;
use nightloom_sky::Angle;
use rayon::prelude::*;

use crate::components::components;
use crate::faint_lines::FaintLines;
use crate::land_finder::Ground;
use crate::shape::{FWHM_PER_SIGMA, LocalSky, Moments, centre};
use crate::spot::Scene;
use crate::streaks::find_streaks;
use crate::trails::find_trails;
use crate::{Background, BackgroundSettings, DetectSettings, Field, LandMask, Star, Trails};

/// Frames of more pixels tell their background by a quarter of them: a cell of 64 pixels still has a thousand.
const MANY_PIXELS: usize = 8_000_000;

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
    let stride = if width * height > MANY_PIXELS { 2 } else { 1 };
    let settings = &DetectSettings {
        saturation: saturation(image, settings.saturation),
        ..*settings
    };
    let (background, ground) = rayon::join(
        || Background::sampled(image, None, &settings.background, stride),
        || Ground::new(image, &settings.land),
    );
    let surely = ground.as_ref().map(Ground::surely);
    let sigma = settings.fwhm_px.map_or_else(
        || guess_sigma(image, &background, surely.as_ref(), settings),
        |f| f64::from(f) / FWHM_PER_SIGMA,
    );
    let filtered = crate::filter::matched(image, &background, sigma);
    let noise = filtered_noise(&filtered, &background, settings, stride + 1);
    let (patches, peaks) = components(&filtered, &noise, settings.threshold_sigma);
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
    // Where stars are trailed, a long patch is one of them.
    let faint = trails
        .is_none()
        .then(|| FaintLines::new(&filtered, &noise, &patches, sigma));
    let mut stars = match &trails {
        Some(trails) => scene.measure_trails(trails),
        None => {
            let peaks = scene.clean_peaks(&filtered, &noise, (&patches, peaks), surely.as_ref());
            // Giving back so much memory takes a while.
            rayon::spawn(move || drop(filtered));
            scene.measure_points(&peaks)
        }
    };
    stars = keep_star_like(stars, sigma, trails.is_some());
    let land = ground.map_or_else(
        || LandMask::all_sky(width, height, settings.land.cell_px),
        |ground| ground.find_land(&stars, &settings.land),
    );
    stars.retain(|s| !land.is_land(s.x, s.y));
    let streaks = faint.map_or_else(Vec::new, |faint| {
        find_streaks(image, &background, &patches, faint, sigma, &land)
    });
    stars.sort_by(|a, b| {
        b.flux
            .total_cmp(&a.flux)
            .then(a.y.total_cmp(&b.y))
            .then(a.x.total_cmp(&b.x))
    });
    stars.truncate(settings.max_stars);
    let trail_px = trails.map_or(0.0, |t| median_of(t.iter().map(|t| t.length)).unwrap_or(0.0));
    Field {
        streaks,
        ..compose(image, stars, Some(&background), land, trail_px)
    }
}

/// Pixels of every second row within a fiftieth of a frame's highest, from which on that is where it saturates.
const PLATEAU: usize = 8;

/// The level of saturation: as told, or lower where many pixels stand at the frame's highest level. Files do not
/// always tell their white, and what mixes colours saturates below it.
fn saturation(image: &Plane, told: f32) -> f32 {
    const NEAR: f32 = 0.98;
    const LEAST: f32 = 0.05;
    const MOST_PART: f64 = 0.01;
    // Every second row: a burnt-out core is higher than one.
    let rows = (0..image.height())
        .into_par_iter()
        .step_by(2)
        .map(|y| image.row(y));
    let top = rows
        .clone()
        .map(|row| row.iter().fold(0.0f32, |top, v| if *v > top { *v } else { top }))
        .reduce(|| 0.0, f32::max);
    if !(LEAST..told).contains(&top) {
        return told;
    }
    let near: usize = rows
        .map(|row| row.iter().filter(|v| **v >= NEAR * top).count())
        .sum();
    let some = near >= PLATEAU && (near as f64) < MOST_PART * image.data().len() as f64;
    if some { NEAR * top } else { told }
}

/// Measures the stars' width from the brightest unsaturated pixel of each mesh cell that is not `land`.
fn guess_sigma(
    image: &Plane,
    background: &Background,
    land: Option<&LandMask>,
    settings: &DetectSettings,
) -> f64 {
    const START: f64 = 1.2;
    const TOPS: usize = 160;
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
        .filter(|(x, y)| !land.is_some_and(|l| l.is_land(*x as f64, *y as f64)))
        .collect();
    // Some, from all over the frame, say it as well as thousands.
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
        let next = f64::from(commonest(widths)).clamp(0.55, 6.0);
        let settled = (next / sigma - 1.0).abs() < 0.1;
        sigma = next;
        if settled {
            break;
        }
    }
    sigma
}

/// The middle of the shortest stretch of values, by their ratio, that holds half of them: stars are alike, what
/// else stands in a frame is of all widths.
fn commonest(mut values: Vec<f32>) -> f32 {
    values.sort_unstable_by(f32::total_cmp);
    let half = values.len().div_ceil(2);
    let from = (0..=values.len() - half)
        .min_by(|a, b| {
            let ratio = |i: usize| values[i + half - 1] / values[i];
            ratio(*a).total_cmp(&ratio(*b))
        })
        .unwrap_or(0);
    values[from + half / 2]
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

/// Where the filtered noise is clipped, so that the skirts of stars hardly count.
const NOISE_CLIP: f32 = 2.5;
/// The standard deviation that a normal distribution of 1 shows when clipped there again and again:
/// s = √(1 − 2 a φ(a) / (2 Φ(a) − 1)) with a = 2.5 s.
const CLIPPED_TO: f32 = 0.9365;
/// Part of the mesh that shows what the filter makes of the pixels' noise.
const LOW_PART: f64 = 0.3;
/// Part of the noise as measured that is left at least.
const MOST_LESS: f32 = 0.85;

/// The noise of the filtered plane. Demosaiced pixels are not independent, so it is measured, not
/// computed from the noise of a pixel.
///
/// Where stars stand thick, their skirts pass for noise, in the filtered plane more than in the
/// pixels. What the filter makes of the pixels' noise is the same all over the frame, so it is taken
/// from where it is least, as far as that changes the noise little.
fn filtered_noise(
    filtered: &Plane,
    background: &Background,
    settings: &DetectSettings,
    stride: usize,
) -> Background {
    let settings = BackgroundSettings {
        clip_sigma: NOISE_CLIP,
        ..settings.background
    };
    let mut noise = Background::sampled(filtered, None, &settings, stride);
    let pairs = || {
        noise
            .noise
            .iter()
            .zip(&background.noise)
            .filter(|(_, p)| **p > 0.0)
    };
    let mut ratios: Vec<f32> = pairs().map(|(f, p)| f / p).collect();
    let Some(ratio) = quantile(&mut ratios, LOW_PART) else {
        return noise;
    };
    for (filtered, pixel) in noise.noise.iter_mut().zip(&background.noise) {
        *filtered = filtered.min((pixel * ratio).max(MOST_LESS * *filtered)) / CLIPPED_TO;
    }
    noise
}

/// Full width at half maximum that no star falls short of, pixels: a point of light is a pixel wide
/// already.
const NARROWEST_PX: f32 = 1.1;

/// Drops what stands in the very middle of pixels, where more does than chance would have: hot pixels
/// of a dark frame, demosaiced or not.
fn without_pinned(mut stars: Vec<Star>) -> Vec<Star> {
    const NEAR_PX: f64 = 0.12;
    const LEAST: usize = 6;
    let pinned = |s: &Star| (s.x - s.x.round()).abs() < NEAR_PX && (s.y - s.y.round()).abs() < NEAR_PX;
    let sharp = |s: &&Star| s.snr > 12.0 && !s.saturated;
    let (all, on_pixels) = stars
        .iter()
        .filter(sharp)
        .fold((0, 0), |(all, on), s| (all + 1, on + usize::from(pinned(s))));
    // Chance puts one in seventeen there.
    if on_pixels >= LEAST && on_pixels * 3 > all {
        stars.retain(|s| !pinned(s));
    }
    stars
}

/// Drops what has not the shape of the frame's stars.
fn keep_star_like(stars: Vec<Star>, sigma: f64, trailed: bool) -> Vec<Star> {
    let stars = without_pinned(stars);
    let sure = |s: &&Star| s.snr > 12.0 && !s.saturated && s.fwhm_px > 0.0;
    let widths: Vec<f32> = stars.iter().filter(sure).map(|s| s.fwhm_px).collect();
    let lengths: Vec<f32> = stars.iter().filter(sure).map(|s| s.elongation).collect();
    let enough = widths.len() >= 5;
    let fwhm = if enough {
        commonest(widths)
    } else {
        (sigma * FWHM_PER_SIGMA) as f32
    };
    let elongation = if enough {
        median_of(lengths).unwrap_or(0.0)
    } else {
        1.1
    };
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
            // Fainter ones were judged by their light's own noise.
            let narrow = s.snr > 12.0 && s.fwhm_px < (0.82 * fwhm / slack).max(NARROWEST_PX) && !s.saturated;
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
        fwhm_px: median_of(of(|s| s.fwhm_px)).unwrap_or(0.0),
        elongation: if good.is_empty() {
            1.0
        } else {
            median_of(of(|s| s.elongation)).unwrap_or(0.0)
        },
        trail_angle: angle,
        trail_px,
        trail_coherence: coherence,
        land,
        stars,
        streaks: Vec::new(),
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
    (median_of(level).unwrap_or(0.0), median_of(noise).unwrap_or(0.0))
}
