//! What the night sky's own light is made of, by altitude and azimuth, and what shines through it.
//!
//! Airglow grows towards the horizon as its layer is seen aslant (van Rhijn 1921) and is dimmed by the air; a town's light
//! falls off upwards and to both sides. The Milky Way lies where it lies: it is fitted beside them, so that no part of it is
//! taken for them.

use nalgebra::Vector3;
use nightloom_sky::subjects::milky_way::galactic_from_icrs;
use nightloom_sky::{Angle, airmass_kasten_young, extinction_factor};
use nightloom_stack::SkyTerms;

use super::canvas::Canvas;
use super::ground;
use super::track::Tracked;

/// Radius of the Earth over that of the airglow's layer, 90 km up (Leinert et al. 1998, A&AS 127, 1, section 6).
const LAYER: f64 = 6378.0 / 6468.0;
/// Extinction that a wide source feels, magnitudes per airmass (common practice, no source).
const EXTINCTION_MAG: f64 = 0.15;
/// Altitudes over which light of towns falls off, degrees (common practice, no source).
const DOMES_DEG: [f64; 2] = [5.0, 15.0];
/// Bands of the Milky Way: their galactic latitude and half width, degrees (standard deviation); two beside the dust lane and
/// a broad one. And the bulge round the core.
const BANDS_DEG: [(f64, f64); 3] = [(3.0, 4.0), (-3.0, 4.0), (0.0, 11.0)];
const BULGE_DEG: f64 = 9.0;

/// Light that differs from side to side is a sum of lights in so many directions across the picture.
const SIDES: usize = 3;

/// Terms of the sky's own light, and of the Milky Way: lights, none below zero. `None` where place, times or stars are not
/// known.
pub(super) fn terms<'a>(canvas: &'a Canvas, tracked: &'a Tracked) -> Option<[Box<SkyTerms<'a>>; 2]> {
    let ground = ground::shown(canvas, tracked)?;
    let azimuths = Sides::across(canvas, &|pixel| Some(angle(&ground(pixel)?, [1, 0])))?;
    let own = move |pixel: [f64; 2]| {
        let d = ground(pixel)?;
        let altitude = d.z.clamp(-1.0, 1.0).asin();
        let [glow, clear] = airglow(altitude);
        let sides = azimuths.at(angle(&d, [1, 0]));
        let mut out = vec![1.0, clear];
        out.extend(sides.map(|s| glow * s));
        for dome in DOMES_DEG {
            let light = (-altitude.to_degrees() / dome).min(1.0).exp();
            out.extend(sides.map(|s| light * s));
        }
        Some(out)
    };
    let to_galactic = galactic_from_icrs() * tracked.identified.as_ref()?.attitude.inverse();
    let galactic = move |pixel: [f64; 2]| Some(to_galactic * canvas.star_direction(pixel)?);
    let longitudes = Sides::across(canvas, &|pixel| Some(angle(&galactic(pixel)?, [0, 1])))?;
    let ground = ground::shown(canvas, tracked)?;
    let milky_way = move |pixel: [f64; 2]| {
        let star = galactic(pixel)?;
        let [_, clear] = airglow(ground(pixel)?.z.clamp(-1.0, 1.0).asin());
        let latitude = star.z.clamp(-1.0, 1.0).asin().to_degrees();
        let sides = longitudes.at(angle(&star, [0, 1]));
        let bell = |x: f64, width: f64| (-0.5 * (x / width).powi(2)).exp();
        let mut out = Vec::with_capacity(3 * SIDES + 1);
        for (centre, width) in BANDS_DEG {
            let band = clear * bell(latitude - centre, width);
            out.extend(sides.map(|s| band * s));
        }
        let from_core = star.x.clamp(-1.0, 1.0).acos().to_degrees();
        out.push(clear * bell(from_core, BULGE_DEG));
        Some(out)
    };
    Some([Box::new(own), Box::new(milky_way)])
}

/// Angle of a direction in the plane of two of its axes.
fn angle(direction: &Vector3<f64>, [a, b]: [usize; 2]) -> f64 {
    direction[b].atan2(direction[a])
}

/// Directions across a picture, in the plane that an angle is measured in.
#[derive(Clone, Copy)]
struct Sides {
    middle: f64,
    step: f64,
}

impl Sides {
    /// Over the span of angles that a picture shows.
    fn across(canvas: &Canvas, angle: &dyn Fn([f64; 2]) -> Option<f64>) -> Option<Self> {
        let (w, h) = (canvas.width as f64, canvas.height as f64);
        let middle = angle([0.5 * w, 0.5 * h])?;
        let rim = (0..=8).flat_map(|i| {
            let t = f64::from(i) / 8.0;
            [[t * w, 0.0], [t * w, h], [0.0, t * h], [w, t * h]]
        });
        let away = rim.filter_map(angle).map(|a| turned(a - middle).abs());
        let span = away.fold(0.01f64, f64::max);
        Some(Self {
            middle,
            step: 2.0 * span / (SIDES - 1) as f64,
        })
    }

    /// The share of each direction at an angle: 1 in all, and straight from one to the next.
    fn at(&self, angle: f64) -> [f64; SIDES] {
        let t = turned(angle - self.middle) / self.step + 0.5 * (SIDES - 1) as f64;
        let t = t.clamp(0.0, (SIDES - 1) as f64);
        // A smooth step, so that no crease is seen.
        let ease = |x: f64| x * x * (3.0 - 2.0 * x);
        std::array::from_fn(|k| ease((1.0 - (t - k as f64).abs()).max(0.0)))
    }
}

/// An angle between −π and π.
fn turned(angle: f64) -> f64 {
    (angle + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU) - std::f64::consts::PI
}

/// Airglow and clearness of the air at an altitude (radians), 1 at the zenith.
fn airglow(altitude: f64) -> [f64; 2] {
    let altitude = altitude.max(0.0);
    let airmass = airmass_kasten_young(Angle::from_rad(altitude));
    let clear = extinction_factor(EXTINCTION_MAG, airmass - 1.0);
    let aslant = 1.0 / (1.0 - (LAYER * altitude.cos()).powi(2)).sqrt();
    [aslant * clear, clear]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn directions_share_the_light_among_them() {
        let sides = Sides {
            middle: 3.0,
            step: 0.3,
        };
        for angle in [2.0, 2.7, 2.8, 3.0, 3.1, 3.29, -3.0, 4.0] {
            let shares = sides.at(angle);
            assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-12, "{shares:?}");
        }
        let near =
            |angle: f64, wanted: [f64; 3]| (0..3).all(|k| (sides.at(angle)[k] - wanted[k]).abs() < 1e-9);
        assert!(near(3.0, [0.0, 1.0, 0.0]) && near(2.7, [1.0, 0.0, 0.0]));
    }

    #[test]
    fn airglow_is_as_van_rhijn_has_it() {
        // Leinert et al. 1998, section 6.1: for a layer at 90 km the factor at the horizon is about 6.
        let aslant = |deg: f64| {
            let [glow, clear] = airglow(deg.to_radians());
            glow / clear
        };
        assert!((aslant(90.0) - 1.0).abs() < 1e-9);
        assert!((aslant(0.0) - 6.0).abs() < 0.1, "{}", aslant(0.0));
        // 1/√(1 − (R/(R + h))² sin² z) at z = 60° and 80°, by hand.
        assert!((aslant(30.0) - 1.922).abs() < 0.001, "{}", aslant(30.0));
        assert!((aslant(10.0) - 4.190).abs() < 0.001, "{}", aslant(10.0));
    }
}
