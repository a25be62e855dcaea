//! A tripod under turning stars: painted land of plane waves below a ridge, sky of arcs about a pole.

use nightloom_raster::Plane;
use nightloom_stack::{Shift, tripod_shift};

use crate::scene::{Random, add_star};

const SIZE: [usize; 2] = [600, 400];

/// One night of two frames.
#[derive(Clone, Copy)]
struct Night {
    seed: u64,
    /// Where the sky turns about, pixels; far away for a narrow field near the equator.
    pole: [f64; 2],
    /// What the sky turns by in one exposure, radians.
    turn: f64,
    /// Height of the ridge, share of the picture that is land.
    land: f64,
    /// Noise of the two frames.
    noise: [f64; 2],
}

impl Night {
    fn new(seed: u64) -> Self {
        Self {
            seed,
            pole: [200.0, 40.0],
            turn: 0.06,
            land: 0.4,
            noise: [0.002, 0.002],
        }
    }

    /// The sky is nearly shifted as one: a long lens near the equator.
    fn narrow(seed: u64) -> Self {
        Self {
            pole: [300.0, 9000.0],
            turn: 0.0025,
            land: 0.25,
            ..Self::new(seed)
        }
    }

    /// The frame with its land moved, the later one of the two if so wished.
    fn frame(&self, motion: &Shift, later: bool) -> Plane {
        let mut plane = self.sky(later);
        let mut random = Random::new(self.seed);
        let waves: Vec<[f64; 4]> = (0..40)
            .map(|_| {
                let (k, angle) = (
                    std::f64::consts::TAU / random.between(5.0, 60.0),
                    random.between(0.0, std::f64::consts::PI),
                );
                let phase = random.between(0.0, std::f64::consts::TAU);
                [k * angle.cos(), k * angle.sin(), phase, 0.1]
            })
            .collect();
        let ridge = [random.between(0.0, 6.0), random.between(0.0, 6.0)];
        let back = Shift {
            dx: -motion.dx,
            dy: -motion.dy,
            ..Shift::default()
        };
        let turned = Shift {
            turn: -motion.turn,
            ..Shift::default()
        };
        for y in 0..SIZE[1] {
            for x in 0..SIZE[0] {
                let [u, v] = turned.moved(back.moved([x as f64, y as f64], SIZE), SIZE);
                let edge = SIZE[1] as f64 * (1.0 - self.land)
                    + 18.0 * (u / 47.0 + ridge[0]).sin()
                    + 9.0 * (u / 17.0 + ridge[1]).sin();
                let cover = 1.0 / (1.0 + (-(v - edge) / 0.7).exp());
                // Nothing of the land is seen here.
                if cover < 1e-9 {
                    continue;
                }
                let texture: f64 = waves
                    .iter()
                    .map(|[a, b, phase, size]| size * (a * u + b * v + phase).sin())
                    .sum();
                let land = 0.01 * (1.0 + texture);
                let p = plane.at_mut(x, y);
                *p = (f64::from(*p) * (1.0 - cover) + land * cover) as f32;
            }
        }
        let mut random = Random::new(self.seed * 31 + u64::from(later));
        let noise = self.noise[usize::from(later)];
        let values = plane.data_mut().iter_mut();
        values.for_each(|v| *v += (noise * random.normal()) as f32);
        plane
    }

    /// Glow that changes and arcs that go on where the earlier frame's ended.
    fn sky(&self, later: bool) -> Plane {
        let glow = if later { 1.15 } else { 1.0 };
        let mut plane = Plane::from_fn(SIZE[0], SIZE[1], |x, y| {
            (glow * (0.02 + 0.06 * (y as f64 / 400.0).powi(2) + 0.01 * x as f64 / 600.0)) as f32
        });
        let mut random = Random::new(self.seed + 5000);
        let start = if later { 1.08 * self.turn } else { 0.0 };
        for _ in 0..350 {
            let (x, y) = (
                random.between(-80.0, 680.0) - self.pole[0],
                random.between(-80.0, 400.0) - self.pole[1],
            );
            let flux = 0.02 * random.between(0.02, 1.0).powi(-2).min(300.0);
            let length = (self.turn * x.hypot(y)).max(1.0);
            let dots = (2.0 * length).ceil() as usize;
            for i in 0..dots {
                let (s, c) = (start + self.turn * (i as f64 + 0.5) / dots as f64).sin_cos();
                let at = [self.pole[0] + c * x - s * y, self.pole[1] + s * x + c * y];
                add_star(&mut plane, at[0], at[1], flux / length.sqrt() / 8.0, 2.2);
            }
        }
        plane
    }

    /// The two frames, the land of the later one moved.
    fn frames(&self, motion: &Shift) -> [Plane; 2] {
        [self.frame(&Shift::default(), false), self.frame(motion, true)]
    }
}

/// Masks from good to useless: the right half of the land and much sky, everything, the sky alone.
fn masks() -> [fn(usize, usize) -> bool; 4] {
    [
        |_, y| y > 260,
        |x, y| x > 200 && y > 120,
        |_, _| true,
        |_, y| y < 240,
    ]
}

fn bump(dx: f64, dy: f64) -> Shift {
    Shift {
        dx,
        dy,
        ..Shift::default()
    }
}

fn off(found: &Shift, truth: &Shift) -> f64 {
    (found.dx - truth.dx).hypot(found.dy - truth.dy)
}

const STILL_PX: f64 = 0.1;
const BUMP_PX: f64 = 0.1;

#[test]
fn a_still_tripod_is_still_whatever_the_stars_and_the_mask_say() {
    for seed in 0..5 {
        for night in [Night::new(seed), Night::narrow(seed)] {
            let [a, b] = night.frames(&Shift::default());
            for (m, mask) in masks().iter().enumerate() {
                let found = tripod_shift(&a, &b, mask).unwrap();
                let far = found.dx.hypot(found.dy);
                assert!(far < STILL_PX, "seed {seed}, mask {m}: {found:?}");
                assert_eq!(found.turn, 0.0, "seed {seed}, mask {m}: {found:?}");
            }
        }
    }
}

#[test]
fn a_bump_is_found_below_trails() {
    // Bumps of many pixels are often not found, or wrongly: the build checks them against the land's slopes.
    let bumps = [(0.3, 0.0), (-0.5, 0.4), (2.3, -1.4)];
    for seed in 10..11 {
        for (dx, dy) in bumps {
            for night in [Night::new(seed), Night::narrow(seed)] {
                let truth = bump(dx, dy);
                let [a, b] = night.frames(&truth);
                for mask in &masks()[1..3] {
                    let found = tripod_shift(&a, &b, mask).unwrap();
                    let off = off(&found, &truth);
                    assert!(off < BUMP_PX, "seed {seed}, {dx}, {dy}: {found:?}");
                    assert!(
                        off < 5.0 * found.sigma_px.max(0.01),
                        "{seed}, {dx}, {dy}: {found:?}"
                    );
                    assert!(found.confidence > 0.5, "seed {seed}, {dx}, {dy}: {found:?}");
                }
            }
        }
    }
}

#[test]
fn frames_of_unlike_noise_swap_to_the_opposite_shift() {
    for seed in 20..25 {
        let night = Night {
            noise: [0.0005, 0.003],
            ..Night::new(seed)
        };
        let truth = bump(3.4, -0.7);
        let [a, b] = night.frames(&truth);
        let mask = masks()[1];
        let there = tripod_shift(&a, &b, &mask).unwrap();
        let back = tripod_shift(&b, &a, &mask).unwrap();
        let apart = (there.dx + back.dx).hypot(there.dy + back.dy);
        assert!(apart < 2.0 * there.sigma_px.max(0.005), "{there:?}, {back:?}");
        assert!(off(&there, &truth) < BUMP_PX, "{there:?}");
    }
}

#[test]
fn a_small_turn_shows() {
    for seed in 30..33 {
        let truth = Shift {
            turn: 0.004,
            ..bump(2.0, 1.0)
        };
        let [a, b] = Night::new(seed).frames(&truth);
        let found = tripod_shift(&a, &b, &masks()[0]).unwrap();
        let corner = |s: &Shift| s.moved([590.0, 390.0], SIZE);
        let (f, t) = (corner(&found), corner(&truth));
        let off = (f[0] - t[0]).hypot(f[1] - t[1]);
        assert!(off < 0.15, "seed {seed}: {found:?}, off {off}");
    }
}

#[test]
fn a_sky_without_land_tells_nothing() {
    for seed in 40..45 {
        let night = Night {
            land: -1.0,
            ..Night::new(seed)
        };
        let [a, b] = night.frames(&Shift::default());
        let found = tripod_shift(&a, &b, &|_, _| false);
        let used = found.filter(|s| s.dx.hypot(s.dy) > 0.15 && s.confidence > 0.5);
        assert_eq!(used, None, "seed {seed}");
    }
}
