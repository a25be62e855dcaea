//! Light of stars in the sky stack against the truth's electrons.
//!
//! What a star should give in the stack is known absolutely: its electrons through air and lens (the mean of
//! the used frames, whose airmass changes), over the electrons of saturation. Dividing by flats lifts a star
//! by the inverse of the solid angle that a pixel sees where it stood in the frame; laid on the picture it
//! covers pixels of another solid angle, and resampling keeps brightness per solid angle: so the electrons
//! over the solid angle of a pixel *of the picture* are expected.
//!
//! Measured in an aperture of 5 px about the star's own centroid over the median of a ring 8 to 12 px wide,
//! in camera green. Growth of the light with the aperture is shown beside it.
//!
//! * On the *plain night* (the demo's without stars too faint to be told apart) this is the star's light
//!   alone, and the bar is judged there.
//! * On the demo's night faint stars crowd aperture and ring; so the same aperture is laid on the truth's
//!   noiseless picture of the same sky, stars as faint in it, and the two are compared. That picture shows
//!   a later moment, when the field stood lower: its light is raised by what the air has taken since.

use nightloom_raster::Plane;
use nightloom_simulate::TruthStar;
use nightloom_sky::{Angle, airmass_pickering, extinction_factor};

use crate::grain::COVERED;
use crate::pixels::{Mean, median, quantile};
use crate::scene::{Scene, rotation, solid_angle};
use crate::{Outcome, row};

/// Radii of the apertures; the second is the one that counts.
const APERTURES_PX: [f64; 3] = [3.5, 5.0, 7.0];
/// From where to where the ring about a star reaches.
const RING_PX: [f64; 2] = [8.0, 12.0];
/// A star with another nearer than this, that may touch its ring, is left out …
const ALONE_PX: f64 = 17.0;
/// … if the other is not fainter by so many magnitudes.
const ALONE_MAG: f32 = 5.0;
/// Stars whose expected light is below so many σ of single pixels are left out.
const LEAST_SIGMA: f64 = 100.0;
/// Stars that give more than so many times a pixel's saturation in any colour are left out: up to a third of
/// a star's light falls into one pixel.
const MOST: f32 = 2.4;

/// A star in the stack and what it should be.
struct Measured {
    v_mag: f32,
    /// Distance of its place in the frame from the axis, of the half diagonal.
    field: f64,
    /// Light found over light expected in each aperture.
    ratio: [f64; 3],
}

/// On the plain night.
pub(crate) fn plain(scene: &Scene) -> Outcome<()> {
    let green = green(scene)?;
    let stars = measure(scene, |star, at| {
        let expected = expected(scene, star, at)?;
        let (found, _) = aperture(&green, at, expected)?;
        Some(found.map(|f| f / expected))
    });
    tell("star flux, plain night", "  (bar 0.98 to 1.02)", &stars);
    tell_parts(&stars);
    Ok(())
}

/// On the demo's night, against the truth's picture of the sky.
pub(crate) fn crowded(scene: &Scene) -> Outcome<()> {
    let green = green(scene)?;
    let [_, truth, _] = scene.truth_picture("sky.tif")?.into_planes();
    let stars = measure(scene, |star, at| {
        let expected = expected(scene, star, at)?;
        let (found, _) = aperture(&green, at, expected)?;
        let (there, _) = aperture(&truth, scene.land_pixel(at), expected)?;
        let since = since(scene, star, at)?;
        Some(std::array::from_fn(|k| found[k] / (there[k] * since)))
    });
    tell("star flux, over truth's picture", "", &stars);
    Ok(())
}

fn green(scene: &Scene) -> Outcome<Plane> {
    let [_, green, _] = scene.to_camera(scene.linear.clone())?.into_planes();
    Ok(green)
}

/// Stars that stand alone under all frames, put through `ratio` with their places in the picture.
fn measure(scene: &Scene, ratio: impl Fn(&TruthStar, [f64; 2]) -> Option<[f64; 3]>) -> Vec<Measured> {
    let frame = scene.reference_truth();
    let (width, height) = scene.truth.scenario.size.pixels();
    let corner = (width as f64).hypot(height as f64) / 2.0;
    let [cx, cy] = scene.truth.lens.centre_px;
    let full = scene.truth.sensor.sky_saturation_e as f32;
    let dim = |s: &&TruthStar| s.electrons.iter().all(|e| *e < MOST * full);
    let alone = frame
        .stars
        .iter()
        .filter(dim)
        .filter(|s| is_alone(s, &frame.stars));
    let measured = alone.filter_map(|star| {
        let place = star.at_px.map(f64::from);
        let at = scene.in_picture(frame, place)?;
        is_covered(scene, at).then_some(())?;
        Some(Measured {
            v_mag: star.v_mag,
            field: (place[0] - cx).hypot(place[1] - cy) / corner,
            ratio: ratio(star, at)?,
        })
    });
    measured.collect()
}

fn is_alone(star: &TruthStar, stars: &[TruthStar]) -> bool {
    let near = |o: &TruthStar| {
        f64::from(o.at_px[0] - star.at_px[0]).hypot(f64::from(o.at_px[1] - star.at_px[1])) < ALONE_PX
    };
    !stars
        .iter()
        .any(|o| o.id != star.id && o.v_mag < star.v_mag + ALONE_MAG && near(o))
}

/// Whether all frames are under a star and its ring, rejected pixels apart.
fn is_covered(scene: &Scene, [x, y]: [f64; 2]) -> bool {
    let reach = RING_PX[1] + 1.0;
    let (width, height) = (scene.coverage.width() as f64, scene.coverage.height() as f64);
    let inside = x >= reach && y >= reach && x + reach < width - 1.0 && y + reach < height - 1.0;
    let span = |c: f64| (c - reach) as usize..=(c + reach) as usize;
    let mut mean = Mean::default();
    if inside {
        for v in span(y) {
            span(x).for_each(|u| mean.add(f64::from(scene.coverage.at(u, v))));
        }
    }
    mean.mean() >= COVERED * scene.stacked as f64
}

/// Light of a star as all frames together should show it at a place of the picture.
fn expected(scene: &Scene, star: &TruthStar, at: [f64; 2]) -> Option<f64> {
    let (mut sum, mut count) = (0.0, 0.0);
    for (_, frame) in scene.used() {
        let own = frame.stars.iter().find(|s| s.id == star.id)?;
        sum += f64::from(own.electrons[1]) * solid_angle(&scene.truth.lens, own.at_px.map(f64::from))?;
        count += 1.0;
    }
    Some(sum / count / scene.solid_angle(at)? / scene.truth.sensor.sky_saturation_e)
}

/// Green light of a star in the frames over that in the truth's picture, by the air alone.
fn since(scene: &Scene, star: &TruthStar, at: [f64; 2]) -> Option<f64> {
    let through = |seen: nalgebra::Vector3<f64>| {
        let altitude = Angle::from_rad(seen.z.clamp(-1.0, 1.0).asin());
        extinction_factor(scene.truth.scenario.extinction_mag, airmass_pickering(altitude))
    };
    let (mut sum, mut count) = (0.0, 0.0);
    for (_, frame) in scene.used() {
        let own = frame.stars.iter().find(|s| s.id == star.id)?;
        let looks = scene.truth.lens.unproject(own.at_px.map(f64::from))?.into_inner();
        sum += through(rotation(&frame.camera_from_ground[1]).inverse() * looks);
        count += 1.0;
    }
    let looks = scene.truth.lens.unproject(scene.land_pixel(at))?.into_inner();
    let then = scene
        .truth
        .scenario
        .site
        .ground_from_icrs(scene.truth.default_instant);
    let shown = then * (rotation(&scene.truth.picture_attitude).inverse() * looks);
    Some(sum / count / through(shown))
}

/// Light above the ring's median in each aperture, and the centroid; `None` for stars that are expected to be
/// too faint for this sky, and where none is.
fn aperture(plane: &Plane, at: [f64; 2], expected: f64) -> Option<([f64; 3], [f64; 2])> {
    let reach = RING_PX[1] + 1.0;
    let span = |c: f64| (c - reach) as usize..=(c + reach) as usize;
    let inside = at.iter().all(|v| *v >= reach)
        && at[0] + reach < plane.width() as f64
        && at[1] + reach < plane.height() as f64;
    inside.then_some(())?;
    let pixels: Vec<_> = span(at[1])
        .flat_map(|y| span(at[0]).map(move |x| (x, y)))
        .map(|(x, y)| (x as f64, y as f64, f64::from(plane.at(x, y))))
        .collect();
    let within = |[x, y]: [f64; 2], low: f64, high: f64| {
        pixels
            .iter()
            .filter(move |p| (low..=high).contains(&(p.0 - x).hypot(p.1 - y)))
    };
    let mut ring: Vec<f64> = within(at, RING_PX[0], RING_PX[1]).map(|p| p.2).collect();
    let level = median(&mut ring);
    let sigma = level - quantile(&mut ring, 0.16);
    (expected > LEAST_SIGMA * sigma).then_some(())?;
    let mut centre = at;
    for _ in 0..3 {
        let (mut sum, mut x, mut y) = (0.0, 0.0, 0.0);
        for p in within(centre, 0.0, 3.0) {
            (sum, x, y) = (
                sum + p.2 - level,
                x + (p.2 - level) * p.0,
                y + (p.2 - level) * p.1,
            );
        }
        centre = [x / sum, y / sum];
        (centre[0] - at[0])
            .hypot(centre[1] - at[1])
            .lt(&2.0)
            .then_some(())?;
    }
    let light = APERTURES_PX.map(|r| within(centre, 0.0, r).map(|p| p.2 - level).sum());
    Some((light, centre))
}

fn tell(name: &str, bar: &str, stars: &[Measured]) {
    let mut counts = column(stars, 1, |_| true);
    row(
        name,
        format!(
            "median {:.4}, 16 % to 84 %: {:.4} to {:.4}, {} stars{bar}",
            median(&mut counts),
            quantile(&mut counts, 0.16),
            quantile(&mut counts, 0.84),
            counts.len()
        ),
    );
}

fn tell_parts(stars: &[Measured]) {
    let part = |of: &dyn Fn(&Measured) -> bool| {
        let mut values = column(stars, 1, of);
        format!("{:.4} ({})", median(&mut values), values.len())
    };
    let grown = [0, 1, 2].map(|k| format!("{:.4}", median(&mut column(stars, k, |_| true))));
    row("  within 3.5, 5, 7 px", grown.join(", "));
    let fields = [(0.0, 0.35), (0.35, 0.7), (0.7, 2.0)];
    let by_field = fields.map(|(low, high)| part(&|s| (low..high).contains(&s.field)));
    row("  centre, between, corners", by_field.join(", "));
    // Brighter ones are saturated.
    let bins = [(-9.0, 6.0), (6.0, 6.5), (6.5, 7.0), (7.0, 7.5), (7.5, 9.0)];
    let by_mag = bins.map(|(low, high)| part(&|s| (low..high).contains(&s.v_mag)));
    row("  V to 6, 6.5, 7, 7.5, 8", by_mag.join(", "));
}

fn column(stars: &[Measured], k: usize, of: impl Fn(&Measured) -> bool) -> Vec<f64> {
    stars.iter().filter(|s| of(s)).map(|s| s.ratio[k]).collect()
}

/// Root mean square distance of stars in the stack from where the truth has them.
pub(crate) fn placed(scene: &Scene) -> Outcome<()> {
    let green = green(scene)?;
    let mut off = Mean::default();
    let stars = measure(scene, |star, at| {
        let (light, centre) = aperture(&green, at, expected(scene, star, at)?)?;
        Some([light[0], centre[0] - at[0], centre[1] - at[1]])
    });
    for star in &stars {
        off.add(star.ratio[1].powi(2) + star.ratio[2].powi(2));
    }
    row(
        "stars placed, against truth",
        format!("{:.3} px rms, {} stars", off.root(), stars.len()),
    );
    Ok(())
}
