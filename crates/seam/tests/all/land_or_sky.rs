//! What no colour tells: bright sky over dark ground, snow and water as bright as the sky, lamps; ten scenes each.

use nightloom_fit::Random;
use nightloom_raster::{Plane, Rgb};
use nightloom_seam::{
    Evidence, Finding, MatteSettings, Places, SeparateSettings, Temporal, Work, matte, separate,
};

const SIZE: [usize; 2] = [600, 400];
/// What lies deeper than this inside land or sky must be told exactly.
const DEEP_PX: usize = 12;

/// A place with a ridge and what is painted above and below it.
struct View {
    ridge: Vec<f32>,
    random: Random,
}

impl View {
    fn new(seed: u64) -> Self {
        let mut random = Random::new(seed);
        let mut wave = |tall: f64| {
            let (long, phase) = (random.between(40.0, 160.0), random.between(0.0, 6.0));
            move |x: f64| tall * (x / long + phase).sin()
        };
        let (a, b, c) = (wave(40.0), wave(14.0), wave(5.0));
        let ridge = (0..SIZE[0])
            .map(|x| x as f64)
            .map(|x| (260.0 + a(x) + b(x) + c(x)) as f32);
        Self {
            ridge: ridge.collect(),
            random,
        }
    }

    /// Light of sky and ground by place, with noise of 3 % and stars in the sky.
    fn painted(&mut self, sky: &dyn Fn(f32, f32) -> f32, ground: &dyn Fn(f32, f32) -> f32) -> Rgb {
        let mut light = Plane::from_fn(SIZE[0], SIZE[1], |x, y| {
            let of = if self.is_land(x, y) { ground } else { sky };
            of(x as f32, y as f32)
        });
        for [x, y] in self.stars() {
            for (dx, dy) in (-1..=1).flat_map(|dy| (-1..=1).map(move |dx| (dx, dy))) {
                let (u, v) = ((x as i32 + dx) as usize, (y as i32 + dy) as usize);
                if u < SIZE[0] && v < SIZE[1] && !self.is_land(u, v) {
                    *light.at_mut(u, v) += 0.05 / (1 + dx * dx + dy * dy) as f32;
                }
            }
        }
        Rgb::from_planes([0.9, 1.0, 1.1].map(|tint| {
            let noise =
                |v: &f32| (v * tint + 0.03 * (v * 0.02).sqrt() * self.random.normal() as f32).max(0.0);
            Plane::from_vec(SIZE[0], SIZE[1], light.data().iter().map(noise).collect())
        }))
    }

    fn is_land(&self, x: usize, y: usize) -> bool {
        y as f32 >= self.ridge[x]
    }

    /// Places of stars, the same on every call.
    fn stars(&self) -> Vec<[f32; 2]> {
        let mut random = Random::new(99);
        let mut roll = |most: usize| random.between(4.0, most as f64 - 4.0) as f32;
        let all = (0..200).map(|_| [roll(SIZE[0]), roll(SIZE[1])]);
        all.filter(|s| s[1] + 4.0 < self.ridge[s[0] as usize]).collect()
    }

    /// Shares of deep land that lets sky through and of deep sky that is land.
    fn wrong(&self, land: &Rgb, stars: &[[f32; 2]]) -> [f64; 2] {
        let evidence = Evidence {
            stars,
            ..Evidence::of_land(land, 3)
        };
        let coarse = separate(&evidence, &SeparateSettings::default(), &Work::quiet()).expect("labels");
        assert_eq!(coarse.finding, Finding::Both);
        let found = matte(&evidence, &coarse, &MatteSettings::default(), &Work::quiet()).expect("a matte");
        let (mut wrong, mut all) = ([0usize; 2], [0usize; 2]);
        for x in DEEP_PX..SIZE[0] - DEEP_PX {
            let near = &self.ridge[x - DEEP_PX..=x + DEEP_PX];
            let lowest = near.iter().copied().fold(0.0, f32::max) as usize + DEEP_PX;
            let highest = near.iter().copied().fold(f32::INFINITY, f32::min) as usize - DEEP_PX;
            for y in (0..highest).chain(lowest..SIZE[1]) {
                let side = usize::from(y < highest);
                let alpha = found.alpha.at(x, y);
                all[side] += 1;
                wrong[side] += usize::from(if side == 0 { alpha > 0.02 } else { alpha < 0.98 });
            }
        }
        std::array::from_fn(|i| wrong[i] as f64 / all[i] as f64)
    }
}

/// A rough ground whose brightness thins out from `low` towards `high`.
fn rough(x: f32, y: f32, low: f32, high: f32) -> f32 {
    let cell = |side: f32, salt: f32| {
        let v = ((x / side).floor() * 12.9898 + (y / side).floor() * 78.233 + salt).sin() * 43758.547;
        v - v.floor()
    };
    let v = 0.5 * cell(7.0, 1.0) + 0.3 * cell(3.0, 2.0) + 0.2 * cell(2.0, 3.0);
    low + (high - low) * v * v
}

fn worst(paint: impl Fn(&mut View) -> Rgb, lamps: &dyn Fn(&View) -> Vec<[f32; 2]>) -> [f64; 2] {
    let mut worst = [0.0f64; 2];
    for seed in 0..10 {
        let mut view = View::new(seed);
        let land = paint(&mut view);
        let mut stars = view.stars();
        stars.extend(lamps(&view));
        let wrong = view.wrong(&land, &stars);
        worst = [worst[0].max(wrong[0]), worst[1].max(wrong[1])];
    }
    worst
}

fn plain_sky(_: f32, y: f32) -> f32 {
    0.02 + 0.00002 * y
}

#[test]
fn a_bright_band_of_the_milky_way_is_no_land() {
    let sky =
        |x: f32, y: f32| 0.015 + 0.03 * (-((x - 0.8 * (SIZE[1] as f32 - y) - 100.0) / 80.0).powi(2)).exp();
    let wrong = worst(
        |view| view.painted(&sky, &|x, y| rough(x, y, 0.001, 0.004)),
        &|_| Vec::new(),
    );
    assert!(wrong[0] < 0.001 && wrong[1] < 0.001, "{wrong:?}");
}

#[test]
fn snow_and_rock_as_bright_as_the_sky_let_none_through() {
    let wrong = worst(
        |view| view.painted(&plain_sky, &|x, y| rough(x, y, 0.004, 0.04)),
        &|_| Vec::new(),
    );
    // None is wanted; 0.2 % was the worst of the ten, all within a few pixels of `DEEP_PX`.
    assert!(wrong[0] < 0.003 && wrong[1] < 0.001, "{wrong:?}");
}

#[test]
fn a_lake_that_mirrors_the_sky_is_land() {
    let ground = |x: f32, y: f32| {
        // The lowest of the ridge lies a little above 320.
        let shore = 348.0 + 4.0 * (x / 50.0).sin();
        if y > shore && y < shore + 40.0 {
            plain_sky(x, 600.0 - y)
        } else {
            rough(x, y, 0.003, 0.01)
        }
    };
    let wrong = worst(|view| view.painted(&plain_sky, &ground), &|_| Vec::new());
    assert!(wrong[0] < 0.001 && wrong[1] < 0.001, "{wrong:?}");
}

#[test]
fn lamps_of_a_town_are_no_stars() {
    let lamp = |k: usize| [20.0 + 19.0 * k as f32, 350.0 + ((k * 37) % 40) as f32];
    let ground = |x: f32, y: f32| {
        let near = (0..30).map(lamp).map(|l| (l[0] - x).powi(2) + (l[1] - y).powi(2));
        rough(x, y, 0.002, 0.006) + 0.5 * near.map(|d| (-d / 3.0).exp()).sum::<f32>()
    };
    let wrong = worst(|view| view.painted(&plain_sky, &ground), &|_| {
        (0..30).map(lamp).collect()
    });
    assert!(wrong[0] < 0.001 && wrong[1] < 0.001, "{wrong:?}");
}

/// A lake right under the ridge that mirrors the sky to the last: only the horizon tells that it is land.
#[test]
fn below_a_known_horizon_nothing_is_sky() {
    for seed in 0..10 {
        let mut view = View::new(seed);
        let shore = |x: f32| view.ridge[x as usize] + 14.0;
        let shores: Vec<f32> = (0..SIZE[0]).map(|x| shore(x as f32)).collect();
        let lake = |x: f32, y: f32| y > shores[x as usize];
        let ground = |x: f32, y: f32| match lake(x, y) {
            true => plain_sky(x, 2.0 * shores[x as usize] - y),
            false => rough(x, y, 0.001, 0.004),
        };
        let land = view.painted(&plain_sky, &ground);
        let stars = view.stars();
        let mut places = Places::new(SIZE[0], SIZE[1]);
        places.set_below(|x, y| y as f32 > shores[x]);
        let evidence = Evidence {
            stars: &stars,
            places: Some(&places),
            ..Evidence::of_land(&land, 3)
        };
        let coarse = separate(&evidence, &SeparateSettings::default(), &Work::quiet()).expect("labels");
        let found = matte(&evidence, &coarse, &MatteSettings::default(), &Work::quiet()).expect("a matte");
        for (x, shore) in shores.iter().enumerate() {
            for y in *shore as usize + 2..SIZE[1] {
                assert!(found.alpha.at(x, y) < 0.02, "seed {seed}: {x} {y}");
            }
        }
    }
}

/// A star's trail through a gap in dark land, with what is known of it and without.
#[test]
fn a_known_trail_is_sky() {
    let mut view = View::new(4);
    let mut land = view.painted(&plain_sky, &|x, y| rough(x, y, 0.001, 0.004));
    let mut places = Places::new(SIZE[0], SIZE[1]);
    let (x0, y0) = (300usize, view.ridge[300] as usize + 40);
    for k in 0..30 {
        for w in 0..3 {
            let (x, y) = (x0 + k, y0 + k / 2 + w);
            land.planes_mut().iter_mut().for_each(|p| *p.at_mut(x, y) = 0.2);
            places.add_trail(x as i64, y as i64);
        }
    }
    let stars = view.stars();
    let alpha = |places: Option<&Places>| {
        let evidence = Evidence {
            stars: &stars,
            places,
            ..Evidence::of_land(&land, 1)
        };
        let coarse = separate(&evidence, &SeparateSettings::default(), &Work::quiet()).expect("labels");
        let found = matte(&evidence, &coarse, &MatteSettings::default(), &Work::quiet()).expect("a matte");
        (0..30)
            .map(|k| found.alpha.at(x0 + k, y0 + k / 2 + 1))
            .sum::<f32>()
            / 30.0
    };
    assert!(alpha(None) < 0.1, "{}", alpha(None));
    assert!(alpha(Some(&places)) > 0.95, "{}", alpha(Some(&places)));
}

/// Temporal planes whose cells do not fit those of the labels, of a scene in which nothing moves: they say nothing.
#[test]
fn planes_that_hold_one_value_a_cell_do_not_vote() {
    let mut view = View::new(2);
    let land = view.painted(&plain_sky, &|x, y| rough(x, y, 0.001, 0.008));
    let mut random = Random::new(8);
    let mut noisy = |level: f32| {
        let mut plane = Plane::filled(SIZE[0] / 4, SIZE[1] / 4, level);
        plane
            .data_mut()
            .iter_mut()
            .for_each(|v| *v *= 1.0 + 0.3 * random.uniform() as f32);
        plane
    };
    let (mean, variance) = (noisy(0.02), noisy(1e-6));
    let stars = view.stars();
    let labels = |temporal| {
        let evidence = Evidence {
            stars: &stars,
            temporal,
            ..Evidence::of_land(&land, 4)
        };
        // Cells of five pixels over planes of four.
        let settings = SeparateSettings {
            long_side: 120,
            ..SeparateSettings::default()
        };
        separate(&evidence, &settings, &Work::quiet()).expect("labels")
    };
    let (with, without) = (
        labels(Some(Temporal {
            mean: &mean,
            variance: &variance,
        })),
        labels(None),
    );
    assert_eq!(with.factor, 5);
    assert_eq!((with.finding, with.sky), (without.finding, without.sky));
}
