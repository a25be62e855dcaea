//! The Milky Way as a smooth, made-up but not unlike model in galactic coordinates: a disc with the
//! star clouds and the dust lanes of its northern half.

use nalgebra::{Matrix3, Vector3};

use crate::texture::{Texture, smoothstep};

/// ICRS to galactic (ESA 1997, The Hipparcos and Tycho Catalogues, vol. 1, eq. 1.5.11).
pub(crate) fn galactic_from_icrs() -> Matrix3<f64> {
    Matrix3::new(
        -0.054_875_560_4,
        -0.873_437_090_2,
        -0.483_835_015_5,
        0.494_109_427_9,
        -0.444_829_630_0,
        0.746_982_244_5,
        -0.867_666_149_0,
        -0.198_076_373_4,
        0.455_983_776_2,
    )
}

/// Hydrogen clouds: galactic longitude, latitude, size (degrees), strength.
const NEBULAE: [[f64; 4]; 9] = [
    [84.8, -0.9, 0.75, 1.0],
    [84.2, 0.1, 0.45, 0.6],
    [78.6, 1.9, 1.0, 0.75],
    [79.6, 0.4, 0.9, 0.55],
    [76.9, 2.2, 0.7, 0.5],
    [74.0, -8.5, 1.1, 0.18],
    [99.3, 3.7, 1.2, 0.5],
    [118.5, 5.0, 0.8, 0.3],
    [134.6, 0.9, 0.9, 0.4],
];
/// The middle of the Great Rift: galactic longitude, latitude, half width, depth.
const RIFT: [[f64; 4]; 9] = [
    [0.0, 3.5, 4.5, 1.5],
    [18.0, 5.5, 3.2, 1.6],
    [30.0, 4.0, 2.6, 1.9],
    [42.0, 2.2, 2.4, 2.0],
    [54.0, 1.6, 2.3, 1.9],
    [66.0, 1.6, 2.2, 1.5],
    [76.0, 2.4, 2.3, 1.0],
    [86.0, 2.5, 2.4, 1.3],
    [98.0, 2.5, 3.0, 0.4],
];
/// Star clouds: galactic longitude, latitude, size along and across (degrees), strength.
const CLOUDS: [[f64; 5]; 6] = [
    [0.0, -2.0, 20.0, 6.0, 1.3],
    [27.0, -3.0, 5.0, 3.0, 0.8],
    [62.0, -2.5, 12.0, 4.0, 0.35],
    [73.0, 1.0, 8.0, 4.0, 0.75],
    [82.0, -3.0, 10.0, 4.5, 0.45],
    [112.0, -1.5, 12.0, 4.0, 0.2],
];

/// Light of one direction.
#[derive(Clone, Copy, Debug)]
pub(crate) struct MilkyWay {
    /// Starlight, in units of a sky of 22 mag/arcsec² in V.
    pub(crate) starlight: f64,
    /// How much of it dust has taken, as an optical depth; it reddens what is left.
    pub(crate) dust: f64,
    /// Hydrogen light, 0 to about 1.
    pub(crate) hydrogen: f64,
}

pub(crate) struct Galaxy {
    from_icrs: Matrix3<f64>,
    warp: Texture,
    lanes: Texture,
    clouds: Texture,
}

impl Galaxy {
    pub(crate) fn new(seed: u64) -> Self {
        Self {
            from_icrs: galactic_from_icrs(),
            warp: Texture::new(seed ^ 0x11),
            lanes: Texture::new(seed ^ 0x22),
            clouds: Texture::new(seed ^ 0x33),
        }
    }

    /// The light from a direction in ICRS; `fine` adds the finest lanes.
    pub(crate) fn at(&self, icrs: &Vector3<f64>, fine: bool) -> MilkyWay {
        let g = self.from_icrs * icrs;
        let b0 = g.z.clamp(-1.0, 1.0).asin().to_degrees();
        if b0.abs() > 55.0 {
            return MilkyWay {
                starlight: 0.08,
                dust: 0.0,
                hydrogen: 0.0,
            };
        }
        let octaves = if fine { 6 } else { 3 };
        let wx = self.warp.fractal(g.x * 5.0, g.y * 5.0, g.z * 5.0, 3);
        let wy = self.warp.fractal(g.y * 5.0 + 7.0, g.z * 5.0 - 3.0, g.x * 5.0, 3);
        let l = g.y.atan2(g.x).to_degrees() + 2.2 * wx;
        let b = b0 + 1.6 * wy;
        let texture = self.clouds.fractal(g.x * 9.0, g.y * 9.0, g.z * 12.0, octaves);
        let light = self.light(l, b) * (1.0 + 0.38 * texture).max(0.2);
        let dust = self.dust(&g, l, b, octaves);
        MilkyWay {
            starlight: 0.05 + light * (-dust).exp(),
            dust,
            hydrogen: self.hydrogen(&g, l, b0 + 0.5 * wy, octaves) * (-0.5 * dust).exp(),
        }
    }

    fn light(&self, l: f64, b: f64) -> f64 {
        let towards_centre = 0.42 + 0.75 * (-(wrapped(l) / 52.0).powi(2)).exp();
        let disc = 0.60 * (-0.5 * (b / 5.2).powi(2)).exp() + 0.42 * (-b.abs() / 11.0).exp();
        let clouds: f64 = CLOUDS
            .iter()
            .map(|[cl, cb, along, across, k]| {
                let (x, y) = (wrapped(l - cl) / along, (b - cb) / across);
                k * (-(x * x + y * y)).exp()
            })
            .sum();
        2.35 * (towards_centre * disc + clouds)
    }

    fn dust(&self, g: &Vector3<f64>, l: f64, b: f64, octaves: usize) -> f64 {
        let ribs = self.lanes.ridged(g.x * 11.0, g.y * 11.0, g.z * 16.0, octaves);
        let blots = self
            .lanes
            .fractal(g.x * 16.0 + 3.0, g.y * 16.0, g.z * 20.0, octaves);
        let lane = rift(wrapped(l)).map_or(0.0, |[middle, width, depth]| {
            let across = (b - middle) / width;
            depth * (-across * across).exp() * (0.75 + 0.65 * blots + 0.35 * ribs).max(0.05)
        });
        let threads = 0.75 * smoothstep(0.42, 0.8, ribs + 0.22 * blots) * (-(b / 7.5).powi(2)).exp();
        let branch =
            0.8 * (-((b - 9.0 + 0.1 * wrapped(l)) / 2.6).powi(2)).exp() * smoothstep(45.0, 20.0, wrapped(l));
        lane + threads + branch
    }

    fn hydrogen(&self, g: &Vector3<f64>, l: f64, b: f64, octaves: usize) -> f64 {
        let plain = g.y.atan2(g.x).to_degrees() * 0.75 + l * 0.25;
        let wisps = 0.55
            + 0.9
                * self
                    .clouds
                    .fractal(g.x * 40.0, g.y * 40.0, g.z * 40.0, octaves.min(4));
        let clouds: f64 = NEBULAE
            .iter()
            .map(|[nl, nb, size, k]| {
                let (x, y) = (wrapped(plain - nl) / size, (b - nb) / size);
                k * (-(x * x + y * y).powf(1.3)).exp()
            })
            .sum();
        let haze = 0.10 * (-((plain - 80.0) / 9.0).powi(2) - (b / 4.5).powi(2)).exp();
        (clouds + haze) * wisps.max(0.1)
    }
}

fn wrapped(degrees: f64) -> f64 {
    (degrees + 180.0).rem_euclid(360.0) - 180.0
}

fn rift(l: f64) -> Option<[f64; 3]> {
    RIFT.windows(2)
        .find(|pair| l >= pair[0][0] && l <= pair[1][0])
        .map(|pair| {
            let t = (l - pair[0][0]) / (pair[1][0] - pair[0][0]);
            [1, 2, 3].map(|i| pair[0][i] + (pair[1][i] - pair[0][i]) * t)
        })
}

#[cfg(test)]
mod tests {
    use super::galactic_from_icrs;
    use nalgebra::Vector3;

    /// The galactic pole at 192.85948°, +27.12825° and the centre at 266.40500°, −28.93617° (ESA 1997, vol. 1).
    #[test]
    fn pole_and_centre() {
        let m = galactic_from_icrs();
        let at = |ra: f64, dec: f64| {
            let (ra, dec) = (ra.to_radians(), dec.to_radians());
            m * Vector3::new(dec.cos() * ra.cos(), dec.cos() * ra.sin(), dec.sin())
        };
        assert!((at(192.859_48, 27.128_25) - Vector3::z()).norm() < 1e-6);
        assert!((at(266.405_00, -28.936_17) - Vector3::x()).norm() < 1e-6);
        assert!((m * m.transpose() - nalgebra::Matrix3::identity()).norm() < 1e-9);
    }
}
