//! Directions in the ground frame, for the light that stays with the ground.

use nalgebra::{Unit, Vector3};
use nightloom_stack::GroundDirection;
use nightloom_stars::AirPath;

use super::canvas::Canvas;
use super::track::Tracked;

/// North, east and up of one moment in the reference camera's axes.
#[derive(Clone, Copy)]
struct Axes {
    east: Vector3<f64>,
    north: Vector3<f64>,
    up: Vector3<f64>,
}

impl Axes {
    /// `None` at the poles, where the sky turns and stays where it is.
    fn of(pole: &Unit<Vector3<f64>>, zenith: &Vector3<f64>) -> Option<Self> {
        let north = (pole.into_inner() - zenith * pole.dot(zenith)).try_normalize(1e-3)?;
        Some(Self {
            // The camera's frame is right-handed, as east, north, up is.
            east: north.cross(zenith),
            north,
            up: *zenith,
        })
    }

    fn ground(&self, star: &Vector3<f64>) -> Vector3<f64> {
        Vector3::new(self.east.dot(star), self.north.dot(star), self.up.dot(star))
    }
}

/// Where on the sky a canvas pixel's stars stand at the moment shown: east, north, up. `None` where place, times or stars
/// are not known.
pub(super) fn shown<'a>(canvas: &'a Canvas, tracked: &Tracked) -> Option<Box<GroundDirection<'a>>> {
    let zenith = canvas.air.as_ref()?.shown.zeniths.first()?;
    let axes = Axes::of(&tracked.pole?, zenith)?;
    Some(Box::new(move |pixel| {
        canvas.star_direction(pixel).map(|star| axes.ground(&star))
    }))
}

/// Where on the sky a canvas pixel's stars stood: while each of the `used` frames was taken, then under each zenith of
/// `of_land`, and at the moment shown. `None` where place, times or stars are not known.
pub(super) fn directions<'a>(
    canvas: &'a Canvas,
    tracked: &Tracked,
    used: &[usize],
    of_land: impl Iterator<Item = &'a AirPath>,
) -> Option<(Vec<Box<GroundDirection<'a>>>, Box<GroundDirection<'a>>)> {
    let (air, pole) = (canvas.air.as_ref()?, tracked.pole?);
    let through = |zenith: &Vector3<f64>| -> Option<Box<GroundDirection<'a>>> {
        let axes = Axes::of(&pole, zenith)?;
        Some(Box::new(move |pixel| {
            canvas.star_direction(pixel).map(|star| axes.ground(&star))
        }))
    };
    let stood = used
        .iter()
        .map(|&i| through(air.frames.zeniths.get(i)?))
        .chain(of_land.map(|air| through(air.zeniths.first()?)));
    Some((
        stood.collect::<Option<Vec<_>>>()?,
        through(air.shown.zeniths.first()?)?,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn north_lies_at_azimuth_zero_and_east_at_ninety() {
        // A camera that looks north at the horizon: x right is east, y down is down, z forward is north.
        let (zenith, latitude) = (-Vector3::y(), 40f64.to_radians());
        let pole = Unit::new_normalize(Vector3::new(0.0, -latitude.sin(), latitude.cos()));
        let axes = Axes::of(&pole, &zenith).expect("not at a pole");
        assert!((axes.ground(&Vector3::z()) - Vector3::y()).norm() < 1e-12);
        assert!((axes.ground(&Vector3::x()) - Vector3::x()).norm() < 1e-12);
        assert!((axes.ground(&zenith) - Vector3::z()).norm() < 1e-12);
    }
}
