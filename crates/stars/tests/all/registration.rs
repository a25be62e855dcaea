//! Registration of a tracked set through an unknown lens.

use nalgebra::{Rotation3, Vector3};
use nightloom_optics::Lens;
use nightloom_sky::{Air, Angle, Instant, Site, catalogue};
use nightloom_stars::{
    BlindSettings, Field, Ground, LandMask, RegisterSettings, Registration, Star, Stop,
    identify_blind_unless, register, register_from_ground, register_unless,
};

use crate::blind_fields::WHEN;
use crate::scene::{Random, listed, seen, sky, strewn, turn, wide_lens};

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
        streaks: Vec::new(),
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
fn error(registration: &Registration, frame: usize, lens: &Lens, attitudes: &[Rotation3<f64>]) -> f64 {
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

/// Work that is told to stop answers within a second, whenever that is.
#[test]
fn registration_and_blind_search_stop_when_told() {
    const ANSWER_S: f64 = 1.0;
    let lens = wide_lens(SIZE.0, SIZE.1);
    let mut random = Random(19);
    let at = turn(Vector3::new(1.0, 2.0, 0.5), 70.0);
    let attitudes: Vec<Rotation3<f64>> = (0..16)
        .map(|i| turn(Vector3::z(), 0.02 * f64::from(i)) * at)
        .collect();
    let fields = frames(&mut random, &attitudes, &lens);
    let fields: Vec<&Field> = fields.iter().collect();
    let guess = Lens::rectilinear(lens.focal_px * 1.03, SIZE.0, SIZE.1);
    // Strewn by chance: the blind search goes all the way.
    let strewn = strewn(&mut random, 600);
    let register =
        |stop: Stop<'_>| register_unless(&fields, None, &guess, &RegisterSettings::default(), stop).is_some();
    let search = |stop: Stop<'_>| {
        let size = [SIZE.0, SIZE.1];
        identify_blind_unless(&strewn, size, &BlindSettings::default(), WHEN(), stop).is_some()
    };
    type Work<'a> = &'a dyn Fn(Stop<'_>) -> bool;
    let works: [(&str, Work<'_>); 2] = [("registration", &register), ("search", &search)];
    for (what, work) in works {
        // The first call makes tables.
        let _ = work(&|| false);
        let start = std::time::Instant::now();
        let answered = work(&|| false);
        let whole = start.elapsed().as_secs_f64();
        assert_eq!(answered, what == "registration");
        for part in [0.0, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9] {
            let start = std::time::Instant::now();
            let told = || start.elapsed().as_secs_f64() > part * whole;
            let answered = work(&told);
            let late = start.elapsed().as_secs_f64() - part * whole;
            assert!(
                late < ANSWER_S,
                "{what}, told after {part} of {whole} s: {late} s"
            );
            assert!(!answered || late < 0.0, "{what} answers although it was stopped");
        }
    }
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

/// The catalogue's stars through air and lens; the camera keeps to the sky but for a slow drift.
struct LowSky {
    site: Site,
    air: Air,
    lens: Lens,
    instants: Vec<Instant>,
    attitudes: Vec<Rotation3<f64>>,
    /// From ICRS to the ground at each instant.
    grounds: Vec<Rotation3<f64>>,
}

impl LowSky {
    fn new() -> Self {
        let site = Site {
            latitude: Angle::from_deg(45.0),
            longitude: Angle::from_deg(24.0),
            elevation_m: 900.0,
        };
        let start: Instant = "2026-09-14T19:30:00Z".parse().unwrap();
        let instants: Vec<Instant> = (0..8).map(|i| start.plus_seconds(150.0 * f64::from(i))).collect();
        // West, 19° up in the middle of the set: forward, then right and down.
        let (sin, cos) = 19f64.to_radians().sin_cos();
        let forward = Vector3::new(-cos, 0.0, sin);
        let right = Vector3::new(0.0, 1.0, 0.0);
        let down = forward.cross(&right);
        let camera =
            nalgebra::Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
        let at = Rotation3::from_matrix_unchecked(camera) * site.ground_from_icrs(instants[4]);
        let attitudes = (0..8)
            .map(|i| turn(Vector3::new(0.4, 1.0, 0.6), 0.02 * f64::from(i)) * at)
            .collect();
        let grounds = instants.iter().map(|t| site.ground_from_icrs(*t)).collect();
        let air = Air::at_elevation(900.0, 5.0);
        Self {
            site,
            air,
            lens: wide_lens(SIZE.0, SIZE.1),
            instants,
            attitudes,
            grounds,
        }
    }

    fn pixel(&self, frame: usize, direction: &Vector3<f64>, lowest_deg: f64) -> Option<[f64; 2]> {
        let ground = self.grounds[frame];
        let up = ground * direction;
        if up.z < lowest_deg.to_radians().sin() {
            return None;
        }
        let seen = self.attitudes[frame] * (ground.inverse() * self.air.lift(&up));
        let [x, y] = self.lens.project(&seen)?;
        (x > 0.0 && y > 0.0 && x < 2999.0 && y < 1999.0).then_some([x, y])
    }

    fn fields(&self, random: &mut Random) -> Vec<Field> {
        (0..self.instants.len())
            .map(|frame| {
                let stars = catalogue::stars().iter().filter_map(|star| {
                    let d = star.direction(self.instants[frame]).into_inner();
                    let [x, y] = self.pixel(frame, &d, 5.0)?;
                    let flux = 10f64.powf(-0.4 * f64::from(star.v_mag));
                    Some(listed(x + 0.1 * random.normal(), y + 0.1 * random.normal(), flux))
                });
                field(stars.take(1500).collect())
            })
            .collect()
    }

    /// Root mean square and largest distance of the map from truth, over stars 3° high and more.
    fn error(&self, registration: &Registration) -> (f64, f64) {
        let (mut sum, mut count, mut worst) = (0.0f64, 0.0f64, 0.0f64);
        for star in catalogue::stars() {
            let d = star.direction(self.instants[0]).into_inner();
            let Some(home) = self.pixel(registration.reference, &d, 3.0) else {
                continue;
            };
            for frame in 0..self.instants.len() {
                let Some(truth) = self.pixel(frame, &d, 3.0) else {
                    continue;
                };
                let got = registration.map(frame, home).unwrap();
                let off = (got[0] - truth[0]).hypot(got[1] - truth[1]);
                worst = worst.max(off);
                sum += off * off;
                count += 1.0;
            }
        }
        ((sum / count).sqrt(), worst)
    }
}

#[test]
fn refraction_is_taken_out_down_to_the_ridge() {
    let sky = LowSky::new();
    let mut random = Random(23);
    let fields = sky.fields(&mut random);
    let fields: Vec<&Field> = fields.iter().collect();
    let guess = Lens::rectilinear(sky.lens.focal_px * 1.02, SIZE.0, SIZE.1);
    let settings = RegisterSettings::default();
    let ground = Ground {
        site: sky.site,
        air: sky.air,
        instants: &sky.instants,
    };
    let found = register_from_ground(&fields, None, &guess, &settings, &ground);
    assert!(found.air.is_some(), "not identified");
    let (rms, worst) = sky.error(&found);
    assert!(rms < 0.05 && worst < 0.3, "{rms} px rms, at most {worst} px");
    // What it is for: without it, the lowest stars are off by more than a pixel.
    let (plain_rms, plain_worst) = sky.error(&register(&fields, None, &guess, &settings));
    assert!(
        plain_worst > 4.0 * worst && plain_rms > 2.0 * rms,
        "{plain_rms} px rms, at most {plain_worst} px"
    );
    // Missing instants: as without.
    let none = Ground {
        instants: &[],
        ..ground
    };
    assert!(
        register_from_ground(&fields, None, &guess, &settings, &none)
            .air
            .is_none()
    );
    // The lens is the true one.
    assert!(
        (found.lens.focal_px / sky.lens.focal_px - 1.0).abs() < 5e-4,
        "{:?}",
        found.lens
    );
    assert!(
        (found.lens.centre_px[1] - sky.lens.centre_px[1]).abs() < 1.0,
        "{:?}",
        found.lens
    );
}
