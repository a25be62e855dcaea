//! Cloud from starlight: where in the frame the catalogue's stars are fainter than elsewhere, or missing.

use nalgebra::SVector;
use nightloom_fit::{Loss, Normal, Robust, Row, Scale, median_of, quantile, robust};

use super::patchy::{Patchiness, patchiness};
use nightloom_stars::{Field, LightMiss};

/// A catalogue star that stands in the frame's sky.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SkyStar {
    /// Where it must be, pixels.
    pub x: f64,
    /// Where it must be, pixels.
    pub y: f64,
    /// Its magnitude.
    pub v_mag: f64,
    /// Its flux where it was found unsaturated.
    pub flux: Option<f64>,
    /// Whether it was found.
    pub found: bool,
}

/// What the known stars say of the sky's clearness.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Veil {
    /// Magnitude of a star of flux 1 (a saturated pixel's worth), as typical over the frame, where enough stars are not
    /// burnt out.
    pub zero_point: Option<f64>,
    /// What neighbouring stars' light shares once lens, air and colours are accounted for, where the frame's
    /// photometry stands.
    pub patchy: Option<Patchiness>,
    /// Share of the frame's parts where stars are missing that stand well above the noise there.
    pub blocked: f64,
    /// Share of the stars to that limit found in the whole frame.
    pub found: f64,
    /// Stars it rests on.
    pub stars: usize,
}

/// Fewer stars say nothing.
const LEAST: usize = 6;
/// What a surface without colours and air leaves on a clear night, magnitudes.
const ROUGH_MAG: f64 = 0.12;
/// Parts across and down.
const PARTS: [usize; 2] = [6, 4];
/// Stars a part needs to speak.
const SPEAKS: usize = 3;

/// Looks for cloud in the stars of the catalogue that stand in the sky of a frame of `width` × `height`.
///
/// `None` with fewer than 6 found and no photometry. `misses` are what the frame's photometry leaves of its stars, empty without;
/// `noise` is the noise of a pixel at a place. Vignetting and extinction are taken out first, so a veil that covers the
/// frame evenly is not seen here.
pub fn veil(
    stars: &[SkyStar],
    misses: &[LightMiss],
    [width, height]: [usize; 2],
    noise: impl Fn(f64, f64) -> f64,
) -> Option<Veil> {
    let measured: Vec<(&SkyStar, f64)> = stars
        .iter()
        .filter_map(|s| Some((s, s.v_mag + 2.5 * s.flux.filter(|f| *f > 0.0)?.log10())))
        .collect();
    let patchy = patchiness(misses, [width, height]);
    if measured.len() < LEAST {
        // Burnt-out stars tell by their skirts alone.
        let found = stars.iter().filter(|s| s.found).count();
        return patchy.map(|_| Veil {
            zero_point: None,
            patchy,
            blocked: 0.0,
            found: found as f64 / stars.len().max(1) as f64,
            stars: measured.len(),
        });
    }
    let place = |s: &SkyStar| {
        let half = 0.5 * (width as f64).hypot(height as f64);
        [
            (s.x - 0.5 * width as f64) / half,
            (s.y - 0.5 * height as f64) / half,
        ]
    };
    let part = |s: &SkyStar| {
        let at = |v: f64, n: usize, p: usize| ((v.max(0.0) * p as f64 / n as f64) as usize).min(p - 1);
        at(s.y, height, PARTS[1]) * PARTS[0] + at(s.x, width, PARTS[0])
    };
    let points: Vec<([f64; 2], f64)> = measured.iter().map(|(s, m)| (place(s), *m)).collect();
    let surface = fit(&points)?;
    let patchy = patchy.or_else(|| {
        // Without photometry (thick cloud spoils it) by the surface alone, which knows neither colours nor the air's curve.
        let rough: Vec<LightMiss> = measured
            .iter()
            .map(|(s, m)| LightMiss {
                at: [s.x, s.y],
                brighter_mag: m - surface.dot(&terms(place(s))),
                airmass: 0.0,
            })
            .collect();
        patchiness(&rough, [width, height]).map(|p| Patchiness {
            mag: (p.mag * p.mag - ROUGH_MAG * ROUGH_MAG).max(0.0).sqrt(),
            ..p
        })
    });
    let typical = median_of(stars.iter().map(|s| noise(s.x, s.y)))?.max(1e-12);
    // What a star is expected to give where it stands, over the noise there: corners and low sky are darker for all,
    // and a town's light hides faint stars as cloud does.
    let expected: Vec<Expected> = stars
        .iter()
        .map(|s| Expected {
            mag: s.v_mag - surface.dot(&terms(place(s))) + 2.5 * (noise(s.x, s.y) / typical).max(0.1).log10(),
            part: part(s),
            found: s.found,
        })
        .collect();
    let limit = limit(&expected);
    Some(Veil {
        zero_point: median_of(measured.iter().map(|m| m.1)),
        patchy,
        blocked: blocked(&expected, limit),
        found: share(expected.iter().filter(|s| s.mag < limit)),
        stars: measured.len(),
    })
}

fn terms([u, v]: [f64; 2]) -> SVector<f64, 4> {
    SVector::from([1.0, u, v, u * u + v * v])
}

fn fit(points: &[([f64; 2], f64)]) -> Option<SVector<f64, 4>> {
    fit_by(points, 0.3)
}

/// Least squares with Cauchy weights of `scale`.
fn fit_by(points: &[([f64; 2], f64)], scale: f64) -> Option<SVector<f64, 4>> {
    let row = |(p, m): &([f64; 2], f64)| Row {
        terms: terms(*p),
        value: *m,
        weight: 1.0,
    };
    let rows: Vec<_> = points.iter().map(row).collect();
    let start = SVector::from([median_of(points.iter().map(|p| p.1))?, 0.0, 0.0, 0.0]);
    let settings = Robust {
        loss: Loss::Cauchy,
        scale: Scale::Fixed(scale),
        rounds: 10,
    };
    robust(
        &rows,
        &Normal::with_ridge([1e-9, 0.5, 0.5, 0.5]),
        Some(start),
        &settings,
    )
}

/// A catalogue star with the brightness that it would have in a clear sky.
struct Expected {
    /// Magnitude of its flux.
    mag: f64,
    part: usize,
    found: bool,
}

/// A magnitude to which stars are found where the sky is clear.
fn limit(stars: &[Expected]) -> f64 {
    let mut found: Vec<f64> = stars.iter().filter(|s| s.found).map(|s| s.mag).collect();
    quantile(&mut found, 0.6).unwrap_or(f64::NEG_INFINITY)
}

fn share<'a>(stars: impl Iterator<Item = &'a Expected>) -> f64 {
    let (mut all, mut found) = (0.0, 0.0f64);
    for s in stars {
        all += 1.0;
        found += f64::from(u8::from(s.found));
    }
    if all > 0.0 { found / all } else { 1.0 }
}

fn blocked(stars: &[Expected], limit: f64) -> f64 {
    let mut shares = Vec::new();
    for part in 0..PARTS[0] * PARTS[1] {
        let own: Vec<&Expected> = stars.iter().filter(|s| s.mag < limit && s.part == part).collect();
        if own.len() >= SPEAKS {
            shares.push(share(own.into_iter()));
        }
    }
    if shares.len() < 4 {
        return 0.0;
    }
    // The clearest quarter is the measure.
    let clear = quantile(&mut shares.clone(), 0.75).unwrap_or(1.0);
    shares.iter().filter(|s| **s < 0.5 * clear).count() as f64 / shares.len() as f64
}

/// What the frame's stars and background say of cloud by themselves.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize)]
pub struct Patches {
    /// Share of the frame's parts of sky that hold hardly any star while others hold many.
    pub holes: f64,
    /// Spread of star counts from part to part beyond chance, natural logarithm.
    pub uneven: f64,
    /// Spread of the sky's level from part to part as a share of it, a smooth surface taken out.
    pub mottled: f64,
    /// Correlation of level and star counts over the parts, −1 to 1: the Milky Way's clouds of stars are
    /// bright, lit cloud is bright and empty.
    pub together: f64,
}

/// Looks for cloud without the catalogue. Dark nebulae and the Milky Way's edge are uneven too.
pub(super) fn patches(field: &Field, level: impl Fn(f64, f64) -> f64) -> Patches {
    let parts: Vec<Part> = parts(field, level);
    if parts.len() < 8 {
        return Patches::default();
    }
    let mut dense: Vec<f64> = parts.iter().map(|p| p.stars).collect();
    // Ten stars expected and two seen are no accident.
    let Some(many) = quantile(&mut dense, 0.75).filter(|m| *m >= 10.0) else {
        return Patches::default();
    };
    let n = parts.len() as f64;
    let points: Vec<([f64; 2], f64)> = parts.iter().map(|p| (p.at, p.level)).collect();
    let middle = median_of(parts.iter().map(|p| p.level)).unwrap_or(0.0).max(1e-9);
    let Some(smooth) = fit_by(&points, 0.1 * middle) else {
        return Patches::default();
    };
    let levels: Vec<f64> = parts
        .iter()
        .map(|p| p.level / smooth.dot(&terms(p.at)).max(0.2 * middle) - 1.0)
        .collect();
    let counts: Vec<f64> = parts.iter().map(|p| (p.stars + 1.0).ln()).collect();
    let mean = counts.iter().sum::<f64>() / n;
    let variance = counts.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let chance = parts.iter().map(|p| 1.0 / (p.stars + 1.0)).sum::<f64>() / n;
    let spread = levels.iter().map(|l| l * l).sum::<f64>() / n;
    let joint = levels
        .iter()
        .zip(&counts)
        .map(|(l, c)| l * (c - mean))
        .sum::<f64>()
        / n;
    Patches {
        holes: dense.iter().filter(|c| **c < 0.25 * many).count() as f64 / n,
        uneven: (variance - chance).max(0.0).sqrt(),
        mottled: spread.sqrt(),
        together: joint / (spread * variance).sqrt().max(1e-12),
    }
}

/// One part of the frame that is sky for the most.
struct Part {
    at: [f64; 2],
    stars: f64,
    level: f64,
}

fn parts(field: &Field, level: impl Fn(f64, f64) -> f64) -> Vec<Part> {
    let number = |x: f64, y: f64| {
        let at = |v: f64, n: usize, p: usize| ((v.max(0.0) * p as f64 / n.max(1) as f64) as usize).min(p - 1);
        at(y, field.height, PARTS[1]) * PARTS[0] + at(x, field.width, PARTS[0])
    };
    let side = field.land.cell_px as f64;
    let half = 0.5 * (field.width as f64).hypot(field.height as f64);
    let mut cells = [0.0f64; PARTS[0] * PARTS[1]];
    let mut levels = vec![Vec::new(); cells.len()];
    for (i, land) in field.land.land.iter().enumerate() {
        let (x, y) = (
            ((i % field.land.columns) as f64 + 0.5) * side,
            ((i / field.land.columns) as f64 + 0.5) * side,
        );
        cells[number(x, y)] += 1.0;
        if !land {
            levels[number(x, y)].push(level(x, y));
        }
    }
    let mut counts = [0.0f64; PARTS[0] * PARTS[1]];
    for s in &field.stars {
        counts[number(s.x, s.y)] += 1.0;
    }
    (0..cells.len())
        .filter_map(|p| {
            let sky = levels[p].len() as f64;
            if sky < 0.6 * cells[p] {
                return None;
            }
            let centre =
                |k: usize, n: usize, parts: usize| ((k as f64 + 0.5) / parts as f64 - 0.5) * n as f64 / half;
            Some(Part {
                at: [
                    centre(p % PARTS[0], field.width, PARTS[0]),
                    centre(p / PARTS[0], field.height, PARTS[1]),
                ],
                stars: counts[p] * cells[p] / sky,
                level: median_of(levels[p].iter().copied())?,
            })
        })
        .collect()
}
