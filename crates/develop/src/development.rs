//! One way to develop the layers: all that the settings of `[picture]` make of their facts, applied row by row.

use std::sync::Arc;

use nightloom_outing::PictureSettings;
use nightloom_raster::colour::luminance;
use nightloom_stack::{
    BackgroundModel, FormGains, NoiseReduction, Run, SceneStatistics, StarForm, StarRow, StarWish, ToneCurve,
    ToneSettings, ToneWish,
};

use super::corners::Corners;
use super::facts::Told;
use super::raise::Raise;
use super::{quiet, white};
use crate::light_report::LightReport;
use crate::look::Look;

/// A development, ready to be applied to any part of the layers at any size.
pub struct Development {
    told: Arc<Told>,
    shares: NoiseReduction,
    land_shares: NoiseReduction,
    /// How much of the gradient goes, and the level that is kept.
    gradient: f32,
    kept: [f32; 3],
    forms: FormGains,
    raise: Raise,
    /// Factors on the sky's and the land's channels.
    sky_gains: [f32; 3],
    white: [f32; 3],
    stars: StarWish,
    fall: Corners,
    curve: ToneCurve,
    light: LightReport,
}

/// One row of a layer and of the same layer without its noise.
#[derive(Clone, Copy)]
pub struct LayerRow<'a> {
    /// As it is: red, green, blue.
    pub layer: [&'a [f32]; 3],
    /// With all its noise taken.
    pub quiet: [&'a [f32]; 3],
    /// The stars' light in it, where stars are to be shown otherwise.
    pub stars: Option<StarRow<'a>>,
}

impl Development {
    /// For the whole of the layers.
    pub fn of(settings: &PictureSettings, told: Arc<Told>) -> Self {
        let [width, height] = told.facts.size_px;
        Self::of_box(settings, told, [0, 0, width, height])
    }

    /// For a box of the layers that is to be the picture.
    pub fn of_box(settings: &PictureSettings, told: Arc<Told>, frame: [usize; 4]) -> Self {
        let facts = &told.facts;
        let gradient = settings.gradient as f32;
        let kept = neutral_level(facts.found);
        let level: [f32; 3] = std::array::from_fn(|c| facts.found[c] - gradient * (facts.found[c] - kept[c]));
        let look = Look::of(settings.look);
        let midtones = look.midtones * settings.midtones as f32;
        let taken = |x: usize, y: usize| {
            let model = |c: usize| told.model.as_ref().map_or(facts.found[c], |m| m.at(c, x, y));
            gradient * luminance(std::array::from_fn(|c| model(c) - kept[c]))
        };
        let forms = told.cells.less(taken).gains(luminance(level), midtones);
        let shares = quiet::shares(settings.noise_reduction as f32);
        let statistics = statistics(settings, &look, &told, level, shares.luminance);
        let land_lift = settings.land_lift as f32 * look.land_lift(&statistics);
        let raise = Raise {
            lift: land_lift,
            stops: settings.land_stops as f32,
            sky: luminance(level),
        };
        let curve = curve(settings, &statistics, &raise);
        let white = white::gains(settings.temperature, settings.tint);
        let sky_gain = (settings.sky_stops as f32).exp2();
        let light = LightReport {
            look: look.name.to_owned(),
            background_taken: gradient,
            background_level: facts.found,
            shown_level: level,
            midtones,
            land_lift_stops: land_lift,
            sky_stops: settings.sky_stops as f32,
            white_gains: white,
            star_size: settings.star_size as f32,
            star_colour: settings.star_colour as f32,
            vignette: settings.vignette as f32,
            level_deg: settings.level_deg,
            level_px: super::turn(settings, [frame[2] - frame[0], frame[3] - frame[1]]).map(|turn| {
                let [l, t, r, b] = turn.kept();
                [r - l, b - t]
            }),
            curve: *curve.settings(),
        };
        Self {
            shares,
            land_shares: NoiseReduction {
                luminance: 0.0,
                ..shares
            },
            gradient,
            kept,
            forms,
            raise,
            sky_gains: white.map(|w| w * sky_gain),
            white,
            stars: StarWish::of(
                &told.stars(),
                settings.star_size as f32,
                settings.star_colour as f32,
            ),
            fall: Corners::of(settings.vignette, frame, settings.level_deg),
            curve,
            light,
            told,
        }
    }

    /// What stars are told by, if they are to be shown otherwise than they were recorded.
    pub fn stars(&self) -> Option<StarForm> {
        (!self.stars.nothing()).then(|| self.told.stars())
    }

    /// The curve that shows it.
    pub fn curve(&self) -> &ToneCurve {
        &self.curve
    }

    /// What is done to the light, for the report.
    pub fn light(&self) -> &LightReport {
        &self.light
    }

    /// The sky's background model, if there is one.
    pub fn model(&self) -> Option<&BackgroundModel> {
        self.told.model.as_ref()
    }

    /// A row of the sky, still in linear light.
    pub fn sky(&self, run: Run, row: LayerRow<'_>, out: &mut [Vec<f32>; 3]) {
        quiet::run(row.layer, row.quiet, &self.shares, out);
        if let Some(stars) = row.stars {
            self.stars.run(row.quiet, &stars, out);
        }
        let width = out[0].len();
        let mut forms = vec![1.0; width];
        self.forms.run(run, &mut forms);
        let mut model = vec![0.0; width];
        for (c, plane) in out.iter_mut().enumerate() {
            match &self.told.model {
                Some(smooth) => smooth.run(c, run, &mut model),
                None => model.fill(self.told.facts.found[c]),
            }
            let (kept, gain) = (self.kept[c], self.sky_gains[c]);
            for ((v, m), f) in plane.iter_mut().zip(&model).zip(&forms) {
                *v = (*v - self.gradient * (m - kept)) * f * gain;
            }
        }
    }

    /// What a sky without anything in it is developed to.
    pub fn bare_sky(&self) -> [f32; 3] {
        std::array::from_fn(|c| self.light.shown_level[c] * self.sky_gains[c])
    }

    /// A row's part of the fall of light into the corners.
    pub fn corners(&self, run: Run, out: &mut [Vec<f32>; 3]) {
        self.fall.run(run, out);
    }

    /// A row of the land, still in linear light.
    pub fn land(&self, row: LayerRow<'_>, out: &mut [Vec<f32>; 3]) {
        quiet::run(row.layer, row.quiet, &self.land_shares, out);
        self.raise.run(self.white, out);
    }
}

/// The level to which the background is brought. Lamps and airglow add light that is warmer than the stars': what red and
/// green have over blue goes with the gradient. A sky that is bluer than neutral (moon, twilight) is left so, but none is
/// purple: where green is least, red and blue come down to it.
fn neutral_level(found: [f32; 3]) -> [f32; 3] {
    let [red, green, blue] = found;
    let least = if green <= red && green <= blue {
        green
    } else {
        blue
    };
    found.map(|v| v.min(least))
}

fn statistics(
    settings: &PictureSettings,
    look: &Look,
    told: &Told,
    level: [f32; 3],
    taken: f32,
) -> SceneStatistics {
    let [raw, without] = told.facts.noise;
    let [land_dark, land_median] = told.facts.land;
    SceneStatistics {
        sky_level: level,
        sky_noise: std::array::from_fn(|c| raw[c] + taken * (without[c] - raw[c])),
        land_dark,
        land_median,
        target: look.sky_shown(settings.stretch as f32),
        white: 1.0,
    }
}

/// The curve for land that is raised so.
fn curve(settings: &PictureSettings, statistics: &SceneStatistics, raise: &Raise) -> ToneCurve {
    let lifted = |v: Option<f32>| v.map(|v| v * raise.factor(v));
    let scene = SceneStatistics {
        land_dark: lifted(statistics.land_dark),
        land_median: lifted(statistics.land_median),
        ..*statistics
    };
    let wish = ToneWish {
        black: settings.black_point as f32,
        white_stops: settings.white_point as f32,
        contrast: settings.contrast as f32,
    };
    let own = ToneCurve::wished(&scene, &wish);
    ToneCurve::new(ToneSettings {
        saturation: own.settings().saturation * settings.saturation as f32,
        ..*own.settings()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn warm_light_goes_moonlight_stays_and_nothing_is_purple() {
        assert_eq!(neutral_level([0.05, 0.04, 0.03]), [0.03; 3]);
        assert_eq!(neutral_level([0.02, 0.03, 0.04]), [0.02, 0.03, 0.04]);
        assert_eq!(neutral_level([0.04, 0.03, 0.035]), [0.03; 3]);
    }

    /// A sky of one light over land of another.
    fn told(land: f32) -> Arc<Told> {
        let plane = |v: f32| nightloom_raster::Plane::filled(64, 48, v);
        let rgb = |v: f32| nightloom_raster::Rgb::from_planes([plane(v), plane(v), plane(v)]);
        let alpha = nightloom_raster::Plane::from_fn(64, 48, |_, y| f32::from(y < 24));
        Arc::new(Told::of(&rgb(0.02), &rgb(0.02), Some(&rgb(land)), &alpha, None))
    }

    fn land_shown(settings: &PictureSettings, land: f32) -> f32 {
        let row = vec![land; 4];
        let of = LayerRow {
            layer: [&row, &row, &row],
            quiet: [&row, &row, &row],
            stars: None,
        };
        let mut out: [Vec<f32>; 3] = Default::default();
        Development::of(settings, told(land)).land(of, &mut out);
        out[1][0]
    }

    #[test]
    fn dark_land_is_raised_by_as_much_of_the_look_as_is_asked_for() {
        let with = |land_lift: f64| PictureSettings {
            land_lift,
            ..PictureSettings::default()
        };
        let [none, half, all] = [0.0, 0.5, 1.0].map(|lift| land_shown(&with(lift), 0.002));
        assert_eq!(none, 0.002);
        assert!(half > 1.2 * none && all > 1.2 * half, "{none} {half} {all}");
        // Land as bright as the look wants it stays.
        assert_eq!(land_shown(&with(1.0), 0.02), 0.02);
    }

    #[test]
    fn sky_and_land_are_brightened_apart() {
        let settings = PictureSettings {
            sky_stops: 1.0,
            land_stops: -1.0,
            midtones: 0.0,
            gradient: 0.0,
            land_lift: 0.0,
            ..PictureSettings::default()
        };
        let row = vec![0.02; 4];
        let of = LayerRow {
            layer: [&row, &row, &row],
            quiet: [&row, &row, &row],
            stars: None,
        };
        let mut out: [Vec<f32>; 3] = Default::default();
        Development::of(&settings, told(0.02)).sky(Run::at_level(0, 0, 3), of, &mut out);
        assert!(out.iter().flatten().all(|v| (v - 0.04).abs() < 1e-6), "{out:?}");
        assert!((land_shown(&settings, 0.02) - 0.01).abs() < 1e-6);
    }
}
