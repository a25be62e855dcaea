//! Trails, against an independent integration and the figures of the trade.

use nightloom_optics::{
    Camera, Periodic, Projection, Rate, SIDEREAL_ARCSEC_PER_S, Scene, Shot, Tracker, TrailError, Trailing,
    axis_allowance, longest_exposure_s, longest_night_s, npf_full_s, npf_simple_s, rules, share_kept,
    share_of_frames_kept, worst_excursion,
};
use nightloom_sky::{Air, Angle};

/// Bar for every trail: this part of it, or this many pixels.
const PART: f64 = 0.005;
const PIXELS: f64 = 0.01;
/// What is reached against the committed table at centre and corners.
const MEASURED_PART: f64 = 3e-6;
/// The table's worst is that of a grid, so it may be short by a little.
const WORST_PART: f64 = 1e-5;

fn deg(degrees: f64) -> Angle {
    Angle::from_deg(degrees)
}

fn camera(focal_mm: f64, pitch_um: f64) -> Camera {
    Camera::new(Projection::Rectilinear, focal_mm, pitch_um, [36.0, 24.0]).unwrap()
}

fn shot(lat: f64, dec: f64, ha_h: f64, camera: Camera, seconds: f64) -> Shot {
    Shot {
        scene: Scene::new(deg(lat), deg(dec), deg(15.0 * ha_h)).unwrap(),
        camera,
        tracker: None,
        air: None,
        seconds,
    }
}

fn centre_px(shot: &Shot) -> f64 {
    shot.frame_trails(Trailing::Sky).centre.unwrap().length_px
}

/// `tests/reference/make_trails.py`: 240 cases, any latitude, 14 to 200 mm on 36 × 24 mm.
#[test]
fn agrees_with_numerical_integration() {
    let text = include_str!("../reference/trails.csv");
    let (mut fixed, mut tracked) = (0, 0);
    for line in text.lines().filter(|l| !l.starts_with('#')).skip(1) {
        let v: Vec<f64> = line.split(',').map(|v| v.parse().unwrap_or(f64::NAN)).collect();
        let mut shot = shot(v[0], v[1], v[2], camera(v[3], v[4]), v[5]);
        if v[6].is_nan() {
            fixed += 1;
        } else {
            shot.tracker = Some(Tracker::pointing(deg(v[6]), deg(v[7])).unwrap());
            tracked += 1;
        }
        let trails = shot.frame_trails(Trailing::Sky);
        let close = |got: f64, want: f64, part: f64| {
            assert!((got - want).abs() < (PART * want).max(PIXELS), "{got}: {line}");
            assert!((got / want - 1.0).abs() < part, "{got} against {want}: {line}");
        };
        let centre = trails.centre.unwrap();
        close(centre.length.arcsec(), v[8], MEASURED_PART);
        close(centre.length_px, v[9], MEASURED_PART);
        for (corner, want) in trails.corners.iter().zip(&v[10..14]) {
            let got = corner.unwrap().length_px;
            close(got, *want, MEASURED_PART);
        }
        let worst = trails.worst.unwrap().length_px;
        close(worst, v[14], WORST_PART);
        assert!(worst > v[14] * (1.0 - MEASURED_PART));
    }
    assert_eq!((fixed, tracked), (80, 160));
}

/// A fixed camera: 15.041 t cos δ.
#[test]
fn a_fixed_camera_sees_the_sky_turn() {
    for (dec, lat) in [(0.0, 40.0), (60.0, -20.0), (-45.0, 51.0)] {
        let trail = shot(lat, dec, 1.0, camera(24.0, 5.95), 60.0)
            .frame_trails(Trailing::Sky)
            .centre
            .unwrap();
        let want = 15.041_067 * 60.0 * deg(dec).cos();
        assert!((trail.length.arcsec() / want - 1.0).abs() < 1e-8);
    }
    // 500/24 and its trail at 4.3 µm on the equator: 8.5 px (computed from the formula).
    let seconds = 500.0 / 24.0;
    let px = centre_px(&shot(40.0, 0.0, 0.0, camera(24.0, 4.3), seconds));
    assert!((px - 8.5).abs() < 0.05, "{px}");
    // Land under a tracking camera, and stars over a fixed one, at the equator of each: 35 px in 2 min at
    // 24 mm and 5.95 µm, 173 px at 85 mm and 4.3 µm.
    for (focal, pitch, want) in [(24.0, 5.95, 35.0), (85.0, 4.3, 173.0)] {
        let mut shot = shot(0.0, 0.0, 0.0, camera(focal, pitch), 120.0);
        assert!((centre_px(&shot) - want).abs() < 0.5);
        shot.tracker = Some(Tracker::pointing(deg(0.0), deg(0.0)).unwrap());
        let land = shot.frame_trails(Trailing::Land).centre.unwrap();
        assert!((land.length_px - want).abs() < 0.5, "{land:?}");
        assert!(shot.frame_trails(Trailing::Sky).worst.unwrap().length_px < 1e-6);
    }
}

/// Where things go, on both hemispheres: up is up, and the stars of a fixed camera move as they do.
#[test]
fn stars_move_the_way_they_do() {
    let shift = |lat: f64, dec: f64, ha: f64| {
        shot(lat, dec, ha, camera(24.0, 5.95), 60.0)
            .frame_trails(Trailing::Sky)
            .centre
            .unwrap()
            .shift_px
    };
    // On the meridian in the south, seen from the north: to the right, level.
    let [x, y] = shift(50.0, 0.0, 0.0);
    assert!(x > 10.0 && y.abs() < 0.1, "{x} {y}");
    // Rising in the east: up and to the right. Setting in the west: down and to the right.
    let [x, y] = shift(50.0, 0.0, -6.0);
    assert!(x > 5.0 && y < -5.0);
    let [x, y] = shift(50.0, 0.0, 6.0);
    assert!(x > 5.0 && y > 5.0);
    // Seen from the south, on the meridian in the north: to the left.
    let [x, y] = shift(-30.0, 10.0, 0.0);
    assert!(x < -10.0 && y.abs() < 0.1);
    // Below the pole, in the north: to the right.
    assert!(shift(50.0, 60.0, 12.0)[0] > 5.0);
}

#[test]
fn an_axis_on_the_pole_holds_the_stars() {
    for lat in [-75.0, -30.0, -0.001, 0.0, 12.0, 51.0, 89.0f64] {
        let south = lat < 0.0;
        let mut held = shot(lat, 20.0, 2.0, camera(14.0, 3.0), 1200.0);
        let axis = Tracker::pointing(deg(lat.abs()), deg(if south { 180.0 } else { 0.0 })).unwrap();
        assert!(axis.axis_error(&held.scene.north_pole()).arcsec() < 1e-6);
        held.tracker = Some(axis);
        assert!(held.worst(Trailing::Sky).unwrap().length_px < 1e-6, "{lat}");
        // Off by a degree: |Δ| = 2ω sin(ε/2), worst where the star is square to it.
        let mut most: f64 = 0.0;
        for way in 0..12 {
            held.tracker = Some(Tracker::off_pole(deg(lat), deg(1.0), deg(30.0 * f64::from(way))));
            most = most.max(held.frame_trails(Trailing::Sky).centre.unwrap().length.arcsec());
            let error = held.tracker.unwrap().axis_error(&held.scene.north_pole());
            assert!((error.deg() - 1.0).abs() < 1e-9);
        }
        let want = 2.0 * SIDEREAL_ARCSEC_PER_S * 1200.0 * deg(0.5).sin();
        assert!((most / want - 1.0).abs() < 0.005, "{lat}: {most} against {want}");
    }
}

/// Drift by a misaligned axis: published and computed figures.
#[test]
fn drift_of_a_misaligned_axis() {
    // The star square to the error: on the equator and the meridian with the axis too high.
    let drift = |error: Angle, focal: f64, pitch: f64, seconds: f64| {
        let mut shot = shot(45.0, 0.0, 0.0, camera(focal, pitch), seconds);
        // On the meridian the star is square to an axis that is off sideways... and to one too high.
        shot.tracker = Some(Tracker::off_pole(deg(45.0), error, deg(90.0)));
        shot.frame_trails(Trailing::Sky).centre.unwrap()
    };
    // Published: 180 mm, 6 µm, 0.2° off, 60 s: 3″, about 0.5 px.
    let trail = drift(deg(0.2), 180.0, 6.0, 60.0);
    assert!(
        (trail.length.arcsec() - 3.0).abs() < 0.2 && (trail.length_px - 0.5).abs() < 0.05,
        "{trail:?}"
    );
    // Published: 25″ of drift in 3600 s is 95.5″ of polar error. Worked with 15″/s for the sky, as are the
    // 23 636 of half a pixel, T[s]·X[′]·f[mm]/p[µm]; the sidereal rate makes both smaller by 0.27 %.
    let to_solar = SIDEREAL_ARCSEC_PER_S / 15.0;
    let arcsec = |seconds: f64| {
        drift(Angle::from_arcsec(95.5), 50.0, 4.3, seconds)
            .length
            .arcsec()
            / to_solar
    };
    // Over an hour the star leaves the square position by 15°: sin 15°/15° in radians, about the middle.
    assert!((arcsec(60.0) * 60.0 - 25.0).abs() < 0.02, "{}", arcsec(60.0));
    for (focal, pitch, minutes) in [(24.0, 5.95, 2.0), (200.0, 4.3, 0.5)] {
        let error = Angle::from_arcmin(23_636.0 * pitch / focal / (60.0 * minutes));
        let px = drift(error, focal, pitch, 60.0 * minutes).length_px / to_solar;
        assert!((px - 0.5).abs() < 0.001, "{px}");
    }
    // Aimed straight at Polaris, 37.7′ off in 2026: over 4 min 0.45, 0.77, 1.6, 3.8 px; 9.9″/min.
    for (focal, pitch, want, within) in [
        (14.0, 5.95, 0.45, 0.005),
        (24.0, 5.95, 0.77, 0.005),
        (35.0, 4.3, 1.6, 0.05),
        (85.0, 4.3, 3.8, 0.05),
    ] {
        let trail = drift(Angle::from_arcmin(37.7), focal, pitch, 240.0);
        assert!((trail.length_px - want).abs() < within, "{focal} mm: {trail:?}");
        assert!((trail.length.arcsec() / 4.0 - 9.9).abs() < 0.05);
    }
    // 0.2625″ a minute for every arcminute.
    assert!((drift(Angle::from_arcmin(1.0), 50.0, 4.3, 60.0).length.arcsec() - 0.2625).abs() < 1e-4);
}

/// ε for 1 px in 4 min: 83, 49 (5.95 µm), 24, 17, 9.9′ (4.3 µm), and less for the corners.
#[test]
fn the_axis_error_that_an_exposure_allows() {
    for (focal, pitch, want, within) in [
        (14.0, 5.95, 83.0, 0.6),
        (24.0, 5.95, 49.0, 0.5),
        (35.0, 4.3, 24.0, 0.5),
        (50.0, 4.3, 17.0, 0.5),
        (85.0, 4.3, 9.9, 0.05),
    ] {
        let camera = camera(focal, pitch);
        let scene = Scene::new(deg(45.0), deg(10.0), deg(15.0)).unwrap();
        let allowed = axis_allowance(&scene, &camera, 240.0, 1.0).unwrap();
        let centre = allowed.centre.unwrap();
        assert!(
            (centre.arcmin() - want).abs() < within,
            "{focal} mm: {}′",
            centre.arcmin()
        );
        // At a corner the scale is finer along the radius by cos² of the angle off the axis, but drift
        // need not be along the radius there.
        let off = (36f64.hypot(24.0) / 2.0 / focal).atan();
        let frame = allowed.frame.unwrap();
        let ratio = frame.rad() / centre.rad();
        assert!(
            ratio > off.cos().powi(2) * 0.999 && ratio < 1.0,
            "{focal} mm: {ratio}"
        );
        // No direction of an error that large breaks the tolerance; some uses it up.
        let mut most: f64 = 0.0;
        for way in 0..72 {
            let mut shot = Shot {
                scene,
                camera,
                tracker: None,
                air: None,
                seconds: 240.0,
            };
            shot.tracker = Some(Tracker::off_pole(deg(45.0), frame, deg(5.0 * f64::from(way))));
            most = most.max(shot.worst(Trailing::Sky).unwrap().length_px);
        }
        assert!((most - 1.0).abs() < PART, "{focal} mm: {most} px");
    }
    let scene = Scene::new(deg(45.0), deg(10.0), deg(15.0)).unwrap();
    let short = axis_allowance(&scene, &camera(14.0, 8.4), 0.05, 5.0).unwrap();
    assert_eq!((short.centre, short.frame), (None, None));
}

#[test]
fn the_longest_exposure_uses_the_tolerance_up() {
    for (lat, dec, focal, error_arcmin) in [
        (51.0, 0.0, 24.0, None),
        (-33.0, -60.0, 14.0, None),
        (20.0, 85.0, 200.0, None),
        (51.0, 30.0, 35.0, Some(12.0)),
        (-33.0, -29.0, 135.0, Some(40.0)),
        (5.0, 10.0, 14.0, Some(3.0)),
    ] {
        for tolerance in [0.5, 2.0, 8.0] {
            let mut shot = shot(lat, dec, -1.0, camera(focal, 4.3), 1.0);
            shot.tracker =
                error_arcmin.map(|e| Tracker::off_pole(deg(lat), Angle::from_arcmin(e), deg(200.0)));
            shot.seconds = longest_exposure_s(&shot, tolerance).unwrap().unwrap();
            let px = shot.worst(Trailing::Sky).unwrap().length_px;
            assert!(
                (px / tolerance - 1.0).abs() < 1e-4,
                "{lat} {focal} {tolerance}: {px}"
            );
        }
    }
    // Nothing limits a perfect tracker.
    let mut held = shot(51.0, 30.0, 0.0, camera(50.0, 4.3), 1.0);
    held.tracker = Some(Tracker::off_pole(deg(51.0), deg(0.0), deg(0.0)));
    assert_eq!(longest_exposure_s(&held, 1.0).unwrap(), None);
    assert!(longest_exposure_s(&held, 0.0).is_err());
}

#[test]
fn wrong_rates_trail_in_hour_angle() {
    let mut shot = shot(45.0, 0.0, 0.0, camera(50.0, 4.3), 600.0);
    let pole = Tracker::pointing(deg(45.0), deg(0.0)).unwrap();
    for (rate, want) in [
        (Rate::Solar, 0.041_067 * 600.0),
        (Rate::Half, 7.520_533_5 * 600.0),
        (Rate::Off, 15.041_067 * 600.0),
        (Rate::Times(1.01), 0.150_410_67 * 600.0),
    ] {
        shot.tracker = Some(Tracker { rate, ..pole });
        let sky = shot.frame_trails(Trailing::Sky).centre.unwrap().length.arcsec();
        assert!((sky / want - 1.0).abs() < 1e-6, "{rate:?}: {sky}");
    }
    // At half rate the land smears just as much.
    shot.tracker = Some(Tracker {
        rate: Rate::Half,
        ..pole
    });
    let land = shot.frame_trails(Trailing::Land).centre.unwrap().length.arcsec();
    assert!((land / (7.520_533_5 * 600.0) - 1.0).abs() < 1e-6);
    // Off, it is a fixed camera.
    shot.tracker = Some(Tracker {
        rate: Rate::Off,
        ..pole
    });
    let off = shot.frame_trails(Trailing::Sky);
    shot.tracker = None;
    assert_eq!(off, shot.frame_trails(Trailing::Sky));
}

/// A star sinking from 10° to 5° moves 4.3′ by refraction, about 5 px at 24 mm and 5.95 µm (computed).
#[test]
fn refraction_moves_a_low_star_on_a_perfect_tracker() {
    // At the equator a star in the west sinks straight down at 15.041″/s.
    let seconds = 5.0 * 3600.0 / SIDEREAL_ARCSEC_PER_S;
    let mut sinking = shot(0.0, 0.0, 80.0 / 15.0, camera(24.0, 5.95), seconds);
    sinking.tracker = Some(Tracker::pointing(deg(0.0), deg(0.0)).unwrap());
    assert!(centre_px(&sinking) < 1e-6);
    sinking.air = Some(Air::default());
    let trail = sinking.frame_trails(Trailing::Sky).centre.unwrap();
    assert!(
        (trail.length.arcmin() - 4.3).abs() < 0.15,
        "{}",
        trail.length.arcmin()
    );
    assert!((trail.length_px - 5.0).abs() < 0.2, "{trail:?}");
    // High up it is 58.28″ tan z (Meeus 1998, ch. 16), here from z = 15° to 16°; Sæmundsson's formula,
    // made for low stars, has 5 % more of that arcsecond.
    let mut high = shot(0.0, 0.0, 1.0, camera(24.0, 5.95), 3600.0 / SIDEREAL_ARCSEC_PER_S);
    high.tracker = sinking.tracker;
    high.air = sinking.air;
    let arcsec = high.frame_trails(Trailing::Sky).centre.unwrap().length.arcsec();
    let want = 58.28 * (deg(16.0).tan() - deg(15.0).tan());
    assert!((arcsec - want).abs() < 0.06, "{arcsec} against {want}");
}

/// 2A sin(πt/P) for t < P/2, then 2A; and how often less.
#[test]
fn periodic_error_as_excursion_and_probability() {
    let (amplitude, period) = (Angle::from_arcsec(30.0), 480.0);
    let worst = |t: f64| worst_excursion(amplitude, period, t).arcsec();
    assert!((worst(80.0) - 30.0).abs() < 1e-9);
    assert!((worst(240.0) - 60.0).abs() < 1e-9 && (worst(1000.0) - 60.0).abs() < 1e-9);

    // Against every phase tried: 3600 phases, 400 moments.
    let mut compared = 0;
    for seconds in [20.0, 80.0, 150.0, 239.0, 300.0, 470.0, 600.0] {
        for limit in [0.5, 5.0, 15.0, 30.0, 45.0, 59.0, 60.5] {
            let kept = (0..3600).filter(|n| {
                let phase = f64::from(*n) / 3600.0 * std::f64::consts::TAU;
                let at =
                    |m: i32| (phase + std::f64::consts::TAU * seconds * f64::from(m) / 400.0 / period).sin();
                let (low, high) = (0..=400)
                    .map(at)
                    .fold((2.0f64, -2.0f64), |(l, h), v| (l.min(v), h.max(v)));
                30.0 * (high - low) <= limit
            });
            let tried = kept.count() as f64 / 3600.0;
            let share = share_kept(amplitude, period, seconds, Angle::from_arcsec(limit));
            assert!(
                (share - tried).abs() < 0.003,
                "{seconds} s, {limit}″: {share} against {tried}"
            );
            compared += usize::from(share > 0.0 && share < 1.0);
        }
    }
    assert!(compared >= 10, "{compared}");
}

#[test]
fn periodic_error_on_the_sensor() {
    let mut shot = shot(45.0, 0.0, 0.0, camera(200.0, 4.3), 120.0);
    let gear = Periodic::new(Angle::from_arcsec(25.0), 480.0, deg(-45.0)).unwrap();
    shot.tracker = Some(Tracker {
        periodic: Some(gear),
        ..Tracker::pointing(deg(45.0), deg(0.0)).unwrap()
    });
    // About the middle of the swing: 2A sin(π/4).
    let trail = shot.frame_trails(Trailing::Sky).centre.unwrap();
    let want = worst_excursion(gear.amplitude, 480.0, 120.0).arcsec();
    assert!(
        (trail.length.arcsec() - want).abs() < 1e-3,
        "{} against {want}",
        trail.length.arcsec()
    );
    assert!((trail.extent_px - trail.length_px).abs() < 1e-3);
    // The worst phase is that one, from wherever the worm began.
    let gear_at = |degrees: f64| Periodic {
        phase: deg(degrees),
        ..gear
    };
    for degrees in [0.0, 33.0, 180.0] {
        let mut other = shot;
        if let Some(tracker) = &mut other.tracker {
            tracker.periodic = Some(gear_at(degrees));
        }
        let worst = other.at_worst_phase().frame_trails(Trailing::Sky).centre.unwrap();
        assert!(
            (worst.extent_px / trail.extent_px - 1.0).abs() < 0.002,
            "{degrees}°"
        );
    }
    // Over whole turns the path is 4A long for each, its extent 2A.
    shot.seconds = 960.0;
    let trail = shot.frame_trails(Trailing::Sky).centre.unwrap();
    assert!(
        (trail.length.arcsec() / 200.0 - 1.0).abs() < 0.005,
        "{}",
        trail.length.arcsec()
    );
    let scale = shot
        .camera
        .lens
        .scale_at(shot.camera.lens.centre_px)
        .unwrap()
        .radial
        .arcsec();
    assert!((trail.extent_px * scale / 50.0 - 1.0).abs() < 0.005);

    // The share of frames kept, on the equator at 200 mm where the frame is nearly flat: the
    // longest extent is that at the corners, up to 1.2 % more than at the middle.
    shot.seconds = 120.0;
    for tolerance in [1.0, 3.0, 6.0, 7.5] {
        let share = share_of_frames_kept(&shot, tolerance).unwrap().unwrap();
        let exact = |px: f64| share_kept(gear.amplitude, 480.0, 120.0, Angle::from_arcsec(px * scale));
        let (least, most) = (exact(tolerance / 1.02), exact(tolerance));
        assert!(
            share > least - 0.01 && share < most + 0.01,
            "{tolerance} px: {least} {share} {most}"
        );
    }
    shot.tracker = None;
    assert_eq!(share_of_frames_kept(&shot, 1.0).unwrap(), Some(0.0));
    assert_eq!(share_of_frames_kept(&shot, 1e5).unwrap(), Some(1.0));
}

/// The rules beside it. NPF simple (F. Michaud, 2016) and full with k = 1; 500/f common practice, no source.
#[test]
fn rules_of_thumb() {
    assert!((npf_simple_s(2.8, 24.0, 4.3) - 9.46).abs() < 0.005);
    assert!((npf_simple_s(4.0, 200.0, 3.75) - 1.26).abs() < 0.005);
    for (n, focal, pitch, want) in [
        (2.8, 24.0, 4.3, 4.53),
        (2.8, 14.0, 5.95, 9.30),
        (1.8, 85.0, 4.3, 1.15),
    ] {
        assert!((npf_full_s(n, focal, pitch, deg(0.0), 1.0) - want).abs() < 0.005);
    }
    let rules = rules(&camera(24.0, 4.3), Some(2.8), deg(60.0)).unwrap();
    assert!((rules.by_500_s - 20.83).abs() < 0.005 && (rules.by_300_s - 12.5).abs() < 1e-9);
    assert!((rules.npf_full_s.unwrap() - 2.0 * 4.53).abs() < 0.01);
    assert!(nightloom_optics::rules(&camera(24.0, 4.3), Some(0.0), deg(0.0)).is_err());
}

#[test]
fn the_declination_nearest_to_the_equator_in_view() {
    let least = |dec: f64, focal: f64| shot(45.0, dec, 0.0, camera(focal, 4.3), 1.0).least_declination_deg();
    // 24 mm high on 50 mm: 13.5° either side of the middle; on the meridian the frame's lower edge.
    let half = (12.0f64 / 50.0).atan().to_degrees();
    assert_eq!(least(10.0, 50.0), 0.0);
    assert!((least(40.0, 50.0) - (40.0 - half)).abs() < 3.0 && least(40.0, 50.0) < 40.0 - half + 0.01);
    assert!((least(90.0, 50.0) - (90.0 - (18f64.hypot(12.0) / 50.0).atan().to_degrees())).abs() < 1e-6);
}

/// Sunset to sunrise at midwinter: London 16 h 10 min (almanac, from memory), the equator 11 h 53 min.
#[test]
fn no_exposure_is_longer_than_the_night() {
    assert!((longest_night_s(deg(51.5)) / 3600.0 - 16.17).abs() < 0.03);
    assert!((longest_night_s(deg(0.0)) / 3600.0 - 11.88).abs() < 0.02);
    assert_eq!(longest_night_s(deg(-80.0)), 86_400.0);
    assert_eq!(longest_night_s(deg(90.0)), 86_400.0);
    let long = shot(51.5, 0.0, 0.0, camera(24.0, 4.3), 60_000.0)
        .checked()
        .unwrap_err();
    assert!(matches!(long, TrailError::LongerThanNight { .. }));
    assert!(long.to_string().contains("60000 s was given"), "{long}");
}

#[test]
fn bad_input_is_a_sentence_with_the_field_and_an_example() {
    let said = |e: Result<(), nightloom_optics::FieldError>| e.unwrap_err().to_string();
    let camera = |f: f64, p: f64, w: f64| Camera::new(Projection::Rectilinear, f, p, [w, 24.0]).map(|_| ());
    let scene = |lat: f64, dec: f64, ha: f64| Scene::new(deg(lat), deg(dec), deg(15.0 * ha)).map(|_| ());
    for (error, field, example) in [
        (camera(0.0, 4.3, 36.0), "focal length", "24"),
        (camera(24.0, -1.0, 36.0), "pixel pitch", "5.95"),
        (camera(24.0, 4.3, f64::NAN), "sensor's width", "36"),
        (scene(91.0, 0.0, 0.0), "latitude", "51.5"),
        (scene(51.0, -90.5, 0.0), "declination", "-29"),
        (scene(51.0, 0.0, 25.0), "hour angle in hours", "-1.5"),
        (scene(f64::NAN, 0.0, 0.0), "latitude", "51.5"),
        (
            Tracker::pointing(deg(91.0), deg(0.0)).map(|_| ()),
            "axis altitude",
            "51.5",
        ),
        (
            Tracker::pointing(deg(51.0), deg(f64::INFINITY)).map(|_| ()),
            "axis azimuth",
            "0.4",
        ),
        (
            Periodic::new(deg(-1.0), 480.0, deg(0.0)).map(|_| ()),
            "amplitude",
            "25",
        ),
        (
            Periodic::new(deg(1.0), 0.0, deg(0.0)).map(|_| ()),
            "period",
            "480",
        ),
    ] {
        let said = said(error);
        assert!(said.contains(field) && said.contains(example), "{said}");
    }
    for seconds in [0.0, -5.0, f64::NAN, f64::INFINITY] {
        let refused = shot(51.0, 0.0, 0.0, self::camera(24.0, 4.3), seconds)
            .checked()
            .unwrap_err();
        assert!(refused.to_string().contains("exposure in seconds"), "{refused}");
    }
}

/// Six hours move a star out of any rectilinear picture; a fisheye still holds it.
#[test]
fn a_path_that_leaves_the_lens_is_none_not_a_number() {
    let gone = shot(45.0, 0.0, 0.0, camera(24.0, 5.95), 6.5 * 3600.0).frame_trails(Trailing::Sky);
    assert!(gone.centre.is_none() && gone.worst.is_none());
    let fisheye = Camera::new(Projection::Stereographic, 14.0, 5.95, [36.0, 24.0]).unwrap();
    let held = shot(45.0, 0.0, 0.0, fisheye, 6.5 * 3600.0).frame_trails(Trailing::Sky);
    assert!(held.centre.is_some() && held.worst.is_some());
    assert!(
        longest_exposure_s(&shot(45.0, 0.0, 0.0, camera(24.0, 5.95), 1.0), 50_000.0)
            .unwrap()
            .is_some()
    );
}

#[test]
fn the_map_holds_what_single_trails_say() {
    let mut shot = shot(40.0, 20.0, -2.0, camera(24.0, 5.95), 300.0);
    shot.tracker = Some(Tracker::off_pole(deg(40.0), deg(0.7), deg(120.0)));
    let map = shot.trail_map(7, 5, Trailing::Sky);
    assert_eq!((map.trails.len(), map.at_px.len()), (35, 35));
    assert_eq!(map.at_px[0], shot.camera.corners()[0]);
    assert_eq!(map.at_px[34], shot.camera.corners()[3]);
    for (&at, trail) in map.at_px.iter().zip(&map.trails) {
        assert_eq!(*trail, shot.trail(at, Trailing::Sky));
    }
    let trails = shot.frame_trails(Trailing::Sky);
    assert_eq!(map.trails[17], trails.centre);
    let longest = map
        .trails
        .iter()
        .flatten()
        .map(|t| t.length_px)
        .fold(0.0, f64::max);
    assert!(trails.worst.unwrap().length_px >= longest);
}

/// Any single answer within 10 ms; here for a build without link-time optimisation on a busy machine,
/// the best of five.
#[test]
fn answers_come_at_once() {
    let mut shot = shot(51.0, 10.0, 1.0, camera(14.0, 4.3), 240.0);
    shot.tracker = Some(Tracker {
        periodic: Some(Periodic::new(Angle::from_arcsec(25.0), 480.0, deg(0.0)).unwrap()),
        ..Tracker::off_pole(deg(51.0), deg(0.3), deg(77.0))
    });
    let timed = |what: &str, answer: &dyn Fn()| {
        let best = (0..5)
            .map(|_| {
                let start = std::time::Instant::now();
                answer();
                start.elapsed().as_secs_f64() * 1e3
            })
            .fold(f64::INFINITY, f64::min);
        assert!(best < 10.0, "{what}: {best:.2} ms");
    };
    timed("trails", &|| {
        assert!(shot.frame_trails(Trailing::Sky).worst.is_some());
    });
    timed("longest exposure", &|| {
        assert!(longest_exposure_s(&shot, 1.0).unwrap().is_some());
    });
    timed("axis allowance", &|| {
        let allowed = axis_allowance(&shot.scene, &shot.camera, 240.0, 1.0).unwrap();
        assert!(allowed.frame.is_some());
    });
    timed("share kept", &|| {
        assert!(share_of_frames_kept(&shot, 1.0).unwrap().is_some());
    });
    timed("map", &|| {
        assert_eq!(shot.trail_map(24, 16, Trailing::Sky).trails.len(), 384);
    });
}
