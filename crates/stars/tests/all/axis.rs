//! The tracker's axis from frames whose truth is known.

use nalgebra::{Matrix3, Rotation3, Vector3};
use nightloom_optics::Lens;
use nightloom_optics::polar::AxisError;
use nightloom_sky::{Air, EarthOrientation, Instant, Observer, Site, catalogue};
use nightloom_stars::axis::{
    AxisEvent, AxisFrame, AxisMeasurement, AxisProblem, FrameUse, LeftOut, Named, Pole, axis_in_later_frame,
    axis_of_trailed_frame, clock_by_refraction, measure_axis,
};
use nightloom_stars::{Identification, Star};

use crate::axis_scene::{Rig, Touch, chi2, miss_arcmin};
use crate::scene::{Random, listed};

fn frames(rig: &Rig, moments: &[(f64, Touch)], seed: u64) -> Vec<AxisFrame> {
    let mut random = Random(seed);
    moments
        .iter()
        .map(|(seconds, touch)| rig.listed(*seconds, touch, &mut random))
        .collect()
}

fn tracked(moments: &[f64]) -> Vec<(f64, Touch)> {
    moments.iter().map(|s| (*s, Touch::default())).collect()
}

fn found(rig: &Rig, moments: &[(f64, Touch)], seed: u64) -> AxisMeasurement {
    measure_axis(&frames(rig, moments, seed), &rig.lens(), &rig.pole()).unwrap()
}

fn problem(rig: &Rig, moments: &[(f64, Touch)]) -> AxisProblem {
    measure_axis(&frames(rig, moments, 5), &rig.lens(), &rig.pole()).unwrap_err()
}

/// A zoom that creeps by 0.4 % is told, and costs the axis little.
#[test]
fn a_zoom_that_creeps_is_told_and_allowed_for() {
    let rig = Rig::new(47.0, 35.0);
    let mut creeping = frames(&rig, &tracked(&[0.0, 200.0, 400.0, 600.0]), 3);
    let lens = rig.lens();
    for (n, frame) in creeping.iter_mut().enumerate() {
        for sight in &mut frame.sights {
            for (at, middle) in sight.pixel.iter_mut().zip(lens.centre_px) {
                *at = middle + (*at - middle) * (1.0 + 0.004 * n as f64 / 3.0);
            }
        }
    }
    let measured = measure_axis(&creeping, &lens, &rig.pole()).unwrap();
    let by = measured.events.iter().find_map(|e| match e {
        AxisEvent::Zoomed { by_percent } => Some(*by_percent),
        _ => None,
    });
    assert!(by.is_some_and(|by| (by - 0.4).abs() < 0.02), "{by:?}");
    let miss = miss_arcmin(&measured, &rig.axis());
    assert!(miss < 3.0, "{miss}′");
    let still = found(&rig, &tracked(&[0.0, 200.0, 400.0, 600.0]), 3);
    assert!(!still.events.iter().any(|e| matches!(e, AxisEvent::Zoomed { .. })));
}

/// Two frames five minutes apart: bars 3′ at 24 mm and 1.5′ at 85 mm, in all quadrants and both hemispheres.
#[test]
fn two_frames_tell_the_axis() {
    for latitude in [47.0, -33.0] {
        for (n, off) in [[22.0, 9.0], [-22.0, 9.0], [22.0, -9.0], [-22.0, -9.0]]
            .into_iter()
            .enumerate()
        {
            for (focal, bar) in [(24.0, 3.0), (85.0, 1.5)] {
                let mut rig = Rig::new(latitude, focal);
                rig.off_arcmin = off;
                let measured = found(&rig, &tracked(&[0.0, 300.0]), n as u64);
                let miss = miss_arcmin(&measured, &rig.axis());
                assert!(miss < bar, "{latitude}° {focal} mm {off:?}: {miss}′");
                assert!(
                    miss < 3.5 * measured.sigma().arcmin(),
                    "{miss}′ against {}′",
                    measured.sigma().arcmin()
                );
                assert!((measured.rate.unwrap().times_sidereal - 1.0).abs() < 0.01);
                assert!(!measured.by_hand);
            }
        }
    }
}

#[test]
fn a_turn_by_hand_tells_it_better() {
    for (latitude, by_hand_deg) in [(47.0, 60.0), (-33.0, -60.0), (-60.0, 90.0), (28.0, 30.0)] {
        let rig = Rig::new(latitude, 35.0);
        let turned = Touch {
            by_hand_deg,
            ..Touch::default()
        };
        let mut moments = tracked(&[0.0]);
        moments.push((60.0, turned));
        let measured = found(&rig, &moments, 11);
        assert!(miss_arcmin(&measured, &rig.axis()) < 0.5);
        assert!(measured.by_hand && measured.rate.is_none());
        assert!((measured.turned.deg() - by_hand_deg.abs()).abs() < 1.0);
    }
}

/// 68 and 95 of 100 within the ellipses of one and two sigma (chi square with two degrees: 39 and 86 %).
#[test]
fn error_bars_hold() {
    const TRIALS: u64 = 40;
    let mut inside = [0, 0];
    for trial in 0..TRIALS {
        let focal = [24.0, 50.0, 135.0][trial as usize % 3];
        let mut rig = Rig::new(if trial % 2 == 0 { 47.0 } else { -33.0 }, focal);
        rig.aim = [
            (40 + 97 * trial % 280) as f64,
            30.0 + (trial % 5) as f64 * 8.0,
            trial as f64,
        ];
        let measured = found(&rig, &tracked(&[0.0, 240.0, 420.0]), 100 + trial);
        let chi2 = chi2(&measured, &rig.axis());
        inside[0] += usize::from(chi2 < 2.28);
        inside[1] += usize::from(chi2 < 5.99);
    }
    // 27 ± 3 × 3 of 40 expected, and 38 with at most 6 beyond.
    assert!((18..=36).contains(&inside[0]), "{inside:?}");
    assert!(inside[1] >= 34, "{inside:?}");
}

#[test]
fn a_camera_aimed_anew_begins_again() {
    let rig = Rig::new(47.0, 24.0);
    let aimed = Touch {
        head_deg: [20.0, -35.0, 10.0],
        ..Touch::default()
    };
    let mut moments = tracked(&[0.0, 240.0]);
    moments.extend([(400.0, aimed), (640.0, aimed)]);
    let measured = found(&rig, &moments, 3);
    assert!(miss_arcmin(&measured, &rig.axis()) < 2.0);
    assert!(
        matches!(measured.events[..], [AxisEvent::Reaimed { after: 1, .. }]),
        "{:?}",
        measured.events
    );
    let segments: Vec<usize> = measured
        .frames
        .iter()
        .filter_map(|f| match f {
            FrameUse::Used { segment, .. } => Some(*segment),
            FrameUse::LeftOut { .. } => None,
        })
        .collect();
    assert_eq!(segments, [0, 0, 1, 1]);
}

#[test]
fn a_slip_is_no_axis_error() {
    let rig = Rig::new(-33.0, 35.0);
    let slipped = Touch {
        head_deg: [0.15, 0.1, 0.0],
        ..Touch::default()
    };
    let mut moments = tracked(&[0.0, 180.0, 360.0]);
    moments.extend([(540.0, slipped), (720.0, slipped)]);
    let measured = found(&rig, &moments, 4);
    assert!(miss_arcmin(&measured, &rig.axis()) < 2.0);
    assert!(
        matches!(measured.events[..], [AxisEvent::Slipped { after: 2, .. }]),
        "{:?}",
        measured.events
    );
}

#[test]
fn a_frame_knocked_aside_is_left_out() {
    let rig = Rig::new(47.0, 35.0);
    let mut moments = tracked(&[0.0, 150.0, 300.0, 450.0, 600.0]);
    moments[2].1.ground_arcmin = [3.0, -2.0, 1.0];
    let measured = found(&rig, &moments, 9);
    assert_eq!(
        measured.frames[2],
        FrameUse::LeftOut {
            why: LeftOut::Outlier
        }
    );
    assert!(miss_arcmin(&measured, &rig.axis()) < 1.0);
    assert!(
        matches!(measured.events[..], [AxisEvent::Outlier { frame: 2, .. }]),
        "{:?}",
        measured.events
    );
}

/// The tripod moved between two pairs: both axes are good, the later one counts.
#[test]
fn a_moved_tripod_is_told_and_the_later_axis_given() {
    let rig = Rig::new(47.0, 50.0);
    let moved = Touch {
        ground_arcmin: [-30.0, 0.0, 25.0],
        ..Touch::default()
    };
    let mut moments = tracked(&[0.0, 300.0]);
    moments.extend([(400.0, moved), (700.0, moved)]);
    let measured = found(&rig, &moments, 6);
    let turn = nalgebra::Rotation3::new(nalgebra::Vector3::new(-0.5, 0.0, 25.0 / 60.0).map(f64::to_radians));
    let later = nalgebra::Unit::new_normalize(turn * rig.axis().into_inner());
    assert!(miss_arcmin(&measured, &later) < 2.0, "{:?}", measured.events);
    assert!(
        matches!(measured.events[..], [AxisEvent::Moved { after: 1, .. }]),
        "{:?}",
        measured.events
    );
}

/// After the knobs were turned one frame suffices, whatever the tracker did meanwhile.
#[test]
fn one_frame_after_the_knobs() {
    for latitude in [47.0, -33.0] {
        let rig = Rig::new(latitude, 35.0);
        let adjusted = Touch {
            ground_arcmin: [18.0, 4.0, -11.0],
            ..Touch::default()
        };
        let mut moments = tracked(&[0.0, 300.0]);
        let before = frames(&rig, &moments, 8);
        moments.push((500.0, adjusted));
        let all = frames(&rig, &moments, 8);
        let measured = measure_axis(&before, &rig.lens(), &rig.pole()).unwrap();
        // All three frames share one fit of the lens.
        let with_later = nightloom_stars::axis::measure_axis_then(&all, 2, &rig.lens(), &rig.pole()).unwrap();
        let (axis, covariance) = axis_in_later_frame(&with_later, 1, 2).unwrap();
        let turn = nalgebra::Rotation3::new(
            nalgebra::Vector3::from(adjusted.ground_arcmin).map(|a| (a / 60.0).to_radians()),
        );
        let truth = nalgebra::Unit::new_normalize(turn * rig.axis().into_inner());
        let miss = axis.angle(&truth).to_degrees() * 60.0;
        assert!(miss < 1.5, "{miss}′");
        assert!(covariance.trace() < 1.3 * measured.covariance.trace());
    }
}

#[test]
fn what_cannot_be_fitted_is_told() {
    let mut rig = Rig::new(47.0, 24.0);
    assert_eq!(problem(&rig, &tracked(&[0.0])), AxisProblem::TooFew { got: 1 });
    assert_eq!(problem(&rig, &tracked(&[0.0, 0.0])), AxisProblem::SameInstant);
    // Hardly anything turned: an answer, with an uncertainty that says what it is worth.
    let short = found(&rig, &tracked(&[0.0, 1.5]), 5);
    assert!(short.sigma().arcmin() > 15.0 && miss_arcmin(&short, &rig.axis()) < 4.0 * short.sigma().arcmin());
    rig.rate = 0.0;
    assert!(matches!(
        problem(&rig, &tracked(&[0.0, 300.0])),
        AxisProblem::Off { .. }
    ));
    for latitude in [47.0, -33.0] {
        let mut rig = Rig::new(latitude, 24.0);
        rig.rate = -1.0;
        let told = problem(&rig, &tracked(&[0.0, 300.0, 400.0]));
        assert!(
            matches!(told, AxisProblem::Reversed { times, .. } if (times + 1.0).abs() < 0.01),
            "{told}"
        );
    }
    let aimed = Touch {
        head_deg: [20.0, -35.0, 10.0],
        ..Touch::default()
    };
    let rig = Rig::new(47.0, 24.0);
    let told = problem(&rig, &[(0.0, Touch::default()), (300.0, aimed)]);
    assert!(matches!(told, AxisProblem::NoAxis { .. }), "{told}");
}

#[test]
fn rates_are_told() {
    let cases = [
        (1.0, Named::Sidereal),
        (0.997_27, Named::Solar),
        (0.9635, Named::Lunar),
        (0.5, Named::Half),
        (0.8, Named::Odd),
    ];
    for (rate, named) in cases {
        let mut rig = Rig::new(-33.0, 35.0);
        rig.rate = rate;
        // Long enough that no worm makes one rate look like another.
        let moments: Vec<f64> = (0..9).map(|n| 1200.0 * f64::from(n)).collect();
        let measured = found(&rig, &tracked(&moments), 2);
        assert_eq!(measured.rate.unwrap().named, named, "{:?}", measured.rate);
    }
}

/// Bars: amplitude within 15 %, period within 5 %, from 20 frames.
#[test]
fn the_gear_shows_in_twenty_frames() {
    for (n, gear) in [[20.0, 480.0, 0.7], [35.0, 600.0, 4.0]].into_iter().enumerate() {
        let mut rig = Rig::new(47.0, 24.0);
        rig.exposure_s = 60.0;
        rig.gear = Some(gear);
        let moments: Vec<f64> = (0..20).map(|n| 64.0 * f64::from(n)).collect();
        let measured = found(&rig, &tracked(&moments), n as u64);
        let periodic = measured.periodic.unwrap();
        // The list takes the middle of each exposure for its mean; the exposure's averaging is in the figure.
        let averaged = std::f64::consts::PI * rig.exposure_s / gear[1];
        let amplitude = periodic.amplitude_arcsec * averaged.sin() / averaged;
        assert!((amplitude / gear[0] - 1.0).abs() < 0.15, "{periodic:?}");
        assert!((periodic.period_s / gear[1] - 1.0).abs() < 0.05, "{periodic:?}");
    }
}

/// The air knows the hour: low stars refracted as an hour later would have them.
#[test]
fn a_clock_an_hour_off_shows_in_low_frames() {
    let mut rig = Rig::new(47.0, 24.0);
    rig.aim = [110.0, 24.0, 0.0];
    let right = frames(&rig, &tracked(&[0.0, 300.0]), 1);
    let air = *rig.observer(0.0).air();
    assert!(clock_by_refraction(&right, &rig.lens(), &rig.pole(), &air).is_none());
    let ahead: Vec<AxisFrame> = {
        let mut random = Random(1);
        [0.0, 300.0]
            .into_iter()
            .map(|s| rig.listed_with_clock(s, 3600.0, &mut random))
            .collect()
    };
    let doubt = clock_by_refraction(&ahead, &rig.lens(), &rig.pole(), &air).unwrap();
    assert!((doubt.ahead_s - 3600.0).abs() < 900.0, "{doubt:?}");
    // The distance from the pole is what it was, but for the air.
    let good = measure_axis(&right, &rig.lens(), &rig.pole()).unwrap();
    let off = measure_axis(&ahead, &rig.lens(), &rig.pole()).unwrap();
    let distance = |m: &AxisMeasurement| m.axis.angle(&rig.pole().airless).to_degrees() * 60.0;
    assert!((distance(&good) - distance(&off)).abs() < 6.0);
}

/// A camera on a tracker by independent vectors (`reference/make_axis.py`): refraction, the turning sky, axis and
/// error by another hand.
#[test]
fn an_independent_camera_agrees() {
    const AXIS_ARCMIN: f64 = 0.05;
    let table = include_str!("../reference/axis.csv");
    let rows: Vec<Vec<&str>> = table
        .lines()
        .filter(|l| !l.starts_with('#'))
        .map(|l| l.split(',').collect())
        .collect();
    let number = |text: &str| text.parse::<f64>().unwrap();
    let rigs = rows.iter().filter(|r| r[0] == "rig");
    assert_eq!(rigs.clone().count(), 8);
    for rig in rigs {
        let site = Site::new(number(rig[2]), number(rig[3]), number(rig[4])).unwrap();
        let air = Air {
            pressure_hpa: number(rig[5]),
            temperature_c: number(rig[6]),
        };
        let lens = Lens::rectilinear(number(rig[7]), 6000, 4000);
        let exposure_s = number(rig[10]);
        let mut frames = Vec::new();
        let mut pole = None;
        let mut first: Option<Instant> = None;
        for frame in rows.iter().filter(|r| r[0] == "frame" && r[1] == rig[1]) {
            let start: Instant = frame[3].parse().unwrap();
            let middle = start.plus_seconds(0.5 * exposure_s);
            let seconds = middle.seconds_since(*first.get_or_insert(middle));
            let observer = Observer::new(&site, middle, EarthOrientation::default())
                .unwrap()
                .with_air(air);
            let of_frame = rows
                .iter()
                .filter(|r| r[0] == "star" && r[1] == rig[1] && r[2] == frame[2]);
            let (stars, matches): (Vec<_>, Vec<_>) = of_frame
                .enumerate()
                .map(|(n, r)| {
                    let hip = r[3].parse::<u32>().unwrap();
                    let index = catalogue::stars().iter().position(|s| s.hip == hip).unwrap();
                    (listed(number(r[4]), number(r[5]), 1.0), (n, index))
                })
                .unzip();
            let attitude = attitude(&stars, &matches, &lens, middle);
            let found = Identification {
                attitude,
                lens,
                matches,
                rms_px: 0.1,
                log_odds: 100.0,
            };
            pole.get_or_insert_with(|| Pole::over(&observer));
            frames.push(AxisFrame::new(
                &found, &stars, None, &observer, seconds, exposure_s,
            ));
        }
        let pole = pole.unwrap();
        let measured = measure_axis(&frames, &lens, &pole).unwrap();
        let error = AxisError::of(&measured.axis, &pole.refracted);
        let off = [
            error.altitude.arcmin() - number(rig[11]),
            error.azimuth.arcmin() - number(rig[12]),
        ];
        assert!(
            off[0].hypot(off[1]) < AXIS_ARCMIN,
            "{rig:?}: {error:?}, off by {off:?}′"
        );
        assert!((error.total.arcmin() - number(rig[11]).hypot(number(rig[12]))).abs() < 0.3);
    }
}

/// A first attitude from the two stars furthest apart.
fn attitude(stars: &[Star], matches: &[(usize, usize)], lens: &Lens, at: Instant) -> Rotation3<f64> {
    let seen = |n: usize| lens.unproject([stars[n].x, stars[n].y]).unwrap().into_inner();
    let known = |n: usize| catalogue::stars()[matches[n].1].direction(at).into_inner();
    let far = (1..stars.len())
        .max_by(|a, b| seen(0).angle(&seen(*a)).total_cmp(&seen(0).angle(&seen(*b))))
        .unwrap();
    let frame = |a: Vector3<f64>, b: Vector3<f64>| {
        let across = a.cross(&b).normalize();
        Matrix3::from_columns(&[a, across, a.cross(&across)])
    };
    Rotation3::from_matrix_unchecked(frame(seen(0), seen(far)) * frame(known(0), known(far)).transpose())
}

/// One frame trailed by a bad axis: one of the two answers is the axis, the other stands opposite.
#[test]
fn a_trailed_frame_has_two_answers() {
    for latitude in [47.0, -33.0] {
        let mut rig = Rig::new(latitude, 85.0);
        rig.exposure_s = 240.0;
        // Across the aim: stars along the error's own direction do not trail.
        rig.off_arcmin = [140.0, if latitude < 0.0 { 90.0 } else { -90.0 }];
        let mut random = Random(21);
        let (frame, field) = rig.trailed(&mut random);
        let pole = rig.pole();
        let air = *rig.observer(0.0).air();
        let both = axis_of_trailed_frame(&frame, &field, &rig.lens(), &pole, &air).unwrap();
        let miss = both.map(|a| a.axis.angle(&rig.axis()).to_degrees() * 60.0);
        let (right, wrong) = if miss[0] < miss[1] { (0, 1) } else { (1, 0) };
        assert!(miss[right] < 6.0, "{miss:?}");
        let errors = both.map(|a| AxisError::of(&a.axis, &pole.refracted));
        let sum = errors[right].altitude.arcmin() + errors[wrong].altitude.arcmin();
        assert!(sum.abs() < 12.0, "{errors:?}");
        assert!(miss[wrong] > 200.0, "{miss:?}");
        assert!((both[right].rate - 1.0).abs() < 0.01);
    }
}

/// Painted frames, the real measuring and the real identification; the report `axis_bars` has many.
#[test]
fn painted_frames_in_both_hemispheres() {
    for (latitude, focal, bar) in [(47.0, 50.0, 5.0), (-33.0, 85.0, 3.0)] {
        let mut rig = Rig::new(latitude, focal);
        // A quarter of the pixels of the report's, each twice as coarse: the bars' double.
        rig.size = (1500, 1000);
        rig.fainter = 0.5;
        let mut random = Random(77);
        let (first, lens) = rig.painted(0.0, &Touch::default(), &mut random).unwrap();
        let (second, _) = rig.painted(300.0, &Touch::default(), &mut random).unwrap();
        let measured = measure_axis(&[first, second], &lens, &rig.pole()).unwrap();
        let miss = miss_arcmin(&measured, &rig.axis());
        assert!(miss < bar, "{focal} mm: {miss}′ ± {}′", measured.sigma().arcmin());
    }
}
