//! Registration of a tracked set through an unknown lens.

use nalgebra::{Rotation3, Vector3};
use nightloom_optics::Lens;
use nightloom_sky::Angle;
use nightloom_stars::{Field, LandMask, RegisterSettings, Star, register};

use crate::scene::{Random, listed, seen, sky, turn, wide_lens};

const SIZE: (usize, usize) = (3000, 2000);
/// Registration against truth over the whole frame, corners included, pixels rms.
const BAR_PX: f64 = 0.3;
const CENTRE_PX: f64 = 0.12;

fn field(stars: Vec<Star>) -> Field {
    Field {
        width: SIZE.0,
        height: SIZE.1,
        stars,
        background: 0.02,
        noise: 0.001,
        fwhm_px: 2.5,
        elongation: 1.05,
        trail_angle: Angle::from_rad(0.0),
        trail_px: 0.0,
        trail_coherence: 0.0,
        land: LandMask::all_sky(SIZE.0, SIZE.1, 16),
    }
}

/// Frames at these attitudes; the lowest fifth shows land.
fn frames(random: &mut Random, attitudes: &[Rotation3<f64>], lens: &Lens) -> Vec<Field> {
    let stars = sky(random, 16_000, 500.0);
    attitudes
        .iter()
        .map(|attitude| {
            let list = seen(&stars, attitude, lens, SIZE)
                .into_iter()
                .filter(|(_, s)| s.y < 1600.0)
                .map(|(_, s)| {
                    listed(
                        s.x + CENTRE_PX * random.normal(),
                        s.y + CENTRE_PX * random.normal(),
                        s.electrons,
                    )
                })
                .collect();
            field(list)
        })
        .collect()
}

/// Root mean square distance of the map from truth over a grid of the whole frame.
fn error(
    registration: &nightloom_stars::Registration,
    frame: usize,
    lens: &Lens,
    attitudes: &[Rotation3<f64>],
) -> f64 {
    let relative = attitudes[frame] * attitudes[registration.reference].inverse();
    let (mut sum, mut n) = (0.0, 0);
    for y in (0..SIZE.1).step_by(100) {
        for x in (0..SIZE.0).step_by(100) {
            let p = [x as f64, y as f64];
            let Some(truth) = lens.project(&(relative * lens.unproject(p).unwrap().into_inner())) else {
                continue;
            };
            let got = registration.map(frame, p).unwrap();
            sum += (got[0] - truth[0]).powi(2) + (got[1] - truth[1]).powi(2);
            n += 1;
        }
    }
    (sum / f64::from(n)).sqrt()
}

#[test]
fn a_drifting_tracked_set_registers_to_the_corners() {
    let lens = wide_lens(SIZE.0, SIZE.1);
    let mut random = Random(17);
    let at = turn(Vector3::new(1.0, 2.0, 0.5), 70.0);
    let attitudes: Vec<Rotation3<f64>> = (0..8)
        .map(|i| {
            turn(Vector3::new(0.5, 1.0, 0.3), 0.05 * f64::from(i))
                * turn(Vector3::z(), 0.02 * f64::from(i))
                * at
        })
        .collect();
    let fields = frames(&mut random, &attitudes, &lens);
    let guess = Lens::rectilinear(lens.focal_px * 1.03, SIZE.0, SIZE.1);
    let found = register(
        &fields.iter().collect::<Vec<_>>(),
        None,
        &guess,
        &RegisterSettings::default(),
    );
    for frame in 0..fields.len() {
        assert!(
            found.frames[frame].rotation.is_some(),
            "{:?}",
            found.frames[frame].reason
        );
        let off = error(&found, frame, &lens, &attitudes);
        assert!(off < BAR_PX, "frame {frame}: {off} px rms");
    }
    // Two axes of centre error.
    assert!(
        found.rms_px < 1.2 * CENTRE_PX * std::f64::consts::SQRT_2,
        "{}",
        found.rms_px
    );
}

#[test]
fn a_reframed_set_tells_the_lens() {
    let lens = wide_lens(SIZE.0, SIZE.1);
    let mut random = Random(18);
    let at = turn(Vector3::new(1.0, 2.0, 0.5), 70.0);
    let attitudes: Vec<Rotation3<f64>> = (0..6)
        .map(|i| {
            turn(Vector3::z(), 6.0 * f64::from(i))
                * turn(Vector3::new(1.0, 0.4, 0.0), 2.5 * f64::from(i))
                * at
        })
        .collect();
    let fields = frames(&mut random, &attitudes, &lens);
    let guess = Lens::rectilinear(lens.focal_px * 0.96, SIZE.0, SIZE.1);
    let found = register(
        &fields.iter().collect::<Vec<_>>(),
        None,
        &guess,
        &RegisterSettings::default(),
    );
    for frame in 0..fields.len() {
        assert!(
            found.frames[frame].rotation.is_some(),
            "{:?}",
            found.frames[frame].reason
        );
        let off = error(&found, frame, &lens, &attitudes);
        assert!(off < BAR_PX, "frame {frame}: {off} px rms");
    }
    assert!(
        (found.lens.focal_px / lens.focal_px - 1.0).abs() < 0.002,
        "{:?}",
        found.lens
    );
}

#[test]
fn a_frame_of_other_stars_is_left_out_with_a_reason() {
    let lens = wide_lens(SIZE.0, SIZE.1);
    let mut random = Random(19);
    let at = turn(Vector3::new(1.0, 2.0, 0.5), 70.0);
    let attitudes = [at, turn(Vector3::z(), 1.0) * at, turn(Vector3::x(), 120.0) * at];
    let mut fields = frames(&mut random, &attitudes, &lens);
    fields.push(field(Vec::new()));
    let guess = Lens::rectilinear(lens.focal_px, SIZE.0, SIZE.1);
    let found = register(
        &fields.iter().collect::<Vec<_>>(),
        Some(0),
        &guess,
        &RegisterSettings::default(),
    );
    assert!(found.frames[1].rotation.is_some());
    assert!(
        found.frames[2].rotation.is_none()
            && found.frames[2]
                .reason
                .as_ref()
                .unwrap()
                .contains("match no other")
    );
    assert!(found.frames[3].reason.as_ref().unwrap().contains("only 0 stars"));
    let none = register(&[], None, &guess, &RegisterSettings::default());
    assert!(none.frames.is_empty());
}
