//! Procedural texture: gradient noise and its sums (Perlin 1985, 2002).

use nightloom_fit::mix;

/// A field of smooth noise, one for each seed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Texture {
    seed: u64,
}

impl Texture {
    pub(crate) fn new(seed: u64) -> Self {
        Self { seed: mix(seed) }
    }

    /// Gradient noise in about −1 to 1, with features about one unit across.
    pub(crate) fn noise(&self, x: f64, y: f64, z: f64) -> f64 {
        let (fx, fy, fz) = (x.floor(), y.floor(), z.floor());
        let (dx, dy, dz) = (x - fx, y - fy, z - fz);
        let (ix, iy, iz) = (fx as i64, fy as i64, fz as i64);
        let (u, v, w) = (fade(dx), fade(dy), fade(dz));
        let corner = |a: i64, b: i64, c: i64| {
            self.gradient(
                ix + a,
                iy + b,
                iz + c,
                dx - a as f64,
                dy - b as f64,
                dz - c as f64,
            )
        };
        let plane = |c: i64| {
            let top = lerp(corner(0, 0, c), corner(1, 0, c), u);
            let bottom = lerp(corner(0, 1, c), corner(1, 1, c), u);
            lerp(top, bottom, v)
        };
        lerp(plane(0), plane(1), w)
    }

    /// Octaves of noise, each half as large and half as strong; about −1 to 1.
    pub(crate) fn fractal(&self, x: f64, y: f64, z: f64, octaves: usize) -> f64 {
        let (mut sum, mut strength, mut scale, mut total) = (0.0, 1.0, 1.0, 0.0);
        for octave in 0..octaves {
            let shift = octave as f64 * 17.31;
            sum += strength * self.noise(x * scale + shift, y * scale - shift, z * scale + 0.5 * shift);
            total += strength;
            strength *= 0.5;
            scale *= 2.03;
        }
        1.6 * sum / total
    }

    /// Octaves of folded noise: sharp crests, 0 to 1.
    pub(crate) fn ridged(&self, x: f64, y: f64, z: f64, octaves: usize) -> f64 {
        let (mut sum, mut strength, mut scale, mut total) = (0.0, 1.0, 1.0, 0.0);
        for octave in 0..octaves {
            let shift = octave as f64 * 9.7;
            let n = 1.0 - (1.5 * self.noise(x * scale + shift, y * scale + shift, z * scale - shift)).abs();
            sum += strength * n.max(0.0) * n.max(0.0);
            total += strength;
            strength *= 0.5;
            scale *= 2.1;
        }
        sum / total
    }

    #[inline]
    fn hash(&self, x: i64, y: i64, z: i64) -> u64 {
        let a = (x as u64).wrapping_mul(0x8da6_b343_9e37_79b1);
        let b = (y as u64).wrapping_mul(0xd816_3841_c2b2_ae35);
        let c = (z as u64).wrapping_mul(0xcb1a_b31f_27d4_eb2f);
        let mixed = (self.seed ^ a ^ b ^ c).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        (mixed ^ (mixed >> 29)).wrapping_mul(0x94d0_49bb_1331_11eb) >> 60
    }

    fn gradient(&self, x: i64, y: i64, z: i64, dx: f64, dy: f64, dz: f64) -> f64 {
        // Twelve edge directions of a cube, four of them twice (Perlin 2002).
        const EDGES: [[f64; 3]; 16] = [
            [1.0, 1.0, 0.0],
            [-1.0, 1.0, 0.0],
            [1.0, -1.0, 0.0],
            [-1.0, -1.0, 0.0],
            [1.0, 0.0, 1.0],
            [-1.0, 0.0, 1.0],
            [1.0, 0.0, -1.0],
            [-1.0, 0.0, -1.0],
            [0.0, 1.0, 1.0],
            [0.0, -1.0, 1.0],
            [0.0, 1.0, -1.0],
            [0.0, -1.0, -1.0],
            [1.0, 1.0, 0.0],
            [-1.0, 1.0, 0.0],
            [0.0, -1.0, 1.0],
            [0.0, -1.0, -1.0],
        ];
        let [ex, ey, ez] = EDGES[(self.hash(x, y, z) & 15) as usize];
        ex * dx + ey * dy + ez * dz
    }
}

fn fade(t: f64) -> f64 {
    t * t * t * (t * (t * 6.0 - 15.0) + 10.0)
}

pub(crate) fn lerp(a: f64, b: f64, t: f64) -> f64 {
    a + (b - a) * t
}

/// 0 below `from`, 1 above `to`, smooth between.
pub(crate) fn smoothstep(from: f64, to: f64, x: f64) -> f64 {
    let t = ((x - from) / (to - from)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}
