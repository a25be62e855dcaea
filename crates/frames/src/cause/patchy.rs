//! Starlight that differs from part to part of a frame: neighbours that are faint together.
//!
//! Cloud dims all stars behind it, so what the photometry leaves of neighbouring stars goes together; errors of
//! single stars (the catalogue, variables, crowding, noise) do not. The mean product of neighbours' misses is the
//! variance of what they share, whatever their own scatter (the covariance function at short distance; e.g. Cressie
//! 1993, *Statistics for Spatial Data*, §2.4).

use nightloom_stars::LightMiss;

/// How far starlight differs from part to part.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Patchiness {
    /// Standard deviation of what neighbouring stars share, magnitudes; 0 where they share nothing.
    pub mag: f64,
    /// How many standard deviations of chance the shared variance stands above none.
    pub times_chance: f64,
    /// Stars it rests on.
    pub stars: usize,
}

/// Fewer stars say nothing.
const LEAST: usize = 20;
/// Nearer, one star's light reaches the other's ring; in halves of the frame's diagonal.
const NEAREST: f64 = 0.02;
/// Neighbours stand within a distance that gives each star so many of them, between these bounds: further apart, the
/// photometry's own surface has taken out what they share.
const NEIGHBOURS: f64 = 10.0;
const REACH: [f64; 2] = [0.16, 0.3];
/// A miss counts for so much at most, magnitudes: a blend or a wrong match says nothing of cloud.
const MOST_MAG: f64 = 0.8;
/// Through more air than this (below 15°) haze is uneven on clear nights too.
pub(super) const MOST_AIR: f64 = 3.8;

/// Looks for structure in the stars' misses over a frame of `width` × `height` pixels.
///
/// `None` with fewer than 20 stars or too few neighbours. Stars below 15° do not count, where it is known which are.
pub fn patchiness(misses: &[LightMiss], [width, height]: [usize; 2]) -> Option<Patchiness> {
    if misses.len() < LEAST {
        return None;
    }
    let half = 0.5 * (width as f64).hypot(height as f64);
    let high = || misses.iter().filter(|m| m.airmass < MOST_AIR);
    let mean = nightloom_fit::median_of(high().map(|m| m.brighter_mag))?;
    let mut stars: Vec<([f64; 2], f64)> = high()
        .map(|m| {
            (
                m.at.map(|v| v / half),
                (m.brighter_mag - mean).clamp(-MOST_MAG, MOST_MAG),
            )
        })
        .collect();
    stars.sort_by(|a, b| a.0[0].total_cmp(&b.0[0]).then(a.0[1].total_cmp(&b.0[1])));
    let area = (width * height) as f64 / (half * half);
    let reach = (NEIGHBOURS * area / (std::f64::consts::PI * stars.len().max(1) as f64)).sqrt();
    let reach = reach.clamp(REACH[0], REACH[1]);
    let (mut products, mut squares, mut pairs) = (0.0, 0.0, 0usize);
    for (i, (a, ra)) in stars.iter().enumerate() {
        for (b, rb) in stars[i + 1..].iter().take_while(|s| s.0[0] - a[0] <= reach) {
            let apart = (b[0] - a[0]).hypot(b[1] - a[1]);
            if (NEAREST..=reach).contains(&apart) {
                products += ra * rb;
                squares += (ra * rb).powi(2);
                pairs += 1;
            }
        }
    }
    if pairs < LEAST {
        return None;
    }
    let shared = products / pairs as f64;
    let chance = squares.sqrt() / pairs as f64;
    Some(Patchiness {
        mag: shared.max(0.0).sqrt(),
        times_chance: shared / chance.max(1e-12),
        stars: stars.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightloom_fit::Random;

    fn strewn(random: &mut Random, count: usize, shared: impl Fn([f64; 2]) -> f64) -> Vec<LightMiss> {
        (0..count)
            .map(|_| {
                let at = [random.between(0.0, 1500.0), random.between(0.0, 1000.0)];
                LightMiss {
                    at,
                    brighter_mag: 0.1 * random.normal() + shared(at),
                    airmass: 1.2,
                }
            })
            .collect()
    }

    #[test]
    fn what_neighbours_share_is_found_and_their_own_scatter_is_not() {
        let mut random = Random::new(11);
        for _ in 0..20 {
            let clear = patchiness(&strewn(&mut random, 300, |_| 0.0), [1500, 1000]).unwrap();
            assert!(clear.times_chance < 4.0, "{clear:?}");
            // A wave of amplitude 0.2 has the standard deviation 0.14.
            let wave = |at: [f64; 2]| 0.2 * (at[0] / 110.0).sin();
            let cloudy = patchiness(&strewn(&mut random, 300, wave), [1500, 1000]).unwrap();
            assert!(
                cloudy.times_chance > 6.0 && (0.07..0.16).contains(&cloudy.mag),
                "{cloudy:?}"
            );
        }
        assert_eq!(patchiness(&strewn(&mut random, 19, |_| 0.0), [1500, 1000]), None);
    }
}
