//! From joined linear light to the finished picture: gradient, colour, tone.

use std::sync::Arc;

use nightloom_raster::{Plane, Rgb, WorkFile, round_to_half};
use nightloom_seam::{ToneMatch, compose_row};
use nightloom_sky::catalogue;
use nightloom_stack::{
    BackgroundModel, GradientSettings, Mask, Neutral, NeutralSettings, ToneTable, Turn, fit_background,
    fit_background_by, fit_smooth_sky, neutral_by_stars, reduce_noise,
};
use nightloom_stars::Field;
use rayon::prelude::*;

use super::canvas::Canvas;
use super::join::Joined;
use super::sky_light;
use super::track::Tracked;
use nightloom_develop::{
    self as develop, ALL, COLOURS, Capture, Development, Keep, LightReport, TakenBox, Told,
};
use nightloom_journal::{Bench, BuildError};
use nightloom_outing::{Digest, PictureSettings, White};

/// Radius of the aperture that star colours are measured in, in star widths.
const APERTURE_WIDTHS: f64 = 1.6;
/// Pixels that are worth a thread's while.
const LEAST: usize = 1 << 14;
/// Cells of the sky's light across the picture.
const MESH: usize = 40;
/// Stars whose colour is measured, at most.
const COLOUR_STARS: usize = 400;

/// A picture ready to be written: layers in linear light and the curve that shows them.
pub(super) struct Finished {
    /// Land and sky on one scale, developed but for the curve.
    pub(super) joined: Joined,
    /// How they were turned to be level.
    pub(super) turn: Option<Turn>,
    /// The sky's gradient, in the balanced scale.
    pub(super) background: Option<BackgroundModel>,
    /// The curve, tabulated.
    pub(super) curve: ToneTable,
    /// The colour balance and what it rests on.
    pub(super) neutral: Option<Neutral>,
    /// What was done to the light, for the report.
    pub(super) light: LightReport,
}

/// What is developed, and under which name its layers are laid by.
pub(super) struct Ground<'a> {
    /// Names everything that the layers come from.
    pub(super) key: Digest,
    /// Whether there is land in them.
    pub(super) has_land: bool,
    /// What of the full canvas they are.
    pub(super) frame: TakenBox,
    /// How it was taken.
    pub(super) capture: &'a Capture,
}

/// Balances, takes noise out, lays the layers by and develops them.
pub(super) fn finish(
    bench: &mut Bench<'_>,
    settings: &PictureSettings,
    mut joined: Joined,
    coverage: &Plane,
    canvas: &Canvas,
    stars: Option<(&Field, &Tracked)>,
    ground: &Ground<'_>,
) -> Result<Finished, BuildError> {
    bench.show("Balancing colour", 0.0, "")?;
    let neutral = match (settings.white, stars) {
        (White::Stars, Some((field, tracked))) => balance(bench, &mut joined, canvas, field, tracked),
        _ => None,
    };
    bench.show("Modelling the sky's background", 0.3, "")?;
    let background = background(bench, &joined, canvas, stars.map(|(_, tracked)| tracked));
    bench.show("Taking noise out", 0.5, "")?;
    let Joined { land, sky, alpha, .. } = &mut joined;
    // As the layers are kept.
    let values = alpha.data_mut().par_iter_mut().with_min_len(LEAST);
    values.for_each(|v| *v = round_to_half(*v));
    // All that is noise is taken here, before anything else is taken off: noise follows the light that fell. How much of it
    // goes is the development's to say.
    let mut quiet = sky.clone();
    reduce_noise(&mut quiet, |x, y| alpha.at(x, y) > 0.99, Some(coverage), &ALL);
    let keep = Keep::begin(bench, ground.key);
    let sky_file = keep.layer(bench, "develop-sky", [sky, &mut quiet], None)?;
    bench.show("Developing the sky", 0.7, "")?;
    let told = Told::of(sky, &quiet, ground.has_land.then_some(&*land), alpha, background);
    let told = Arc::new(told);
    let development = Development::of(settings, Arc::clone(&told));
    develop::sky(&development, sky, &quiet);
    drop(quiet);
    let land_file = if ground.has_land {
        bench.show("Developing the land", 0.8, "")?;
        let mut quiet = land.clone();
        reduce_noise(&mut quiet, |x, y| alpha.at(x, y) < 0.01, None, &COLOURS);
        let file = keep.layer(bench, "develop-land", [land, &mut quiet], Some(alpha))?;
        develop::land(&development, land, &quiet);
        Some(file)
    } else {
        None
    };
    keep.record(bench, &told, (sky_file, land_file), ground.frame, ground.capture)?;
    let turn = leveled(settings, &mut joined);
    Ok(Finished {
        joined,
        turn,
        background: development.model().cloned(),
        curve: ToneTable::new(development.curve()),
        neutral,
        light: development.light().clone(),
    })
}

/// Develops layers that an earlier build left, as [`finish`] does.
pub(super) fn again(
    bench: &Bench<'_>,
    settings: &PictureSettings,
    layers: &develop::Kept,
) -> Result<Finished, BuildError> {
    bench.show("Developing the sky", 0.0, "")?;
    let folder = bench.journal.folder();
    let told = Arc::new(layers.told(folder).map_err(BuildError::internal)?);
    let development = Development::of(settings, Arc::clone(&told));
    let read = |name: &String| WorkFile::open(&folder.join(name));
    let [r, g, b, quiet_r, quiet_g, quiet_b] = read(&layers.sky)?.read_planes()?;
    let mut sky = Rgb::from_planes([r, g, b]);
    develop::sky(
        &development,
        &mut sky,
        &Rgb::from_planes([quiet_r, quiet_g, quiet_b]),
    );
    let (land, alpha) = match &layers.land {
        Some(name) => {
            bench.show("Developing the land", 0.5, "")?;
            let [r, g, b, quiet_r, quiet_g, quiet_b, alpha] = read(name)?.read_planes()?;
            let mut land = Rgb::from_planes([r, g, b]);
            develop::land(
                &development,
                &mut land,
                &Rgb::from_planes([quiet_r, quiet_g, quiet_b]),
            );
            (land, alpha)
        }
        None => {
            let (width, height) = (sky.width(), sky.height());
            (
                Rgb::filled(width, height, [0.0; 3]),
                Plane::filled(width, height, 1.0),
            )
        }
    };
    let mut joined = Joined {
        land,
        sky,
        alpha,
        fill: nightloom_seam::FillReport::default(),
        tone: ToneMatch::identity(),
    };
    let turn = leveled(settings, &mut joined);
    Ok(Finished {
        joined,
        turn,
        background: development.model().cloned(),
        curve: ToneTable::new(development.curve()),
        neutral: None,
        light: development.light().clone(),
    })
}

/// Turns developed layers to be level, if that was asked for; by what turn.
fn leveled(settings: &PictureSettings, joined: &mut Joined) -> Option<Turn> {
    let turn = develop::turn(settings, [joined.alpha.width(), joined.alpha.height()])?;
    for layer in [&mut joined.sky, &mut joined.land] {
        for plane in layer.planes_mut() {
            *plane = develop::turned(&turn, plane);
        }
    }
    joined.alpha = develop::turned_shares(&turn, &joined.alpha);
    Some(turn)
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
    if colourless(&joined.sky, &joined.alpha) {
        // Frames of a sensor without filters: there is no colour to balance, and none to be had from what was filled.
        for picture in [&mut joined.sky, &mut joined.land] {
            let [red, green, blue] = picture.planes_mut();
            for plane in [red, blue] {
                plane.data_mut().copy_from_slice(green.data());
            }
        }
        return None;
    }
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

/// Whether all channels are one, to what the working space's matrix rounds, where there is sky for the most. What was filled
/// behind land is rounded otherwise in each channel.
fn colourless(picture: &Rgb, alpha: &Plane) -> bool {
    const SAME: f32 = 1e-4;
    const MOST: f64 = 0.75;
    let [r, g, b] = picture.planes();
    let pixels = r.data().iter().zip(g.data()).zip(b.data()).zip(alpha.data());
    let (mut all, mut one) = (0usize, 0usize);
    for (((r, g), b), _) in pixels.step_by(97).filter(|p| *p.1 > 0.99) {
        all += 1;
        one += usize::from((r - g).abs().max((b - g).abs()) <= SAME * g.abs() + SAME * SAME);
    }
    all > 0 && one as f64 >= MOST * all as f64
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

    /// Some pixels of one row of it.
    pub(super) fn picture_at(&self, y: usize, columns: &[usize], out: &mut [Vec<f32>; 3]) {
        let Joined { land, sky, alpha, .. } = &self.joined;
        let pick = |row: &[f32]| -> Vec<f32> { columns.iter().map(|x| row[*x]).collect() };
        let shares = pick(alpha.row(y));
        for (c, row) in out.iter_mut().enumerate() {
            row.resize(columns.len(), 0.0);
            let [land, sky] = [land, sky].map(|layer| pick(layer.planes()[c].row(y)));
            compose_row(&land, &sky, &shares, row);
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
            match (&self.background, &self.turn) {
                (Some(model), None) => model.eval_row(c, y, row),
                (Some(model), Some(turn)) => {
                    let [left, top, ..] = turn.kept();
                    for (x, v) in row.iter_mut().enumerate() {
                        let [u, w] = turn.nearest([left + x, top + y]);
                        *v = model.at(c, u, w);
                    }
                }
                (None, _) => row.fill(0.0),
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

    /// The upper half is sky; what is filled behind the lower differs by rounding.
    #[test]
    fn grey_frames_are_known_by_the_sky_that_was_seen() {
        let alpha = Plane::from_fn(300, 200, |_, y| if y < 100 { 1.0 } else { 0.0 });
        let sky = |tint: f32| {
            let plane = |c: usize| {
                Plane::from_fn(300, 200, move |x, y| {
                    let grey = 0.02 + 1e-5 * ((7 * x + 3 * y) % 50) as f32;
                    let apart = if y < 100 { tint } else { 0.01 };
                    grey * (1.0 + apart * c as f32)
                })
            };
            Rgb::from_planes([0, 1, 2].map(plane))
        };
        assert!(colourless(&sky(0.0), &alpha));
        assert!(colourless(&sky(1e-6), &alpha));
        assert!(!colourless(&sky(0.01), &alpha));
    }
}
