//! Hops to the pole: lines through two bright stars that run on to it, as the sky stands.

use nalgebra::{UnitVector3, Vector3};

use crate::pole::{PoleOffset, offset_from_pole};
use crate::{Angle, Observer, Target, catalogue, subjects};

/// A star of a hop, as seen.
#[derive(Clone, Debug, PartialEq)]
pub struct HopStar {
    /// Its name, letter, or number in the Hipparcos catalogue.
    pub name: String,
    /// Its number there.
    pub hip: u32,
    /// V magnitude.
    pub v_mag: f32,
    /// Above the horizon, lifted by refraction.
    pub altitude: Angle,
    /// From north through east.
    pub azimuth: Angle,
    /// From the pole, airless.
    pub offset: PoleOffset,
}

/// A line from one star through another to the pole.
#[derive(Clone, Debug, PartialEq)]
pub struct PoleHop {
    /// Where it begins.
    pub from: HopStar,
    /// What it goes through.
    pub through: HopStar,
    /// On from there by so many times the distance of the two.
    pub times: f64,
    /// How far from the pole it passes.
    pub passes: Angle,
}

/// Stars fainter than this are no help to the eye between clouds.
const FAINTEST: f32 = 2.6;
/// Stars lower than this are behind something.
const LOWEST_DEG: f64 = 12.0;
/// How far from the pole a hop may begin.
const FARTHEST_DEG: f64 = 55.0;
/// Distance of a pair that the eye takes for one.
const PAIR_DEG: [f64; 2] = [2.5, 16.0];
/// Longest way on, in distances of the pair.
const MOST_TIMES: f64 = 6.5;
/// How far a line may pass from the pole.
const PASSES_DEG: f64 = 3.5;

/// The best hops to the pole above this horizon, at most `most`, the best first; no star is in two.
///
/// Out of all pairs of bright catalogue stars now high enough; aim and reach of the hand at arm's length decide.
pub fn pole_hops(observer: &Observer, most: usize) -> Vec<PoleHop> {
    let pole = observer.pole();
    let bright = bright(observer, &pole);
    let mut hops: Vec<(f64, PoleHop)> = Vec::new();
    for (from, a) in &bright {
        for (through, b) in &bright {
            if let Some((times, passes)) = run_on(a, b, &pole) {
                let cost = f64::from(from.v_mag + through.v_mag) + 0.6 * passes.deg() + 0.35 * times;
                let hop = PoleHop {
                    from: from.clone(),
                    through: through.clone(),
                    times,
                    passes,
                };
                hops.push((cost, hop));
            }
        }
    }
    hops.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut chosen: Vec<PoleHop> = Vec::new();
    for (_, hop) in hops {
        let in_use = |hip: u32| chosen.iter().any(|c| c.from.hip == hip || c.through.hip == hip);
        if chosen.len() < most && !in_use(hop.from.hip) && !in_use(hop.through.hip) {
            chosen.push(hop);
        }
    }
    for hop in &mut chosen {
        for star in [&mut hop.from, &mut hop.through] {
            star.name = name(star.hip);
        }
    }
    chosen
}

/// A catalogue star as seen from here.
pub fn hop_star(observer: &Observer, hip: u32) -> Option<HopStar> {
    let star = catalogue::stars().iter().find(|s| s.hip == hip)?;
    let mut seen = seen(observer, star).0;
    seen.name = name(hip);
    Some(seen)
}

fn name(hip: u32) -> String {
    subjects::find(&format!("HIP {hip}")).map_or_else(|_| format!("HIP {hip}"), |s| s.name)
}

fn seen(observer: &Observer, star: &crate::CatalogueStar) -> (HopStar, UnitVector3<f64>) {
    let place = observer.place(&Target::from(star));
    let seen = HopStar {
        name: String::new(),
        hip: star.hip,
        v_mag: star.v_mag,
        altitude: place.refracted_altitude,
        azimuth: place.azimuth,
        offset: offset_from_pole(&observer.pole(), &place.ground),
    };
    (seen, place.ground)
}

fn bright(observer: &Observer, pole: &Vector3<f64>) -> Vec<(HopStar, UnitVector3<f64>)> {
    catalogue::stars()
        .iter()
        .take_while(|s| s.v_mag < FAINTEST)
        .filter(|s| s.hip != crate::PoleStar::POLARIS.hip)
        .map(|s| seen(observer, s))
        .filter(|(s, ground)| s.altitude.deg() > LOWEST_DEG && ground.angle(pole).to_degrees() < FARTHEST_DEG)
        .collect()
}

/// How far on from b the great circle through a and b comes nearest to the pole, in their distances, and how near.
fn run_on(a: &Vector3<f64>, b: &Vector3<f64>, pole: &Vector3<f64>) -> Option<(f64, Angle)> {
    let apart = a.angle(b);
    if !(PAIR_DEG[0]..PAIR_DEG[1]).contains(&apart.to_degrees()) {
        return None;
    }
    let normal = a.cross(b).normalize();
    let passes = pole.dot(&normal).clamp(-1.0, 1.0).asin().abs();
    let foot = (pole - normal * pole.dot(&normal)).normalize();
    let onward = b.cross(&foot).dot(&normal).atan2(b.dot(&foot));
    let times = onward / apart;
    let fits = (0.8..MOST_TIMES).contains(&times) && passes.to_degrees() < PASSES_DEG;
    fits.then(|| (times, Angle::from_rad(passes)))
}
