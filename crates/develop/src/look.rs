//! What a picture's development starts from, by name. Judged by eye on painted and real nights; common practice, no source.

use nightloom_outing::Look as Named;
use nightloom_stack::{SceneStatistics, ToneCurve};

/// Land is raised by so many stops at most.
const MOST_LIFT: f32 = 2.0;

/// One look.
pub(super) struct Look {
    pub(super) name: &'static str,
    /// Display value of the sky's background for stretch 0, 0.5 and 1.
    sky: [f32; 3],
    /// Strength of [`nightloom_stack::raise_midtones`].
    pub(super) midtones: f32,
    /// Display value of the land's median, as a share of the sky's background.
    land: f32,
}

impl Look {
    pub(super) fn of(named: Named) -> Self {
        match named {
            Named::Natural => Self {
                name: "natural",
                sky: [0.12, 0.20, 0.34],
                midtones: 0.7,
                land: 0.45,
            },
            Named::Deep => Self {
                name: "deep",
                sky: [0.08, 0.14, 0.26],
                midtones: 1.0,
                land: 0.35,
            },
            Named::Bright => Self {
                name: "bright",
                sky: [0.16, 0.27, 0.40],
                midtones: 0.5,
                land: 0.6,
            },
        }
    }

    /// Display value at which the sky's background comes out.
    pub(super) fn sky_shown(&self, stretch: f32) -> f32 {
        let [low, middle, high] = self.sky;
        if stretch < 0.5 {
            low + (middle - low) * 2.0 * stretch
        } else {
            middle + (high - middle) * (2.0 * stretch - 1.0)
        }
    }

    /// Stops by which the land has to be raised until its median is shown as the look wants; 0 where it is already.
    pub(super) fn land_lift(&self, scene: &SceneStatistics) -> f32 {
        let Some(median) = scene.land_median.filter(|m| *m > 0.0) else {
            return 0.0;
        };
        let shown = |stops: f32| {
            let raised = |v: Option<f32>| v.map(|v| v * stops.exp2());
            let curve = ToneCurve::from_statistics(&SceneStatistics {
                land_dark: raised(scene.land_dark),
                land_median: raised(scene.land_median),
                ..*scene
            });
            curve.display(median * stops.exp2() - curve.settings().black[0])
        };
        let wanted = self.land * scene.target;
        let (mut low, mut high) = (0.0, MOST_LIFT);
        if shown(low) >= wanted {
            return 0.0;
        }
        for _ in 0..20 {
            let middle = 0.5 * (low + high);
            if shown(middle) < wanted {
                low = middle
            } else {
                high = middle
            }
        }
        high
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dark_land_is_raised_and_bright_land_left() {
        let scene = |land: f32| SceneStatistics {
            sky_level: [0.02; 3],
            sky_noise: [0.001; 3],
            land_dark: Some(0.3 * land),
            land_median: Some(land),
            target: 0.2,
            white: 1.0,
        };
        let look = Look::of(Named::Natural);
        assert_eq!(look.land_lift(&scene(0.02)), 0.0);
        let lift = look.land_lift(&scene(0.004));
        assert!(lift > 0.5 && lift < MOST_LIFT, "{lift}");
        assert!((look.land_lift(&scene(1e-5)) - MOST_LIFT).abs() < 1e-3);
    }

    #[test]
    fn a_deep_night_is_darker_than_a_bright_one_at_any_stretch() {
        for stretch in [0.0, 0.3, 0.5, 0.8, 1.0] {
            let shown = [Named::Deep, Named::Natural, Named::Bright].map(|l| Look::of(l).sky_shown(stretch));
            assert!(shown[0] < shown[1] && shown[1] < shown[2], "{shown:?}");
        }
    }
}
