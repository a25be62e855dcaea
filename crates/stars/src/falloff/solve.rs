//! The least squares behind the fall-off: each star's own light eliminated, the rest solved at once.

use nalgebra::{DMatrix, DVector};
use nightloom_optics::Lens;

use super::{Falloff, FalloffStar, powers};
use nightloom_fit::median;

/// ln of light a magnitude.
const LN_PER_MAG: f64 = 0.921_034_037;
/// p₁, p₂, p₃; κ and what bends it; g; c₁, c₂, and the crowd's light. The frames' scales follow.
const COMMON: usize = 10;
const AIR: usize = 3;
const TILT: usize = 5;
const COLOUR: usize = 7;
/// Magnitude that the crowd's light is told for.
const CROWD_MAG: f64 = 6.5;
/// Mean and spread of what is thought of them beforehand, ln of light: pupils that widen save two powers of
/// cos θ, barrels take half a magnitude and may bite late; extinction between a dry mountain and a hazy lowland, haze in layers bends it
/// by a tenth at six airmasses and makes a slope of some hundredths (common practice, no source).
const PRIOR: [(f64, f64); COMMON] = [
    (0.0, 0.6),
    (0.0, 0.6),
    (0.0, 0.45),
    (0.20 * LN_PER_MAG, 0.08 * LN_PER_MAG),
    (0.0, 0.004),
    (0.0, 0.04),
    (0.0, 0.04),
    (0.0, 0.4),
    (0.0, 0.2),
    (0.0, 0.3),
];
/// Spread of the slope where the airmass is not known: half a magnitude from side to side.
const BLIND_TILT: f64 = 0.25;
/// Spread of a frame's scale about what its catalogued stars say.
const SCALE: f64 = 5.0;
/// The colour of a typical star, B−V.
const USUAL_BV: f64 = 0.6;
/// Error of a sighting beside noise, as a part of the light: pixels differ in sensitivity, stars stand differently on
/// them.
const SIGHTING: f64 = 0.01;
/// Scatter of the catalogue at least, magnitudes: what V made from Hp leaves.
const CATALOGUE_MAG: f64 = 0.02;
/// Beaton & Tukey's (1974) biweight leaves out beyond this many σ.
const BIWEIGHT: f64 = 4.685;
/// Weights settle in five to eight.
const ROUNDS: usize = 15;
/// Error of how much more an aperture misses of a star in the corner, as a part of the light (nine painted nights: 2 %
/// on average) and three powers of a barrel that bites late (2 to 5 %), with and without airmass: without, a sky that fades downwards is in part taken for a lens.
const COMMON_ERROR: [f64; 2] = [0.03, 0.035];

/// One sighting as the fit needs it.
struct Seen {
    frame: usize,
    /// ln F less the natural law.
    value: f64,
    row: [f64; COMMON],
    variance: f64,
    trust: f64,
}

/// One star: its sightings, and what the catalogue says.
struct Track {
    seen: Vec<Seen>,
    /// −0.4 ln 10 · V and the powers of the colour.
    known: Option<Known>,
    trust: f64,
}

/// What the catalogue says of a star.
#[derive(Clone, Copy)]
struct Known {
    /// −0.4 ln 10 · V.
    light: f64,
    /// B−V less the usual, its square, and how much the crowd of stars too faint to be found adds to it: the fainter it
    /// is and the more sky an aperture holds, the more.
    terms: [f64; 3],
}

/// Scatter of the catalogued stars: of bright ones, and what the crowd's unevenness adds.
#[derive(Clone, Copy)]
struct Scatter {
    bright: f64,
    crowd: f64,
}

impl Scatter {
    fn of(self, known: &Known) -> f64 {
        self.bright.hypot(self.crowd * known.terms[2])
    }
}

pub(super) struct Fit {
    tracks: Vec<Track>,
    frames: usize,
    air_known: bool,
    /// Scatter of the catalogue, ln of light.
    scatter: Scatter,
    /// Factor on the sightings' errors.
    factor: f64,
    values: DVector<f64>,
    covariance: DMatrix<f64>,
}

impl Fit {
    pub(super) fn new(stars: &[FalloffStar], lens: &Lens, half: f64) -> Self {
        let air_known = !stars.is_empty() && stars.iter().all(|s| s.airmass.is_some());
        let count = stars.iter().map(|s| s.star + 1).max().unwrap_or(0);
        let frames = stars.iter().map(|s| s.frame + 1).max().unwrap_or(0);
        let mut tracks: Vec<Track> = (0..count)
            .map(|_| Track {
                seen: Vec::new(),
                known: None,
                trust: 1.0,
            })
            .collect();
        for star in stars {
            let Some(seen) = seen(star, lens, half) else {
                continue;
            };
            let track = &mut tracks[star.star];
            track.seen.push(seen);
            track.known = track.known.or_else(|| known(star, lens));
        }
        tracks.retain(|t| t.seen.len() > 1 || (t.known.is_some() && !t.seen.is_empty()));
        Self {
            tracks,
            frames,
            air_known,
            scatter: Scatter {
                bright: 0.3,
                crowd: 0.0,
            },
            factor: 1.0,
            values: DVector::zeros(COMMON + frames),
            covariance: DMatrix::zeros(0, 0),
        }
    }

    /// Stars that say anything.
    pub(super) fn telling(&self) -> usize {
        self.tracks.len()
    }

    pub(super) fn solve(&mut self) -> Option<Falloff> {
        let prior = self.prior();
        self.values = DVector::from_iterator(prior.len(), prior.iter().map(|p| p.0));
        for round in 0..ROUNDS {
            // The first look has no fall-off to go by yet and takes everything near.
            self.weigh(if round < 2 { 3.0 } else { 1.0 });
            self.step(&prior)?;
        }
        self.weigh(1.0);
        let known = || self.tracks.iter().filter(|t| t.known.is_some() && t.trust > 0.0);
        let catalogued = known().count();
        Some(Falloff {
            lens: Lens::rectilinear(1.0, 1, 1),
            half_diagonal_px: 1.0,
            polynomial: std::array::from_fn(|i| self.values[i]),
            covariance: std::array::from_fn(|i| std::array::from_fn(|j| self.covariance[(i, j)])),
            common_error: COMMON_ERROR[usize::from(!self.air_known)],
            stars: [self.tracks.len(), catalogued],
            sightings: self.tracks.iter().map(|t| t.seen.len()).sum(),
            scatter_mag: if catalogued > 0 {
                self.scatter.bright / LN_PER_MAG
            } else {
                0.0
            },
            extinction_mag: [
                self.values[AIR] / LN_PER_MAG,
                self.covariance[(AIR, AIR)].max(0.0).sqrt() / LN_PER_MAG,
            ],
        })
    }

    /// Mean and spread of every unknown.
    fn prior(&self) -> Vec<(f64, f64)> {
        let mut prior = PRIOR.to_vec();
        if !self.air_known {
            prior[TILT].1 = BLIND_TILT;
            prior[TILT + 1].1 = BLIND_TILT;
        }
        let mut off: Vec<f64> = self
            .tracks
            .iter()
            .filter_map(|t| Some(t.seen.first()?.value - t.known?.light))
            .collect();
        let zero = median(&mut off).unwrap_or(0.0);
        prior.extend((0..self.frames).map(|_| (zero, SCALE)));
        prior
    }

    /// What is left of a sighting when all but the star's own light is taken off.
    fn own(&self, seen: &Seen) -> f64 {
        let common: f64 = seen.row.iter().zip(self.values.iter()).map(|(r, v)| r * v).sum();
        seen.value - common - self.values[COMMON + seen.frame]
    }

    /// The light that the catalogue gives a star.
    fn given(&self, known: &Known) -> f64 {
        let terms = known.terms.iter().zip(self.values.iter().skip(COLOUR));
        known.light + terms.map(|(t, v)| t * v).sum::<f64>()
    }

    /// Finds the scatters and from them how far each sighting and each star is trusted.
    fn weigh(&mut self, reach: f64) {
        let mut alone = Vec::new();
        let mut known = Vec::new();
        let means: Vec<f64> = self.tracks.iter().map(|t| self.mean(t)).collect();
        for (track, mean) in self.tracks.iter().zip(&means) {
            let n = track.seen.len() as f64;
            for seen in track.seen.iter().filter(|_| n > 1.0) {
                alone.push((self.own(seen) - mean) / seen.variance.sqrt() * (n / (n - 1.0)).sqrt());
            }
            if let Some(catalogue) = &track.known {
                known.push((catalogue.terms[2], mean - self.given(catalogue)));
            }
        }
        if alone.len() >= 20 {
            // Two sightings' residuals are alike but for the sign, which the median does not see.
            self.factor = spread_about_zero(&mut alone).clamp(0.5, 5.0);
        }
        self.scatter = scatter_of(known).unwrap_or(self.scatter);
        let (factor, scatter) = (self.factor, self.scatter);
        let trusts: Vec<(f64, Vec<f64>)> = self
            .tracks
            .iter()
            .zip(&means)
            .map(|(track, mean)| {
                let (off, scatter) = track
                    .known
                    .as_ref()
                    .map_or((0.0, 0.0), |k| (mean - self.given(k), scatter.of(k)));
                let sigma = scatter.hypot(factor * track.variance().sqrt());
                let each = |s: &Seen| {
                    let alone = track.seen.len() == 1;
                    if alone {
                        1.0
                    } else {
                        biweight((self.own(s) - mean) / (reach * factor * s.variance.sqrt()))
                    }
                };
                (
                    biweight(off / (reach * sigma)),
                    track.seen.iter().map(each).collect(),
                )
            })
            .collect();
        for (track, (trust, each)) in self.tracks.iter_mut().zip(trusts) {
            track.trust = trust;
            track.seen.iter_mut().zip(each).for_each(|(s, t)| s.trust = t);
        }
    }

    /// A star's own light by its sightings: their median, or mean of two, so that a spoilt one hardly counts.
    fn mean(&self, track: &Track) -> f64 {
        let mut all: Vec<f64> = track.seen.iter().map(|s| self.own(s)).collect();
        all.sort_by(f64::total_cmp);
        let n = all.len();
        0.5 * (all[(n - 1) / 2] + all[n / 2])
    }

    fn step(&mut self, prior: &[(f64, f64)]) -> Option<()> {
        let n = prior.len();
        let mut normal = DMatrix::<f64>::zeros(n, n);
        let mut right = DVector::<f64>::zeros(n);
        for (i, (mean, spread)) in prior.iter().enumerate() {
            normal[(i, i)] += spread.powi(-2);
            right[i] += mean * spread.powi(-2);
        }
        let mut mean = DVector::<f64>::zeros(n);
        for track in &self.tracks {
            self.add(track, &mut normal, &mut right, &mut mean);
        }
        let solver = normal.cholesky()?;
        self.values = solver.solve(&right);
        self.covariance = solver.inverse();
        Some(())
    }

    /// Adds a star's sightings and what the catalogue says of it, each against the mean of all.
    fn add(
        &self,
        track: &Track,
        normal: &mut DMatrix<f64>,
        right: &mut DVector<f64>,
        mean: &mut DVector<f64>,
    ) {
        mean.fill(0.0);
        let (mut total, mut sum) = (0.0, 0.0);
        let mut take = |terms: &[(usize, f64)], value: f64, weight: f64| {
            for &(a, va) in terms {
                mean[a] += weight * va;
                right[a] += weight * va * value;
                terms
                    .iter()
                    .for_each(|&(b, vb)| normal[(a, b)] += weight * va * vb);
            }
            total += weight;
            sum += weight * value;
        };
        for seen in &track.seen {
            let mut terms: Vec<(usize, f64)> = seen.row.iter().copied().enumerate().take(COLOUR).collect();
            terms.push((COMMON + seen.frame, 1.0));
            take(
                &terms,
                seen.value,
                seen.trust / (seen.variance * self.factor.powi(2)),
            );
        }
        if let Some(known) = &track.known {
            let terms: [(usize, f64); 3] = std::array::from_fn(|i| (COLOUR + i, -known.terms[i]));
            take(&terms, known.light, track.trust / self.scatter.of(known).powi(2));
        }
        if total > 0.0 {
            normal.ger(-1.0 / total, mean, mean, 1.0);
            right.axpy(-sum / total, mean, 1.0);
        }
    }
}

impl Track {
    /// Variance of the mean of its sightings.
    fn variance(&self) -> f64 {
        1.0 / self.seen.iter().map(|s| 1.0 / s.variance).sum::<f64>()
    }
}

/// `None` where the lens's image ends or the light is no number.
fn seen(star: &FalloffStar, lens: &Lens, half: f64) -> Option<Seen> {
    let cos = lens.angle_off_axis(star.at)?.cos();
    let d = [0, 1].map(|k| (star.at[k] - lens.centre_px[k]) / half);
    let [u, u2, u3] = powers(d[0] * d[0] + d[1] * d[1]);
    let airmass = star.airmass.unwrap_or(0.0);
    let beyond = (airmass - 1.0).max(0.0);
    let value = star.flux.ln() - cos.ln();
    let variance = star.noise.powi(2) + SIGHTING.powi(2);
    (value.is_finite() && variance.is_finite()).then_some(Seen {
        frame: star.frame,
        value,
        row: [u, u2, u3, -airmass, beyond * beyond, d[0], d[1], 0.0, 0.0, 0.0],
        variance,
        trust: 1.0,
    })
}

fn known(star: &FalloffStar, lens: &Lens) -> Option<Known> {
    let [v, b_v] = star.catalogue?;
    let scale = lens.scale_at(star.at)?;
    let solid = scale.radial.rad() * scale.tangential.rad() * lens.focal_px.powi(2);
    let colour = b_v - USUAL_BV;
    let crowd = solid * (LN_PER_MAG * (v - CROWD_MAG)).exp();
    Some(Known {
        light: -LN_PER_MAG * v,
        terms: [colour, colour * colour, crowd],
    })
}

/// Fewest stars that tell a scatter, and how many such lots there are at most.
const LOT: usize = 25;
const LOTS: usize = 8;

/// Scatter by the crowd's share and the residual of each star: a line through the squared scatters of lots of like
/// share, each weighted by its own error.
fn scatter_of(mut known: Vec<(f64, f64)>) -> Option<Scatter> {
    if known.len() < 3 {
        return None;
    }
    known.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let lots = (known.len() / LOT).clamp(1, LOTS);
    let [mut w, mut wx, mut wxx, mut wy, mut wxy] = [0.0; 5];
    for lot in known.chunks(known.len().div_ceil(lots)) {
        let mut off: Vec<f64> = lot.iter().map(|k| k.1).collect();
        let y = spread_about_zero(&mut off).max(1e-4).powi(2);
        let x = lot[lot.len() / 2].0.powi(2);
        // The error of a squared scatter goes with it.
        let weight = lot.len() as f64 / (y * y);
        (w, wx, wxx) = (w + weight, wx + weight * x, wxx + weight * x * x);
        (wy, wxy) = (wy + weight * y, wxy + weight * x * y);
    }
    let least = (CATALOGUE_MAG * LN_PER_MAG).powi(2);
    let slope = (w * wxy - wx * wy) / (w * wxx - wx * wx);
    let slope = if slope.is_finite() { slope.max(0.0) } else { 0.0 };
    let bright = (wy - slope * wx) / w;
    // Where a line through the lots would start below the catalogue's own error, it starts there.
    let (bright, crowd) = if bright < least {
        (least, ((wxy - least * wx) / wxx).max(0.0))
    } else {
        (bright, slope)
    };
    Some(Scatter {
        bright: bright.sqrt(),
        crowd: crowd.sqrt(),
    })
}

fn biweight(off: f64) -> f64 {
    let off = off / BIWEIGHT;
    if off.abs() < 1.0 {
        (1.0 - off * off).powi(2)
    } else {
        0.0
    }
}

/// 1.4826 times the median size.
fn spread_about_zero(values: &mut [f64]) -> f64 {
    values.iter_mut().for_each(|v| *v = v.abs());
    values.sort_by(f64::total_cmp);
    1.4826 * values[values.len() / 2]
}
