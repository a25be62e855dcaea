//! Noise taken by any strength from a layer and the same layer without all that is noise.
//!
//! [`reduce_noise`](nightloom_stack::reduce_noise) takes a share of what it finds to be noise, so that any share lies straight
//! between nothing and all of it: in the luminance (the mean of the channels) by one share, in the colours by another.

use nightloom_stack::NoiseReduction;

/// Shares for a strength of 1 as usual.
pub(super) fn shares(strength: f32) -> NoiseReduction {
    let usual = NoiseReduction::default();
    NoiseReduction {
        luminance: (strength * usual.luminance).clamp(0.0, 1.0),
        colour: (strength * usual.colour).clamp(0.0, 1.0),
    }
}

/// All of it.
pub const ALL: NoiseReduction = NoiseReduction {
    luminance: 1.0,
    colour: 1.0,
};

/// Of land: its texture is everywhere, and no quiet place tells luminance noise from it.
pub const COLOURS: NoiseReduction = NoiseReduction {
    luminance: 0.0,
    colour: 1.0,
};

/// One row with these shares of its noise taken; `quiet` is the row with all of it taken.
pub(super) fn run(layer: [&[f32]; 3], quiet: [&[f32]; 3], shares: &NoiseReduction, out: &mut [Vec<f32>; 3]) {
    let NoiseReduction { luminance, colour } = *shares;
    for (o, row) in out.iter_mut().zip(layer) {
        o.clear();
        o.extend_from_slice(row);
    }
    if luminance == 0.0 && colour == 0.0 {
        return;
    }
    let more = (luminance - colour) / 3.0;
    let [r, g, b] = out;
    for (x, ((r, g), b)) in r.iter_mut().zip(g.iter_mut()).zip(b.iter_mut()).enumerate() {
        let noise = [*r - quiet[0][x], *g - quiet[1][x], *b - quiet[2][x]];
        let grey = more * (noise[0] + noise[1] + noise[2]);
        *r -= colour * noise[0] + grey;
        *g -= colour * noise[1] + grey;
        *b -= colour * noise[2] + grey;
    }
}

#[cfg(test)]
mod tests {
    use nightloom_fit::Random;
    use nightloom_raster::{Plane, Rgb};
    use nightloom_stack::reduce_noise;

    use super::*;

    #[test]
    fn a_mix_is_what_the_reduction_itself_gives() {
        let mut random = Random::new(5);
        let layer = Rgb::from_planes([1.1, 1.0, 0.8].map(|tint| {
            Plane::from_fn(320, 280, |x, y| {
                let light: f32 = tint * if (x / 40 + y / 40) % 2 == 0 { 0.01 } else { 0.03 };
                light + 0.01 * light.sqrt() * random.normal() as f32
            })
        }));
        let with = |settings: &NoiseReduction| {
            let mut out = layer.clone();
            assert!(reduce_noise(&mut out, |_, _| true, None, settings));
            out
        };
        let all = with(&ALL);
        let mut out: [Vec<f32>; 3] = Default::default();
        for strength in [0.0, 0.4, 1.0, 1.5] {
            let shares = shares(strength);
            let direct = with(&shares);
            let mut worst = 0.0f32;
            for y in 0..layer.height() {
                let rows = |p: &'_ Rgb, c: usize| p.planes()[c].row(y).to_vec();
                let (a, b): (Vec<_>, Vec<_>) = (0..3).map(|c| (rows(&layer, c), rows(&all, c))).unzip();
                run([&a[0], &a[1], &a[2]], [&b[0], &b[1], &b[2]], &shares, &mut out);
                for (c, row) in out.iter().enumerate() {
                    let far = row
                        .iter()
                        .zip(direct.planes()[c].row(y))
                        .map(|(m, d)| (m - d).abs());
                    worst = far.fold(worst, f32::max);
                }
            }
            assert!(worst < 2e-6, "{strength}: {worst}");
        }
    }
}
