//! Where the sky stands over the land: at the chosen instant, and moved when that is asked for.

use std::fs;
use std::path::Path;

use nalgebra::{Matrix3, Rotation3, Vector3};
use nightloom_raster::Plane;
use nightloom_simulate::{ShotRole, Truth, TruthFrame};
use nightloom_sky::{Angle, Instant};
use serde_json::Value;

use crate::night::{Night, built, linear, output, refused};
use crate::whole::grey;

/// How exactly an offset asked for is kept, pixels: by whole pixels it is a relabelling.
const OFFSET_WITHIN_PX: f64 = 0.03;
/// How exactly the sky stands where the truth has it, pixels: the bar of registration.
const INSTANT_WITHIN_PX: f64 = 0.3;
/// Share of the sky that no tracked frame saw: between twigs, and where stars set along a slope.
const MOST_FILLED: f64 = 0.02;
/// Reach of a star's centroid, pixels.
const REACH: i64 = 4;

pub(crate) fn rotation(rows: &[[f64; 3]; 3]) -> Rotation3<f64> {
    Rotation3::from_matrix_unchecked(Matrix3::from_fn(|i, j| rows[i][j]))
}

/// Light-weighted middle of the star next to a place; `None` where there is none, or too near a border.
fn centroid(plane: &Plane, at: [f64; 2]) -> Option<[f64; 2]> {
    let (mut x, mut y) = (at[0].round() as i64, at[1].round() as i64);
    let inside = |x: i64, y: i64| {
        let reach = REACH + 2;
        x >= reach && y >= reach && x + reach < plane.width() as i64 && y + reach < plane.height() as i64
    };
    let value = |x: i64, y: i64| f64::from(plane.at(x as usize, y as usize));
    // Twice, so that the window stands on the star.
    for _ in 0..2 {
        if !inside(x, y) {
            return None;
        }
        let near = (-2..=2).flat_map(|j| (-2..=2).map(move |i| (i, j)));
        let (i, j) = near.max_by(|a, b| value(x + a.0, y + a.1).total_cmp(&value(x + b.0, y + b.1)))?;
        (x, y) = (x + i, y + j);
    }
    if !inside(x, y) {
        return None;
    }
    let window = || (-REACH..=REACH).flat_map(|j| (-REACH..=REACH).map(move |i| (i, j)));
    let mut all: Vec<f64> = window().map(|(i, j)| value(x + i, y + j)).collect();
    all.sort_by(f64::total_cmp);
    let level = all[all.len() / 2];
    let spread = level - all[all.len() * 16 / 100];
    let (mut sx, mut sy, mut sum) = (0.0, 0.0, 0.0);
    for (i, j) in window().filter(|(i, j)| i * i + j * j <= REACH * REACH) {
        let light = (value(x + i, y + j) - level).max(0.0);
        sx += light * i as f64;
        sy += light * j as f64;
        sum += light;
    }
    let clear = value(x, y) - level > 12.0 * spread && value(x, y) < 0.8;
    clear.then(|| [x as f64 + sx / sum, y as f64 + sy / sum])
}

/// The truth's stars in the first land frame's pixels, as the sky stood at `instant`, by the truth's
/// lens, aims, site and air. Bright lone stars only.
fn predicted(truth: &Truth, instant: Instant) -> Vec<[f64; 2]> {
    let first = |role: ShotRole| truth.frames.iter().find(|f| f.role == role).unwrap();
    let (sky, land) = (first(ShotRole::Sky), first(ShotRole::Land));
    let (site, air) = (&truth.scenario.site, &truth.scenario.air);
    let then = sky.start.plus_seconds(sky.exposure.seconds / 2.0);
    let turn = site.ground_from_icrs(instant) * site.ground_from_icrs(then).inverse();
    lone(sky)
        .filter_map(|at| {
            let seen = truth.lens.unproject(at)?.into_inner();
            let ground = rotation(&sky.camera_from_ground[1]).inverse() * seen;
            let bare = raised(ground, -air.refraction_at_apparent(altitude(ground)));
            let turned = turn * bare;
            let shown = raised(turned, air.refraction_at_true(altitude(turned)));
            truth
                .lens
                .project(&(rotation(&land.camera_from_ground[1]) * shown))
        })
        .collect()
}

fn altitude(ground: Vector3<f64>) -> Angle {
    Angle::from_rad(ground.z.atan2(ground.x.hypot(ground.y)))
}

/// A direction of the ground frame at the same azimuth, higher by an angle.
fn raised(ground: Vector3<f64>, by: Angle) -> Vector3<f64> {
    let up = (altitude(ground) + by).rad();
    let azimuth = ground.y.atan2(ground.x);
    Vector3::new(up.cos() * azimuth.cos(), up.cos() * azimuth.sin(), up.sin())
}

/// Places of the stars of a frame that have no neighbour which would pull at them.
fn lone(frame: &TruthFrame) -> impl Iterator<Item = [f64; 2]> + '_ {
    let bright = frame.stars.iter().filter(|s| (3.5..8.0).contains(&s.v_mag));
    let alone = bright.filter(|s| {
        frame.stars.iter().all(|o| {
            let apart = (o.at_px[0] - s.at_px[0]).hypot(o.at_px[1] - s.at_px[1]);
            o.id == s.id || apart > 9.0 || o.v_mag > s.v_mag + 2.5
        })
    });
    alone.map(|s| s.at_px.map(f64::from))
}

fn origin(report: &Value) -> [f64; 2] {
    [0, 1].map(|i| report["canvas"]["land_origin_px"][i].as_f64().unwrap())
}

/// How far each star of the stack of `a` moved to that of `b` against the land, where it is
/// expected to have moved by `by`.
pub(crate) fn moves(a: &Value, b: &Value, by: [f64; 2]) -> Vec<[f64; 2]> {
    let truth = Night::get().truth();
    let instant = serde_json::from_value(a["seam"]["instant"].clone()).unwrap();
    let stars = predicted(&truth, instant);
    let (ours, theirs) = (linear(a), linear(b));
    let (from, to) = (origin(a), origin(b));
    let found: Vec<[f64; 2]> = stars
        .iter()
        .filter_map(|[x, y]| {
            let p = centroid(&ours.planes()[1], [x + from[0], y + from[1]])?;
            let land = [p[0] - from[0], p[1] - from[1]];
            let q = centroid(
                &theirs.planes()[1],
                [land[0] + by[0] + to[0], land[1] + by[1] + to[1]],
            )?;
            Some([q[0] - to[0] - land[0], q[1] - to[1] - land[1]])
        })
        .collect();
    assert!(
        found.len() >= 20,
        "only {} of {} stars compare",
        found.len(),
        stars.len()
    );
    found
}

/// Middle and largest of distances.
fn middle_and_worst(mut all: Vec<f64>) -> (f64, f64) {
    all.sort_by(f64::total_cmp);
    (all[all.len() / 2], all[all.len() - 1])
}

fn settings(night: &Path, seam: &str) {
    fs::write(night.join("outing.toml"), format!("[seam]\n{seam}\n")).unwrap();
}

#[test]
fn an_offset_moves_the_sky_by_just_that_and_is_recorded() {
    let shared = Night::get();
    let temp = shared.few_built();
    settings(&temp.night(), "offset_px = [40, -25]");
    let report = built(&temp.night());
    assert_eq!(report["seam"]["offset_px"], serde_json::json!([40.0, -25.0]));
    let page = fs::read_to_string(temp.night().join("picture/report.html")).unwrap();
    assert!(
        page.contains("40") && page.contains("-25"),
        "the page does not tell the offset"
    );
    let off = moves(&shared.few_report(), &report, [40.0, -25.0]);
    let (middle, worst) = middle_and_worst(off.iter().map(|m| (m[0] - 40.0).hypot(m[1] + 25.0)).collect());
    println!("{} stars, off by {middle:.3} px, at most {worst:.3}", off.len());
    assert!(middle < OFFSET_WITHIN_PX, "{middle} px");
}

/// Distances of the stack's stars from where the truth has them at an instant.
fn off_truth(truth: &Truth, report: &Value, instant: Instant) -> Vec<f64> {
    let picture = linear(report);
    let [ox, oy] = origin(report);
    let stars = predicted(truth, instant);
    let found: Vec<f64> = stars
        .iter()
        .filter_map(|[x, y]| {
            let [u, v] = centroid(&picture.planes()[1], [x + ox, y + oy])?;
            Some((u - x - ox).hypot(v - y - oy))
        })
        .collect();
    assert!(
        found.len() >= 20,
        "only {} of {} stars were found",
        found.len(),
        stars.len()
    );
    found
}

#[test]
fn the_sky_is_shown_as_it_stood_while_tracked_frames_were_taken() {
    let shared = Night::get();
    let truth = shared.truth();
    let report = shared.whole_report();
    let instant: Instant = serde_json::from_value(report["seam"]["instant"].clone()).unwrap();
    let sky: Vec<Instant> = truth
        .frames
        .iter()
        .filter(|f| f.role == ShotRole::Sky)
        .map(|f| f.start)
        .collect();
    let (first, last) = (*sky.iter().min().unwrap(), *sky.iter().max().unwrap());
    // The last one's exposure goes on after its start.
    let end = last.plus_seconds(90.0);
    assert!(
        first < instant && instant < end,
        "{instant} is not between {first} and {end}"
    );
    let land = report["seam"]["instant_from_land_s"].as_f64().unwrap();
    let apart = instant.seconds_since(truth.default_instant) - land;
    assert!(apart.abs() < 5.0, "the land's middle is told {apart} s wrong");
    assert!(
        report["seam"]["instant_reason"]
            .as_str()
            .unwrap()
            .contains("tracked frames")
    );
    let filled = report["seam"]["filled_fraction"].as_f64().unwrap();
    println!("filled: {filled}");
    assert!(filled < MOST_FILLED, "{filled} of the sky is filled");
    let (middle, worst) = middle_and_worst(off_truth(&truth, &report, instant));
    println!("off by {middle:.3} px, at most {worst:.3}");
    assert!(middle < INSTANT_WITHIN_PX, "{middle} px");
}

#[test]
fn a_crop_is_a_box_of_the_full_canvas() {
    let shared = Night::get();
    let temp = shared.few_built();
    let made = |crop: &str| {
        let text = format!("[seam]\ninstant = 2024-11-20T18:45:00Z\n[picture]\ncrop = {crop}\n");
        fs::write(temp.night().join("outing.toml"), text).unwrap();
        let report = built(&temp.night());
        (report["canvas"].clone(), grey(&output(&report, "matte")))
    };
    let (full, whole) = made("\"all\"");
    let size = [
        full["width_px"].as_u64().unwrap(),
        full["height_px"].as_u64().unwrap(),
    ];
    assert_eq!(full["full_px"], serde_json::json!(size));
    assert_eq!(full["crop_px"], serde_json::json!([0, 0, size[0], size[1]]));
    let (part, cut) = made("[120, 61, 700, 500]");
    assert_eq!(part["crop_px"], serde_json::json!([120, 61, 700, 500]));
    assert_eq!(
        [part["width_px"].as_u64(), part["height_px"].as_u64()],
        [Some(580), Some(439)]
    );
    for (axis, taken) in [(0, 120), (1, 61)] {
        let at = |canvas: &Value| canvas["land_origin_px"][axis].as_i64().unwrap();
        assert_eq!(at(&part), at(&full) - taken);
    }
    for y in 0..cut.height() {
        assert_eq!(cut.row(y), &whole.row(y + 61)[120..700], "row {y}");
    }
    fs::write(
        temp.night().join("outing.toml"),
        "[picture]\ncrop = [0, 0, 90000, 500]\n",
    )
    .unwrap();
    let said = refused(&temp.night(), 1);
    assert!(said.contains("picture.crop") && said.contains("90000"), "{said}");
}

#[test]
fn another_instant_shows_the_sky_of_then() {
    let shared = Night::get();
    let truth = shared.truth();
    let temp = shared.few_built();
    settings(&temp.night(), "instant = \"2024-11-20T19:30:00Z\"");
    let report = built(&temp.night());
    let instant: Instant = serde_json::from_value(report["seam"]["instant"].clone()).unwrap();
    assert_eq!(serde_json::to_value(instant).unwrap(), "2024-11-20T19:30:00Z");
    let (middle, worst) = middle_and_worst(off_truth(&truth, &report, instant));
    println!("off by {middle:.3} px, at most {worst:.3}");
    assert!(middle < INSTANT_WITHIN_PX, "{middle} px");
    // The check can fail: two minutes later the stars stand 5 px further at the equator.
    let late = instant.plus_seconds(120.0);
    let (wrong, _) = middle_and_worst(off_truth(&truth, &report, late));
    assert!(wrong > 3.0 * INSTANT_WITHIN_PX, "{wrong} px two minutes away");
    // No frame tells of a sky of other hours.
    settings(&temp.night(), "instant = \"2024-11-21T03:00:00Z\"");
    let said = refused(&temp.night(), 1);
    assert!(
        said.contains("seam.instant") && said.contains("give a moment in that span"),
        "{said}"
    );
}
