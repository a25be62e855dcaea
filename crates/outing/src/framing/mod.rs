//! What the camera takes in: one frame or a panorama, where it is aimed, and whether it holds what it is to hold.

mod hold;
mod panorama;

use nalgebra::{Rotation3, Unit, Vector3};
use nightloom_optics::Lens;
use nightloom_sky::Angle;

pub use hold::{Held, Places, ToHold, hold};
pub use panorama::{Panorama, PanoramaFrame, PanoramaPace, covering, panorama};

/// A camera's aim, and how many frames make the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Framing {
    /// The lens with the sensor's middle as its centre.
    pub lens: Lens,
    /// Sensor in pixels, as the camera lies: width first.
    pub size_px: [f64; 2],
    /// Camera upright.
    pub portrait: bool,
    /// Azimuth of the picture's middle.
    pub azimuth: Angle,
    /// Altitude of the picture's middle.
    pub altitude: Angle,
    /// Frames across and rows up.
    pub frames: [usize; 2],
    /// Share of a frame that it has in common with its neighbour, 0 to 0.9.
    pub overlap: f64,
}

impl Framing {
    /// Field of one frame as it is held: width and height in degrees, through the middle.
    pub fn field_deg(&self) -> [f64; 2] {
        let [w, h] = self.size_px;
        let across = |a: [f64; 2], b: [f64; 2]| match (self.lens.unproject(a), self.lens.unproject(b)) {
            (Some(a), Some(b)) => a.angle(&b).to_degrees(),
            _ => 180.0,
        };
        let wide = across([0.0, h / 2.0], [w, h / 2.0]);
        let tall = across([w / 2.0, 0.0], [w / 2.0, h]);
        if self.portrait { [tall, wide] } else { [wide, tall] }
    }

    /// Middle of each frame: azimuth and altitude, row by row from below.
    ///
    /// Rows step in altitude by a frame's height less the overlap; the frames of a row step in azimuth by a frame's
    /// width less the overlap over the cosine of the altitude at which a row is widest, every row alike.
    pub fn aims(&self) -> Vec<[Angle; 2]> {
        let [wide, tall] = self.field_deg();
        let keep = 1.0 - self.overlap.clamp(0.0, 0.9);
        let [columns, rows] = self.frames.map(|n| n.max(1));
        let centred = |i: usize, n: usize, step: f64| (i as f64 - (n - 1) as f64 / 2.0) * step;
        let altitude = |row| (self.altitude.deg() + centred(row, rows, tall * keep)).clamp(-90.0, 90.0);
        // The row whose lowest edge is nearest to the horizon spans the fewest degrees of azimuth; all rows take its step,
        // so that the head turns to the same marks in each.
        let nearest = |row| (f64::abs(altitude(row)) - tall / 2.0).max(0.0).to_radians();
        let widest = (0..rows).map(nearest).fold(f64::INFINITY, f64::min);
        let step = (wide * keep / widest.cos().max(0.1)).min(90.0);
        let mut aims = Vec::with_capacity(columns * rows);
        for row in 0..rows {
            for column in 0..columns {
                let azimuth = (self.azimuth.deg() + centred(column, columns, step)).rem_euclid(360.0);
                aims.push([Angle::from_deg(azimuth), Angle::from_deg(altitude(row))]);
            }
        }
        aims
    }

    /// The border of a frame aimed so: directions in the ground frame.
    pub fn border(&self, aim: [Angle; 2]) -> Vec<Vector3<f64>> {
        let [right, down, forward] = self.axes(aim);
        let [w, h] = self.size_px;
        let corners = [[0.0, 0.0], [w, 0.0], [w, h], [0.0, h], [0.0, 0.0]];
        let side = |pair: &[[f64; 2]]| {
            let [a, b] = [pair[0], pair[1]];
            (0..24).map(move |i| {
                let t = f64::from(i) / 24.0;
                [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t]
            })
        };
        let points = corners.windows(2).flat_map(side);
        points
            .filter_map(|pixel| self.lens.unproject(pixel))
            .map(|d| right * d.x + down * d.y + forward * d.z)
            .collect()
    }

    /// The camera's right, down and forward in the ground frame (x east, y north, z up) where it is aimed so.
    fn axes(&self, [azimuth, altitude]: [Angle; 2]) -> [Vector3<f64>; 3] {
        let forward = direction(azimuth, altitude);
        let right = Vector3::new(azimuth.cos(), -azimuth.sin(), 0.0);
        let turn = if self.portrait {
            std::f64::consts::FRAC_PI_2
        } else {
            0.0
        };
        let roll = Rotation3::from_axis_angle(&Unit::new_normalize(forward), turn);
        [roll * right, roll * forward.cross(&right), forward]
    }

    /// By how many degrees a direction lies outside of the picture: 0 in any of its frames, `margin` times the frame's
    /// shorter side or more from its edges.
    pub fn outside_deg(&self, place: [Angle; 2], margin: f64) -> f64 {
        self.eyes(margin).outside_deg(place)
    }

    fn eyes(&self, margin: f64) -> Eyes<'_> {
        Eyes {
            framing: self,
            axes: self.aims().into_iter().map(|aim| self.axes(aim)).collect(),
            edge: margin * self.size_px[0].min(self.size_px[1]),
        }
    }

    /// Lowest and highest altitude in the picture, degrees, on the middle line of its lowest and highest row.
    pub fn altitudes_deg(&self) -> [f64; 2] {
        let half = self.field_deg()[1] / 2.0;
        let rows = self.aims().into_iter().map(|aim| aim[1].deg());
        rows.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], row| {
            [low.min(row - half), high.max(row + half)]
        })
    }
}

/// Every frame's axes, worked out once for many directions.
struct Eyes<'a> {
    framing: &'a Framing,
    axes: Vec<[Vector3<f64>; 3]>,
    /// Pixels that things are kept away from a frame's edges.
    edge: f64,
}

impl Eyes<'_> {
    fn outside_deg(&self, [azimuth, altitude]: [Angle; 2]) -> f64 {
        let towards = direction(azimuth, altitude);
        let of_frames = self
            .axes
            .iter()
            .map(|axes| self.outside_frame_deg(axes, &towards));
        of_frames.fold(f64::INFINITY, f64::min)
    }

    fn outside_frame_deg(&self, axes: &[Vector3<f64>; 3], towards: &Vector3<f64>) -> f64 {
        let Framing { lens, size_px, .. } = self.framing;
        let [x, y, z] = [0, 1, 2].map(|k| towards.dot(&axes[k]));
        let seen = Vector3::new(x, y, z);
        let off_middle = seen.angle(&Vector3::z()).to_degrees();
        let Some([x, y]) = lens.project(&seen).filter(|_| z > 0.0) else {
            return off_middle;
        };
        let inside = [0, 1].map(|k| [x, y][k].clamp(self.edge, size_px[k] - self.edge));
        if inside == [x, y] {
            return 0.0;
        }
        let at_edge = lens.unproject(inside);
        at_edge.map_or(off_middle, |d| d.angle(&seen).to_degrees())
    }
}

/// A unit vector in the ground frame: x east, y north, z up.
fn direction(azimuth: Angle, altitude: Angle) -> Vector3<f64> {
    Vector3::new(
        azimuth.sin() * altitude.cos(),
        azimuth.cos() * altitude.cos(),
        altitude.sin(),
    )
}
