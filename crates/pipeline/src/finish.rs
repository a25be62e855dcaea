//! From joined linear light to the finished picture: gradient, colour, tone.

use nightloom_raster::colour::luminance;
use nightloom_raster::{Plane, Rgb};
use nightloom_seam::compose_row;
use nightloom_sky::catalogue;
use nightloom_stack::{
    BackgroundModel, GradientSettings, Mask, Neutral, NeutralSettings, NoiseReduction, SceneStatistics,
    ToneCurve, ToneTable, background_noise, fit_background, fit_background_by, fit_smooth_sky,
    neutral_by_stars, raise_midtones, reduce_noise,
};
use nightloom_stars::Field;
use rayon::prelude::*;

use super::bench::Bench;
use super::canvas::Canvas;
use super::error::BuildError;
use super::join::Joined;
use super::look::Look;
use super::report::LightReport;
use super::sky_light;
use super::track::Tracked;
use nightloom_outing::{PictureSettings, White};

/// Radius of the aperture that star colours are measured in, in star widths.
const APERTURE_WIDTHS: f64 = 1.6;
/// Share of the sky's light at which land is raised by half.
const LIFT_ENDS: f32 = 0.5;
/// Pixels that are worth a thread's while.
const LEAST: usize = 1 << 14;
/// Cells of the sky's light across the picture.
const MESH: usize = 40;
/// Stars whose colour is measured, at most.
const COLOUR_STARS: usize = 400;

/// A picture ready to be written: layers in linear light and the curve that shows them.
pub(super) struct Finished {
    /// Land and sky on one scale, balanced, gradient taken off.
    pub(super) joined: Joined,
    /// The sky's gradient, in the balanced scale.
    pub(super) background: Option<BackgroundModel>,
    /// The curve, tabulated.
    pub(super) curve: ToneTable,
    /// The colour balance and what it rests on.
    pub(super) neutral: Option<Neutral>,
    /// What was done to the light, for the report.
    pub(super) light: LightReport,
}

/// Balances, takes the gradient off and chooses the curve.
pub(super) fn finish(
    bench: &mut Bench<'_>,
    settings: &PictureSettings,
    mut joined: Joined,
    coverage: &Plane,
    canvas: &Canvas,
    stars: Option<(&Field, &Tracked)>,
) -> Result<Finished, BuildError> {
    bench.show("Balancing colour", 0.0, "")?;
    let neutral = match (settings.white, stars) {
        (White::Stars, Some((field, tracked))) => balance(bench, &mut joined, canvas, field, tracked),
        _ => None,
    };
    bench.show("Modelling the sky's background", 0.3, "")?;
    let strength = settings.gradient as f32;
    let background = background(bench, &joined, canvas, stars.map(|(_, tracked)| tracked));
    let found = background
        .as_ref()
        .map_or_else(|| medians(&joined.sky, &joined.alpha), BackgroundModel::level);
    let neutral_level = neutral_level(found);
    let level: [f32; 3] = std::array::from_fn(|c| found[c] - strength * (found[c] - neutral_level[c]));
    match &background {
        Some(model) => model.subtract(&mut joined.sky, strength, neutral_level),
        None => add(&mut joined.sky, std::array::from_fn(|c| level[c] - found[c])),
    }
    let look = Look::of(settings.look);
    quiet(bench, settings.noise_reduction as f32, &mut joined, coverage)?;
    bench.show("Bringing out the sky's forms", 0.6, "")?;
    let alpha = &joined.alpha;
    let midtones = look.midtones * settings.midtones as f32;
    raise_midtones(
        &mut joined.sky,
        |x, y| alpha.at(x, y) > 0.99,
        luminance(level),
        midtones,
    );
    let statistics = statistics(settings, &look, &joined, level);
    let land_lift = settings.land_lift as f32 * look.land_lift(&statistics);
    let raise = Raise {
        lift: land_lift,
        stops: settings.land_stops as f32,
        sky: luminance(level),
    };
    raise.apply(&mut joined.land);
    let lifted = |v: Option<f32>| v.map(|v| v * raise.factor(v));
    let curve = curve(
        settings,
        &SceneStatistics {
            land_dark: lifted(statistics.land_dark),
            land_median: lifted(statistics.land_median),
            ..statistics
        },
    );
    let light = LightReport {
        look: look.name.to_owned(),
        background_taken: strength,
        background_level: found,
        shown_level: level,
        midtones,
        land_lift_stops: land_lift,
        curve: *curve.settings(),
    };
    Ok(Finished {
        joined,
        background,
        curve: ToneTable::new(&curve),
        neutral,
        light,
    })
}

/// Takes noise out of both layers. Where one of them shows too little to tell its noise it stays as it is; of the land only
/// the colours' is taken: its texture is everywhere, and no quiet place tells luminance noise from it.
fn quiet(bench: &Bench<'_>, strength: f32, joined: &mut Joined, coverage: &Plane) -> Result<(), BuildError> {
    bench.show("Taking noise out", 0.5, "")?;
    let usual = NoiseReduction::default();
    let settings = NoiseReduction {
        luminance: (strength * usual.luminance).min(1.0),
        colour: (strength * usual.colour).min(1.0),
    };
    let Joined { land, sky, alpha, .. } = joined;
    reduce_noise(sky, |x, y| alpha.at(x, y) > 0.99, Some(coverage), &settings);
    let colours = NoiseReduction {
        luminance: 0.0,
        ..settings
    };
    reduce_noise(land, |x, y| alpha.at(x, y) < 0.01, None, &colours);
    Ok(())
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

/// All of the sky's smooth light, for what lies behind land; `None` where altitudes are not known or too little is seen.
pub(super) fn smooth_sky(
    sky: &Rgb,
    alpha: &Plane,
    coverage: &Plane,
    canvas: &Canvas,
    tracked: &Tracked,
) -> Option<BackgroundModel> {
    let [own, milky_way] = &sky_light::terms(canvas, tracked)?;
    let open = Mask::from_fn(canvas.width, canvas.height, 8, |x, y| sure(alpha, x, y));
    fit_smooth_sky(sky, Some(&open), Some(coverage), [own, milky_way], &mesh(canvas)).ok()
}

fn mesh(canvas: &Canvas) -> GradientSettings {
    GradientSettings {
        mesh_px: (canvas.width / MESH).clamp(24, 160),
        ..GradientSettings::default()
    }
}

/// Raises land by `lift` stops where it is dark and by less the nearer it comes to the sky's own light: lamps, snow and what
/// shines between twigs would glare. `stops` more hold for all of it.
struct Raise {
    lift: f32,
    stops: f32,
    sky: f32,
}

impl Raise {
    /// For land of this light.
    fn factor(&self, light: f32) -> f32 {
        let light = light.max(0.0) / (LIFT_ENDS * self.sky).max(f32::MIN_POSITIVE);
        self.stops.exp2() * (1.0 + (self.lift.exp2() - 1.0) / (1.0 + light * light))
    }

    fn apply(&self, land: &mut Rgb) {
        if self.lift == 0.0 && self.stops == 0.0 {
            return;
        }
        let [r, g, b] = land.planes_mut();
        let pixels = r.data_mut().par_iter_mut().zip(g.data_mut()).zip(b.data_mut());
        pixels.with_min_len(LEAST).for_each(|((r, g), b)| {
            let factor = self.factor(luminance([*r, *g, *b]));
            [r, g, b].into_iter().for_each(|v| *v *= factor);
        });
    }
}

/// The sky's own light over the picture: by altitude and azimuth where they are known, else by a polynomial.
fn background(
    bench: &mut Bench<'_>,
    joined: &Joined,
    canvas: &Canvas,
    tracked: Option<&Tracked>,
) -> Option<BackgroundModel> {
    let sky = Mask::from_fn(canvas.width, canvas.height, 8, |x, y| sure(&joined.alpha, x, y));
    let terms = tracked.and_then(|tracked| sky_light::terms(canvas, tracked));
    let by_lights = terms.as_ref().and_then(|[own, milky_way]| {
        fit_background_by(&joined.sky, Some(&sky), None, [own, milky_way], &mesh(canvas)).ok()
    });
    if by_lights.is_some() {
        return by_lights;
    }
    match fit_background(&joined.sky, Some(&sky), None, &GradientSettings::default()) {
        Ok(model) => Some(model),
        Err(error) => {
            bench.warn(format!("The sky's gradient was left as it is: {error}."));
            None
        }
    }
}

fn add(sky: &mut Rgb, what: [f32; 3]) {
    for (plane, e) in sky.planes_mut().iter_mut().zip(what) {
        let values = plane.data_mut().par_iter_mut().with_min_len(LEAST);
        values.for_each(|v| *v += e);
    }
}

/// 1 where a whole neighbourhood is sky.
fn sure(alpha: &Plane, x: f64, y: f64) -> f32 {
    let (x, y) = (x as usize, y as usize);
    let near = |x: usize, y: usize| alpha.at(x.min(alpha.width() - 1), y.min(alpha.height() - 1));
    let corners = [(0, 0), (8, 0), (0, 8), (8, 8), (4, 4)];
    let least = corners
        .iter()
        .map(|(dx, dy)| near((x + dx).saturating_sub(4), (y + dy).saturating_sub(4)))
        .fold(1.0, f32::min);
    f32::from(least > 0.99)
}

/// Makes the stars show their colours, on sky and land alike.
fn balance(
    bench: &mut Bench<'_>,
    joined: &mut Joined,
    canvas: &Canvas,
    field: &Field,
    tracked: &Tracked,
) -> Option<Neutral> {
    let (fluxes, colours) = star_colours(joined, canvas, field, tracked);
    match neutral_by_stars(&fluxes, Some(&colours), &NeutralSettings::default()) {
        Ok(neutral) => {
            for picture in [&mut joined.sky, &mut joined.land] {
                for (plane, gain) in picture.planes_mut().iter_mut().zip(neutral.gains) {
                    let values = plane.data_mut().par_iter_mut().with_min_len(LEAST);
                    values.for_each(|v| *v *= gain);
                }
            }
            Some(neutral)
        }
        Err(error) => {
            bench.warn(format!(
                "The colours were left as the camera balanced them: {error}."
            ));
            None
        }
    }
}

/// Flux per channel of the reference frame's stars in the stack, and their catalogue B−V.
fn star_colours(
    joined: &Joined,
    canvas: &Canvas,
    field: &Field,
    tracked: &Tracked,
) -> (Vec<[f64; 3]>, Vec<f64>) {
    let reference = tracked.camera(tracked.registration.reference);
    let b_v = |star: usize| {
        let found = tracked
            .identified
            .as_ref()?
            .matches
            .iter()
            .find(|m| m.0 == star)?;
        Some(f64::from(catalogue::stars().get(found.1)?.b_v))
    };
    let radius = (APERTURE_WIDTHS * f64::from(field.fwhm_px)).max(2.0);
    let good = field
        .stars
        .iter()
        .enumerate()
        .filter(|(_, s)| !s.saturated && s.snr > 20.0);
    let measured = good.take(COLOUR_STARS).filter_map(|(i, s)| {
        let at = canvas.shown_at(&reference, [s.x, s.y])?;
        Some((
            aperture(&joined.sky, &joined.alpha, at, radius)?,
            b_v(i).unwrap_or(f64::NAN),
        ))
    });
    measured.unzip()
}

/// Flux above the surrounding ring's median per channel; `None` near the border or the land.
fn aperture(sky: &Rgb, alpha: &Plane, [cx, cy]: [f64; 2], radius: f64) -> Option<[f64; 3]> {
    let reach = (2.5 * radius).ceil();
    let inside = cx >= reach
        && cy >= reach
        && cx + reach < sky.width() as f64 - 1.0
        && cy + reach < sky.height() as f64 - 1.0;
    if !inside {
        return None;
    }
    let span = |c: f64| (c - reach) as usize..=(c + reach) as usize;
    let places: Vec<(usize, usize, f64)> = span(cy)
        .flat_map(|y| span(cx).map(move |x| (x, y, (x as f64 - cx).hypot(y as f64 - cy))))
        .collect();
    if places.iter().any(|&(x, y, _)| alpha.at(x, y) < 0.99) {
        return None;
    }
    Some(std::array::from_fn(|c| {
        let plane = &sky.planes()[c];
        let mut ring: Vec<f32> = places
            .iter()
            .filter(|p| p.2 > 1.6 * radius)
            .map(|&(x, y, _)| plane.at(x, y))
            .collect();
        let level = f64::from(nightloom_stack::median_of(&mut ring).unwrap_or(0.0));
        places
            .iter()
            .filter(|p| p.2 <= radius)
            .map(|&(x, y, _)| f64::from(plane.at(x, y)) - level)
            .sum()
    }))
}

fn statistics(settings: &PictureSettings, look: &Look, joined: &Joined, level: [f32; 3]) -> SceneStatistics {
    let is_sky = |x: usize, y: usize| joined.alpha.at(x, y) > 0.99;
    let noise = joined
        .sky
        .planes()
        .each_ref()
        .map(|plane| background_noise(plane, is_sky));
    let [land_dark, land_median] = land_tones(joined);
    SceneStatistics {
        sky_level: level,
        sky_noise: noise,
        land_dark,
        land_median,
        target: look.sky_shown(settings.stretch as f32),
        white: 1.0,
    }
}

fn curve(settings: &PictureSettings, statistics: &SceneStatistics) -> ToneCurve {
    let curve = ToneCurve::from_statistics(statistics);
    let own = *curve.settings();
    ToneCurve::new(nightloom_stack::ToneSettings {
        saturation: own.saturation * settings.saturation as f32,
        ..own
    })
}

/// The 5th percentile and the median of the land's intensity, on a sparse grid.
fn land_tones(joined: &Joined) -> [Option<f32>; 2] {
    let [r, g, b] = joined.land.planes();
    let mut values = Vec::new();
    for y in (0..r.height()).step_by(7) {
        let places = (0..r.width())
            .step_by(7)
            .filter(|&x| joined.alpha.at(x, y) < 0.05);
        values.extend(
            places
                .map(|x| (r.at(x, y) + g.at(x, y) + b.at(x, y)) / 3.0)
                .filter(|v| v.is_finite()),
        );
    }
    values.sort_unstable_by(f32::total_cmp);
    [values.len() / 20, values.len() / 2].map(|k| values.get(k).copied())
}

/// Median sky colour on a sparse grid.
fn medians(sky: &Rgb, alpha: &Plane) -> [f32; 3] {
    sky.planes().each_ref().map(|plane| {
        let mut values = Vec::new();
        for y in (0..plane.height()).step_by(7) {
            values.extend(
                (0..plane.width())
                    .step_by(7)
                    .filter(|&x| alpha.at(x, y) > 0.99)
                    .map(|x| plane.at(x, y)),
            );
        }
        nightloom_stack::median_of(&mut values).unwrap_or(0.0)
    })
}

impl Finished {
    /// One row of the finished picture, display-encoded, three planes.
    pub(super) fn picture_row(&self, y: usize, out: &mut [Vec<f32>; 3]) {
        let Joined { land, sky, alpha, .. } = &self.joined;
        for (c, row) in out.iter_mut().enumerate() {
            row.resize(alpha.width(), 0.0);
            compose_row(land.planes()[c].row(y), sky.planes()[c].row(y), alpha.row(y), row);
        }
        self.show_row(out);
    }

    /// One row of a layer, display-encoded.
    pub(super) fn layer_row(&self, layer: &Rgb, y: usize, out: &mut [Vec<f32>; 3]) {
        for (c, row) in out.iter_mut().enumerate() {
            row.clear();
            row.extend_from_slice(layer.planes()[c].row(y));
        }
        self.show_row(out);
    }

    /// One row of the background model, display-encoded.
    pub(super) fn background_row(&self, y: usize, out: &mut [Vec<f32>; 3]) {
        for (c, row) in out.iter_mut().enumerate() {
            row.resize(self.joined.alpha.width(), 0.0);
            match &self.background {
                Some(model) => model.eval_row(c, y, row),
                None => row.fill(0.0),
            }
        }
        self.show_row(out);
    }

    fn show_row(&self, [r, g, b]: &mut [Vec<f32>; 3]) {
        self.curve.apply_row(r, g, b);
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
    fn warm_light_goes_moonlight_stays_and_nothing_is_purple() {
        assert_eq!(neutral_level([0.05, 0.04, 0.03]), [0.03; 3]);
        assert_eq!(neutral_level([0.02, 0.03, 0.04]), [0.02, 0.03, 0.04]);
        assert_eq!(neutral_level([0.04, 0.03, 0.035]), [0.03; 3]);
    }
}
