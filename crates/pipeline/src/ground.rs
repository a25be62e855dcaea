//! Directions in the ground frame, for the light that stays with the ground.

use nalgebra::{Unit, Vector3};
use nightloom_sky::Angle;
use nightloom_stack::GroundDirection;
use nightloom_stars::AirPath;

use super::canvas::Canvas;
use super::place::Placement;
use super::track::Tracked;

/// North, east and up of one moment in the reference camera's axes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Axes {
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

    /// At the moment of a placement; `None` where zenith or pole are not known.
    pub(super) fn at(placement: &Placement) -> Option<Self> {
        Self::of(
            &placement.pole?,
            placement.air_at(placement.instant)?.zeniths.first()?,
        )
    }

    fn ground(&self, star: &Vector3<f64>) -> Vector3<f64> {
        Vector3::new(self.east.dot(star), self.north.dot(star), self.up.dot(star))
    }

    /// Azimuth from north through east, 0° to 360°, and altitude of a direction.
    pub(super) fn place_of(&self, direction: &Vector3<f64>) -> [Angle; 2] {
        let d = self.ground(direction);
        let azimuth = d.x.atan2(d.y).to_degrees().rem_euclid(360.0);
        let altitude = d.z.atan2(d.x.hypot(d.y)).to_degrees();
        [azimuth, altitude].map(Angle::from_deg)
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

    #[test]
    fn the_four_ways_and_up() {
        // At 40° north in axes of north, up, and east.
        let (sin, cos) = 40f64.to_radians().sin_cos();
        let pole = Unit::new_normalize(Vector3::new(cos, sin, 0.0));
        let axes = Axes::of(&pole, &Vector3::y()).expect("no pole of the Earth");
        let place = |x: f64, y: f64, z: f64| axes.place_of(&Vector3::new(x, y, z)).map(Angle::deg);
        let near = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).abs() < 1e-9 && (a[1] - b[1]).abs() < 1e-9;
        assert!(near(place(1.0, 0.0, 0.0), [0.0, 0.0]));
        assert!(
            near(place(0.0, 0.0, 1.0), [90.0, 0.0]),
            "{:?}",
            place(0.0, 0.0, 1.0)
        );
        assert!(near(place(-1.0, 1.0, 0.0), [180.0, 45.0]));
        assert!(near(place(0.0, 0.0, -2.0), [270.0, 0.0]));
        assert!((place(0.0, 1.0, 0.0)[1] - 90.0).abs() < 1e-9);
    }
}
