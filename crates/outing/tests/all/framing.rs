//! What the camera takes in: held by geometry, panoramas frame by frame.

use nightloom_optics::Lens;
use nightloom_outing::framing::{Framing, PanoramaPace, Places, ToHold, covering, hold, panorama};
use nightloom_sky::{Angle, Skyline};

fn framing(focal_mm: f64, portrait: bool) -> Framing {
    Framing {
        lens: Lens::rectilinear(focal_mm / 0.006, 6000, 4000),
        size_px: [6000.0, 4000.0],
        portrait,
        azimuth: Angle::from_deg(0.0),
        altitude: Angle::from_deg(0.0),
        frames: [1, 1],
        overlap: 0.3,
    }
}

fn at(name: &str, azimuth: f64, altitude: f64) -> (String, Vec<[Angle; 2]>) {
    (name.into(), vec![[azimuth, altitude].map(Angle::from_deg)])
}

fn ridge(deg: f64) -> Skyline {
    Skyline::new(vec![Angle::from_deg(deg); 720]).expect("a skyline")
}

fn held(
    framing: Framing,
    places: &Places,
    skyline: &Skyline,
    aimed: bool,
) -> nightloom_outing::framing::Held {
    let wanted = ToHold {
        subjects: places,
        skyline,
        focal_mm: Some(framing.lens.focal_px * 0.006),
    };
    hold(framing, &wanted, aimed)
}

/// 24 mm on 36 × 24 mm takes in 2 atan(18/24) = 73.74° × 2 atan(12/24) = 53.13°.
#[test]
fn a_subject_and_its_ridge_are_held_with_a_quarter_of_land() {
    let found = held(
        framing(24.0, false),
        &vec![at("core", 190.0, 25.0)],
        &ridge(5.0),
        false,
    );
    assert!(found.holds, "{}", found.words);
    let [azimuth, altitude] = found.aim_deg;
    assert!((azimuth - 190.0).abs() < 1e-6, "{azimuth}");
    // The lower edge a quarter of 53.13° below the ridge.
    assert!(
        (altitude - (5.0 - 53.13 / 4.0 + 53.13 / 2.0)).abs() < 0.06,
        "{altitude}"
    );
    assert!((found.land_share - 0.25).abs() < 0.002, "{}", found.land_share);
    assert!(found.words.contains("25 %"), "{}", found.words);
}

/// A subject high up pushes the land down to its margin; from edge to edge there are 53.13°, less twice 4 % of 24 mm.
#[test]
fn the_land_gives_way_before_the_subject() {
    let edge = |share: f64| ((0.5 - share) * 24.0f64).atan2(24.0).to_degrees();
    let most = 2.0 * edge(0.04);
    let high = held(
        framing(24.0, false),
        &vec![at("core", 10.0, 5.0 + most - 0.3)],
        &ridge(5.0),
        false,
    );
    assert!(high.holds && high.land_share < 0.06, "{high:?}");
    let beyond = held(
        framing(24.0, false),
        &vec![at("core", 10.0, 5.0 + most + 8.0)],
        &ridge(5.0),
        false,
    );
    assert!(!beyond.holds && beyond.subject_outside_deg == 0.0);
    assert!(
        (beyond.ridge_outside_deg - 8.0).abs() < 0.15,
        "{}",
        beyond.ridge_outside_deg
    );
    for word in [
        "the ridge 8.0°",
        "camera upright",
        "mm or shorter",
        "--frames 1x2",
    ] {
        assert!(beyond.words.contains(word), "{word}: {}", beyond.words);
    }
    // What is said to help does: 2 atan(12/f) less its margins from 5° to 5° + most + 8°.
    let told = beyond
        .words
        .split("lens of ")
        .nth(1)
        .and_then(|w| w.split(' ').next())
        .expect("a lens");
    let shorter: f64 = told.parse().expect("millimetres");
    let again = |focal| {
        held(
            framing(focal, false),
            &vec![at("core", 10.0, 5.0 + most + 8.0)],
            &ridge(5.0),
            false,
        )
    };
    assert!(again(shorter).holds && !again(shorter + 1.1).holds, "{shorter}");
    assert!(
        held(
            framing(24.0, true),
            &vec![at("core", 10.0, 5.0 + most + 8.0)],
            &ridge(5.0),
            false
        )
        .holds
    );
}

#[test]
fn two_subjects_stand_either_side_of_the_middle_across_north() {
    let two = vec![at("A", 350.0, 20.0), at("B", 20.0, 30.0)];
    let found = held(framing(24.0, false), &two, &ridge(3.0), false);
    assert!(
        found.holds && found.words.starts_with("A, B and the ridge below"),
        "{}",
        found.words
    );
    assert!((found.aim_deg[0] - 5.0).abs() < 1e-6, "{}", found.aim_deg[0]);
    // At 20° of altitude 120° of azimuth are 2 asin(cos 20° sin 60°) = 108.9°; 73.7° are in the frame.
    let far = vec![at("A", 300.0, 20.0), at("B", 60.0, 20.0)];
    let found = held(framing(24.0, false), &far, &ridge(3.0), false);
    assert!(!found.holds && found.subject_outside_deg > 17.6, "{found:?}");
    assert!(found.words.contains("--frames"), "{}", found.words);
}

/// An aim of one's own stays, and is judged.
#[test]
fn an_aim_of_ones_own_is_judged() {
    let mut own = framing(24.0, false);
    (own.azimuth, own.altitude) = (Angle::from_deg(190.0), Angle::from_deg(60.0));
    let found = held(own, &vec![at("core", 190.0, 25.0)], &ridge(5.0), true);
    assert!((found.aim_deg[0] - 190.0).abs() < 1e-9 && (found.aim_deg[1] - 60.0).abs() < 1e-9);
    assert!(
        !found.holds && found.words.contains("aimed at 190,18"),
        "{}",
        found.words
    );
}

/// Outside by geometry: on the middle line the edge is half the field from the middle.
#[test]
fn outside_is_measured_from_the_edge() {
    let level = framing(24.0, false);
    let place = |azimuth: f64, altitude: f64| [azimuth, altitude].map(Angle::from_deg);
    assert_eq!(level.outside_deg(place(0.0, 20.0), 0.0), 0.0);
    let above = level.outside_deg(place(0.0, 30.0), 0.0);
    assert!((above - (30.0 - 53.13 / 2.0)).abs() < 0.01, "{above}");
    let right = level.outside_deg(place(50.0, 0.0), 0.0);
    assert!((right - (50.0 - 73.74 / 2.0)).abs() < 0.01, "{right}");
    let behind = level.outside_deg(place(180.0, 0.0), 0.0);
    assert!(behind > 120.0, "{behind}");
}

const PACE: PanoramaPace = PanoramaPace {
    frames_each: 1,
    exposure_s: 20.0,
    gap_s: 2.0,
    turn_s: 10.0,
};

/// Facing south in the north the sky goes from left to right, facing north below the pole too, above the pole to the left;
/// in the south the other way round.
#[test]
fn the_order_follows_the_sky() {
    let first_column = |azimuth: f64, altitude: f64, latitude: f64| {
        let mut three = framing(35.0, true);
        three.frames = [3, 2];
        (three.azimuth, three.altitude) = (Angle::from_deg(azimuth), Angle::from_deg(altitude));
        panorama(&three, &PACE, Angle::from_deg(latitude)).frames[0].column
    };
    assert_eq!(first_column(180.0, 20.0, 45.0), 1);
    assert_eq!(first_column(0.0, 20.0, 45.0), 1);
    assert_eq!(first_column(0.0, 70.0, 45.0), 3);
    assert_eq!(first_column(0.0, 20.0, -45.0), 3);
}

#[test]
fn every_frame_has_its_pan_and_the_sky_moves_at_its_rate() {
    let mut six = framing(24.0, false);
    six.frames = [3, 2];
    (six.azimuth, six.altitude) = (Angle::from_deg(180.0), Angle::from_deg(30.0));
    let made = panorama(&six, &PACE, Angle::from_deg(0.0));
    assert_eq!(made.frames.len(), 6);
    assert!((made.overlap_percent - 30.0).abs() < 1e-9);
    let [first, second] = [&made.frames[0], &made.frames[1]];
    assert_eq!((first.pan_deg, first.after_s), (0.0, 0.0));
    // Up in the first column, so the second frame stands above the first: 53.13° less 30 %.
    assert_eq!((second.pan_deg, second.after_s), (0.0, 30.0));
    assert!((second.altitude_deg - first.altitude_deg - 53.13 * 0.7).abs() < 0.01);
    // Then the other column, from above downwards, all rows with the same pan.
    let third = &made.frames[2];
    assert!(third.pan_deg > 0.0 && third.row == 2 && made.frames[3].pan_deg == third.pan_deg);
    // From the equator the sky at 30° over the south turns about the horizon's north point: 15.041° an hour (one turn in
    // 86 164.1 s) times the sine of 150° from it.
    let per_min = 360.0 / 86_164.1 * 60.0 * 150f64.to_radians().sin();
    assert!(
        (made.sky_deg_per_min - per_min).abs() < 1e-4,
        "{}",
        made.sky_deg_per_min
    );
    assert!((made.takes_s - (6.0 * 30.0 - 10.0)).abs() < 1e-9);
    assert!((made.sky_moves_deg - per_min * made.takes_s / 60.0).abs() < 1e-3);
    // In a serpentine of two the farthest neighbours in a row are three steps apart: 90 s, at most 15.041° an hour.
    assert!(made.neighbours_deg <= 15.041 * 90.0 / 3600.0 + 1e-3 && made.neighbours_deg > 0.2);
}

/// Neighbours have in common what is said, where the row is nearest to the horizon.
#[test]
fn neighbours_overlap_by_as_much_as_is_said() {
    let mut row = framing(50.0, true);
    row.frames = [4, 1];
    (row.azimuth, row.altitude) = (Angle::from_deg(100.0), Angle::from_deg(0.0));
    let aims = row.aims();
    let wide = 2.0 * 12f64.atan2(50.0).to_degrees();
    for pair in aims.windows(2) {
        let step = (pair[1][0] - pair[0][0]).deg();
        assert!((step - wide * 0.7).abs() < 1e-6, "{step}");
    }
}

/// Frames of a 35 mm lens that cover the Milky Way's arch 100° wide and 40° high: every point is in one of them.
#[test]
fn as_many_frames_as_it_takes() {
    let arch: Vec<[Angle; 2]> = (0..=20)
        .map(|n| {
            let along = f64::from(n) / 20.0;
            [
                130.0 + 100.0 * along,
                8.0 + 32.0 * (std::f64::consts::PI * along).sin(),
            ]
            .map(Angle::from_deg)
        })
        .collect();
    let places = vec![("arch".to_owned(), arch.clone())];
    let skyline = ridge(4.0);
    let wanted = ToHold {
        subjects: &places,
        skyline: &skyline,
        focal_mm: Some(35.0),
    };
    let found = covering(framing(35.0, true), &wanted).expect("some");
    assert!(found[0] >= 3 && found[0] * found[1] <= 8, "{found:?}");
    let covered = Framing {
        frames: found,
        ..framing(35.0, true)
    };
    let held = hold(covered, &wanted, false);
    assert!(held.holds, "{}", held.words);
    assert!(arch.iter().all(|p| held.framing.outside_deg(*p, 0.0) == 0.0));
}
