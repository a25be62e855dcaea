//! Land brought up where it is dark.

use nightloom_raster::colour::luminance;

/// Share of the sky's light at which land is raised by half.
const LIFT_ENDS: f32 = 0.5;

/// Raises land by `lift` stops where it is dark and by less the nearer it comes to the sky's own light: lamps, snow and what
/// shines between twigs would glare. `stops` more hold for all of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Raise {
    pub(super) lift: f32,
    pub(super) stops: f32,
    /// The sky's luminance.
    pub(super) sky: f32,
}

impl Raise {
    /// For land of this light.
    pub(super) fn factor(&self, light: f32) -> f32 {
        let light = light.max(0.0) / (LIFT_ENDS * self.sky).max(f32::MIN_POSITIVE);
        self.stops.exp2() * (1.0 + (self.lift.exp2() - 1.0) / (1.0 + light * light))
    }

    /// Raises one row, and gives every channel its factor of `white`.
    pub(super) fn run(&self, white: [f32; 3], [r, g, b]: &mut [Vec<f32>; 3]) {
        let (whole, lift) = (self.stops.exp2(), self.lift.exp2() - 1.0);
        let end = 1.0 / (LIFT_ENDS * self.sky).max(f32::MIN_POSITIVE);
        for ((r, g), b) in r.iter_mut().zip(g.iter_mut()).zip(b.iter_mut()) {
            let light = luminance([*r, *g, *b]).max(0.0) * end;
            let factor = whole * (1.0 + lift / (1.0 + light * light));
            *r *= factor * white[0];
            *g *= factor * white[1];
            *b *= factor * white[2];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dark_land_is_raised_whole_and_light_like_the_sky_hardly() {
        let raise = Raise {
            lift: 2.0,
            stops: 0.0,
            sky: 0.04,
        };
        assert!((raise.factor(0.0) - 4.0).abs() < 1e-6);
        assert!((raise.factor(0.02) - 2.5).abs() < 1e-5);
        assert!(raise.factor(0.04) < 1.61 && raise.factor(1.0) < 1.002);
        // No land comes out darker than land that was darker.
        let shown = |light: f32| light * raise.factor(light);
        assert!((1..400).all(|k| shown(k as f32 * 2e-4) > shown((k - 1) as f32 * 2e-4)));
    }

    #[test]
    fn a_row_is_raised_as_each_of_its_lights() {
        let raise = Raise {
            lift: 1.3,
            stops: -0.4,
            sky: 0.02,
        };
        let mut row = [0.0f32, 0.003, 0.02, 0.4].map(|v| vec![v]).concat();
        let lights = row.clone();
        let mut planes = [row.clone(), row.clone(), std::mem::take(&mut row)];
        raise.run([1.0, 2.0, 0.5], &mut planes);
        for (k, light) in lights.into_iter().enumerate() {
            let factor = raise.factor(light);
            for (plane, white) in planes.iter().zip([1.0, 2.0, 0.5]) {
                assert!((plane[k] - light * factor * white).abs() < 1e-6);
            }
        }
    }
}
