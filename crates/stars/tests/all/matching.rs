//! Matching of fields whose relation is known.

use nalgebra::{Rotation3, Vector3};
use nightloom_optics::Lens;
use nightloom_stars::{MatchSettings, Star, match_fields};

use crate::scene::{Random, listed, seen, sky, turn, wide_lens};

const SIZE: (usize, usize) = (3000, 2000);

/// A star list with centre errors, brightness errors and false ones among the true.
fn list(
    random: &mut Random,
    stars: &[(Vector3<f64>, f64)],
    attitude: &Rotation3<f64>,
    lens: &Lens,
    false_part: f64,
    centre_px: f64,
) -> Vec<(Option<usize>, Star)> {
    let mut out: Vec<(Option<usize>, Star)> = seen(stars, attitude, lens, SIZE)
        .into_iter()
        .map(|(i, s)| {
            let flux = s.electrons * (0.15 * random.normal()).exp();
            (
                Some(i),
                listed(
                    s.x + centre_px * random.normal(),
                    s.y + centre_px * random.normal(),
                    flux,
                ),
            )
        })
        .collect();
    let extra = (out.len() as f64 * false_part / (1.0 - false_part)) as usize;
    for _ in 0..extra {
        let flux = random.flux(500.0);
        out.push((
            None,
            listed(random.range(0.0, 3000.0), random.range(0.0, 2000.0), flux),
        ));
    }
    out.sort_by(|a, b| b.1.flux.total_cmp(&a.1.flux));
    out
}

fn stars_of(list: &[(Option<usize>, Star)]) -> Vec<Star> {
    list.iter().map(|s| s.1).collect()
}

fn check(
    a: &[(Option<usize>, Star)],
    b: &[(Option<usize>, Star)],
    guess: &Lens,
    truth: &Rotation3<f64>,
    what: &str,
) {
    let found = match_fields(
        &stars_of(a),
        guess,
        &stars_of(b),
        guess,
        &MatchSettings::default(),
    );
    let found = found.unwrap_or_else(|| panic!("no match: {what}"));
    let right = found
        .pairs
        .iter()
        .filter(|(i, j)| a[*i].0.is_some() && a[*i].0 == b[*j].0)
        .count();
    assert!(
        right as f64 > 0.9 * found.pairs.len() as f64,
        "{right} of {} pairs right: {what}",
        found.pairs.len()
    );
    let off = (found.rotation * truth.inverse()).angle().to_degrees();
    assert!(off < 0.5, "{off}° off: {what}");
}

#[test]
fn any_roll_with_half_false_detections_and_a_rough_lens() {
    let lens = wide_lens(SIZE.0, SIZE.1);
    let mut random = Random(21);
    let stars = sky(&mut random, 12_000, 500.0);
    let at = turn(Vector3::new(1.0, 2.0, 0.5), 70.0);
    for (roll, focal) in [
        (0.0, 1.0),
        (12.0, 1.05),
        (30.0, 0.95),
        (75.0, 1.03),
        (120.0, 0.97),
        (180.0, 1.05),
    ] {
        let guess = Lens::rectilinear(lens.focal_px * focal, SIZE.0, SIZE.1);
        let moved = turn(Vector3::z(), roll) * turn(Vector3::new(0.3, 1.0, 0.0), 6.0);
        let a = list(&mut random, &stars, &at, &lens, 0.5, 0.1);
        let b = list(&mut random, &stars, &(moved * at), &lens, 0.5, 0.1);
        check(&a, &b, &guess, &moved, &format!("roll {roll}, focal × {focal}"));
    }
}

#[test]
fn a_land_frame_with_fewer_trailed_stars() {
    let lens = wide_lens(SIZE.0, SIZE.1);
    let mut random = Random(33);
    let stars = sky(&mut random, 12_000, 500.0);
    let at = turn(Vector3::new(0.2, -1.0, 0.5), 50.0);
    let moved = turn(Vector3::z(), -17.0) * turn(Vector3::new(1.0, 0.2, 0.0), 9.0);
    let guess = Lens::rectilinear(lens.focal_px, SIZE.0, SIZE.1);
    let a = list(&mut random, &stars, &at, &lens, 0.1, 0.1);
    let mut b = list(&mut random, &stars, &(moved * at), &lens, 0.3, 0.7);
    // Half the frame is land.
    b.retain(|s| s.1.y < 1000.0);
    b.truncate(120);
    check(&a, &b, &guess, &moved, "land frame");
}

#[test]
fn an_unknown_focal_length_still_matches() {
    let lens = Lens::rectilinear(9000.0, SIZE.0, SIZE.1);
    let mut random = Random(8);
    let stars = sky(&mut random, 400_000, 500.0);
    let at = turn(Vector3::new(0.2, -1.0, 0.5), 50.0);
    let moved = turn(Vector3::z(), 25.0) * turn(Vector3::new(1.0, 0.2, 0.0), 1.0);
    let guess = Lens::rectilinear(4000.0, SIZE.0, SIZE.1);
    let a = list(&mut random, &stars, &at, &lens, 0.1, 0.1);
    let b = list(&mut random, &stars, &(moved * at), &lens, 0.1, 0.1);
    let found = match_fields(
        &stars_of(&a),
        &guess,
        &stars_of(&b),
        &guess,
        &MatchSettings::default(),
    )
    .unwrap();
    let right = found
        .pairs
        .iter()
        .filter(|(i, j)| a[*i].0.is_some() && a[*i].0 == b[*j].0)
        .count();
    assert!(
        right as f64 > 0.9 * found.pairs.len() as f64 && right > 60,
        "{right} of {}",
        found.pairs.len()
    );
}

#[test]
fn unrelated_fields_do_not_match() {
    let lens = wide_lens(SIZE.0, SIZE.1);
    let mut random = Random(99);
    let mut highest = f64::NEG_INFINITY;
    for pair in 0..50 {
        let mut one = || -> Vec<Star> {
            (0..150 + 10 * (pair % 20))
                .map(|_| {
                    listed(
                        random.range(0.0, 3000.0),
                        random.range(0.0, 2000.0),
                        random.flux(500.0),
                    )
                })
                .collect()
        };
        let (a, b) = (one(), one());
        let settings = MatchSettings {
            min_log_odds: f64::NEG_INFINITY,
            ..MatchSettings::default()
        };
        if let Some(found) = match_fields(&a, &lens, &b, &lens, &settings) {
            highest = highest.max(found.log_odds);
        }
    }
    // Without a lucky one in e^10 such pairs, the bar of e^20 stands far off.
    assert!(MatchSettings::default().min_log_odds >= 20.0);
    assert!(highest < 10.0, "chance reached log odds of {highest}");
}
