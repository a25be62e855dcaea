//! Detection and centres against what was painted.

use nightloom_stars::{DetectSettings, measure};

use crate::scene::{FULL_WELL, Look, Random, Source, expose, paint};

/// Centres of bright stars, pixels.
const CENTRE_PX: f64 = 0.05;
/// Flux of bright stars.
const FLUX_PART: f64 = 0.02;

fn scatter(random: &mut Random, width: usize, height: usize, count: usize, faintest: f64) -> Vec<Source> {
    (0..count)
        .map(|_| Source {
            x: random.range(12.0, width as f64 - 13.0),
            y: random.range(12.0, height as f64 - 13.0),
            electrons: random.flux(faintest),
        })
        .collect()
}

#[test]
fn finds_what_was_painted_and_nothing_else() {
    let (width, height) = (700, 500);
    let mut random = Random(7);
    let look = Look::default();
    let sources = scatter(&mut random, width, height, 250, 400.0);
    let image = expose(paint(width, height, &sources, &look), &look, &mut random);
    let field = measure(&image, &DetectSettings::default());
    assert_eq!(field.land.sky_fraction(), 1.0);
    let nearest = |x: f64, y: f64| {
        sources
            .iter()
            .map(|s| ((s.x - x).hypot(s.y - y), s))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .unwrap()
    };
    let false_ones = field.stars.iter().filter(|s| nearest(s.x, s.y).0 > 1.5).count();
    assert!(
        false_ones <= 2,
        "{false_ones} of {} are no stars",
        field.stars.len()
    );
    // 5σ for a matched filter: noise √(300+9) = 17.6 e⁻ a pixel, 2σ√π = 3.9 pixels wide: 343 e⁻.
    let strong: Vec<&Source> = sources
        .iter()
        .filter(|s| s.electrons > 700.0 && s.electrons < 1e5)
        .filter(|s| {
            sources
                .iter()
                .filter(|o| (o.x - s.x).hypot(o.y - s.y) < 12.0)
                .count()
                == 1
        })
        .collect();
    let found = |s: &Source| field.stars.iter().find(|f| (f.x - s.x).hypot(f.y - s.y) < 1.0);
    let missed = strong.iter().filter(|s| found(s).is_none()).count();
    assert!(missed == 0, "{missed} of {} missed", strong.len());
    for source in strong.iter().filter(|s| s.electrons > 2e4) {
        let star = found(source).unwrap();
        let off = (star.x - source.x).hypot(star.y - source.y);
        assert!(off < CENTRE_PX, "{off} px off at {source:?}");
        if !star.saturated {
            let part = f64::from(star.flux) * FULL_WELL / source.electrons - 1.0;
            assert!(part.abs() < FLUX_PART, "flux off by {part} at {source:?}");
        }
    }
    let fwhm = look.sigma * 2.3548;
    assert!(
        (f64::from(field.fwhm_px) / fwhm - 1.0).abs() < 0.05,
        "fwhm {} for {fwhm}",
        field.fwhm_px
    );
    assert!((f64::from(field.background) * FULL_WELL - 300.0).abs() < 2.0);
    assert!((f64::from(field.noise) * FULL_WELL - 17.6).abs() < 0.5);
    assert!(field.elongation < 1.15 && field.trail_px == 0.0);
}

#[test]
fn trails_are_found_by_their_middles() {
    let (width, height) = (800, 600);
    for length in [8.0, 20.0, 40.0] {
        let mut random = Random(5);
        let look = Look {
            trail: (length, 0.5),
            ..Look::default()
        };
        let sources: Vec<Source> = scatter(&mut random, width, height, 50, 8_000.0);
        let image = expose(paint(width, height, &sources, &look), &look, &mut random);
        let field = measure(&image, &DetectSettings::default());
        assert!(
            (f64::from(field.trail_px) - length).abs() < 0.15 * length + 1.5,
            "{} for {length}",
            field.trail_px
        );
        assert!(
            (field.trail_angle.rad() - 0.5).abs() < 0.05,
            "{}",
            field.trail_angle.deg()
        );
        // Trails that cross others are left aside.
        let alone = |s: &&Source| {
            sources
                .iter()
                .filter(|o| (o.x - s.x).hypot(o.y - s.y) < length + 12.0)
                .count()
                == 1
                && (s.x - 400.0).abs() < 370.0
                && (s.y - 300.0).abs() < 280.0
        };
        let mut offs: Vec<f64> = sources
            .iter()
            .filter(alone)
            .map(|s| {
                field
                    .stars
                    .iter()
                    .map(|f| (f.x - s.x).hypot(f.y - s.y))
                    .fold(f64::INFINITY, f64::min)
            })
            .collect();
        offs.sort_by(f64::total_cmp);
        assert!(offs.len() > 10, "{} at {length}", offs.len());
        assert!(
            offs[offs.len() / 2] < 0.2,
            "middles {} px off at {length}",
            offs[offs.len() / 2]
        );
        assert!(
            offs[offs.len() - 1] < 1.0,
            "a middle {} px off at {length}",
            offs[offs.len() - 1]
        );
    }
}

#[test]
fn hot_pixels_and_streaks_are_no_stars() {
    let (width, height) = (600, 400);
    let mut random = Random(3);
    let look = Look::default();
    let sources = scatter(&mut random, width, height, 120, 2_000.0);
    let mut plane = paint(width, height, &sources, &look);
    let hot: Vec<(usize, usize)> = (0..60)
        .map(|_| {
            (
                random.range(5.0, 595.0) as usize,
                random.range(5.0, 395.0) as usize,
            )
        })
        .collect();
    for (x, y) in &hot {
        *plane.at_mut(*x, *y) += 3_000.0;
    }
    let streak = Look {
        trail: (300.0, 0.3),
        sky_electrons: 0.0,
        ..look
    };
    let light = paint(
        width,
        height,
        &[Source {
            x: 300.0,
            y: 200.0,
            electrons: 300_000.0,
        }],
        &streak,
    );
    for (p, l) in plane.data_mut().iter_mut().zip(light.data()) {
        *p += l;
    }
    let image = expose(plane, &look, &mut random);
    let field = measure(&image, &DetectSettings::default());
    let is_true = |x: f64, y: f64| sources.iter().any(|s| (s.x - x).hypot(s.y - y) < 2.0);
    let wrong: Vec<(f64, f64)> = field
        .stars
        .iter()
        .filter(|s| !is_true(s.x, s.y))
        .map(|s| (s.x, s.y))
        .collect();
    assert!(
        wrong.len() <= 2,
        "{} of {} are no stars: {wrong:?}",
        wrong.len(),
        field.stars.len()
    );
    assert!(field.stars.len() >= 100);
}

#[test]
fn empty_and_tiny_frames_give_empty_fields() {
    for (width, height) in [(0, 0), (1, 1), (15, 40), (64, 64)] {
        let field = measure(
            &nightloom_raster::Plane::filled(width, height, 0.1),
            &DetectSettings::default(),
        );
        assert!(field.stars.is_empty());
    }
    let field = measure(
        &nightloom_raster::Plane::filled(100, 100, f32::NAN),
        &DetectSettings::default(),
    );
    assert!(field.stars.is_empty());
}

/// Files do not always tell their white: a plateau a fifth of the way up is one all the same.
#[test]
fn stars_burnt_out_below_the_level_told_are_whole_and_known_as_such() {
    let (width, height) = (700, 500);
    let mut random = Random(31);
    let look = Look::default();
    let mut sources = scatter(&mut random, width, height, 200, 400.0);
    let burnt = [[150.0, 120.0], [420.3, 260.6], [600.5, 400.2]];
    sources.retain(|s| burnt.iter().all(|b| (b[0] - s.x).hypot(b[1] - s.y) > 30.0));
    sources.extend(burnt.map(|[x, y]| Source { x, y, electrons: 6e5 }));
    let mut image = expose(paint(width, height, &sources, &look), &look, &mut random);
    image.data_mut().iter_mut().for_each(|v| *v = v.min(0.2));
    let field = measure(&image, &DetectSettings::default());
    for [x, y] in burnt {
        let near: Vec<_> = field
            .stars
            .iter()
            .filter(|s| (s.x - x).hypot(s.y - y) < 10.0)
            .collect();
        assert_eq!(near.len(), 1, "{near:?}");
        assert!(
            near[0].saturated && (near[0].x - x).hypot(near[0].y - y) < 0.3,
            "{near:?}"
        );
    }
    assert!(field.stars.iter().filter(|s| s.saturated).count() < 20);
}
