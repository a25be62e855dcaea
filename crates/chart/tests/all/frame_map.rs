//! The map of one frame, as markup.

use nightloom_chart::{Look, frame_map};
use nightloom_frames::{FramePicture, IdentifyReport, SkyTones};
use nightloom_sky::Angle;
use nightloom_stars::{LandMask, SkyMap, Star};

use crate::charts::assert_drawn;

/// 600 stars on a grid, long axes at 30°; the lowest quarter is land; a streak; a sky darker to the right.
fn picture() -> FramePicture {
    let star = |i: usize| Star {
        x: (i % 30) as f64 * 100.0 + 50.0,
        y: (i / 30) as f64 * 75.0 + 20.0,
        flux: 1.0 / (1.0 + i as f32),
        peak: 0.1,
        fwhm_px: 2.5,
        elongation: 1.4,
        angle: Angle::from_deg(30.0),
        saturated: false,
        snr: 40.0,
    };
    let mut land = LandMask::all_sky(3000, 2000, 50);
    let from = land.columns * 30;
    land.land[from..].fill(true);
    FramePicture {
        name: "<night>&\"1\".dng".into(),
        size_px: [3000, 2000],
        stars: (0..600).map(star).collect(),
        fwhm_px: 2.5,
        elongation: 1.4,
        trail_px: 0.0,
        land,
        sky: SkyTones {
            map: SkyMap {
                columns: 24,
                rows: 16,
                mag_arcsec2: (0..384)
                    .map(|i| (i / 24 < 12).then(|| 20.0 + 0.05 * f64::from(i % 24)))
                    .collect(),
            },
            in_magnitudes: true,
        },
        residuals: (0..600).map(|i| [[star(i).x, star(i).y], [0.3, 0.0]]).collect(),
        names: vec![("Deneb".into(), 1.25, [1500.0, 700.0])],
        streaks: vec![[[100.0, 100.0], [900.0, 400.0]]],
        identified: IdentifyReport::default(),
    }
}

#[test]
fn everything_measured_is_drawn() {
    let svg = frame_map(&picture(), Look::Day);
    assert!(
        svg.matches("<ellipse").count() > 60,
        "{}",
        svg.matches("<ellipse").count()
    );
    assert!(svg.contains("transform=\"rotate(30.0 "), "the long axis");
    assert!(
        svg.contains("url(#land)") && svg.contains(">Deneb<") && svg.contains(">20.6<"),
        "land, name, line"
    );
    assert!(svg.contains("class=\"line dash\"") && svg.contains("not identified"));
    assert!(!svg.contains("NaN") && !svg.contains("inf") && !svg.contains("<night>"));
    assert_drawn(&svg);
}

#[test]
fn an_empty_frame_is_a_map_that_says_so() {
    let mut empty = picture();
    empty.stars.clear();
    empty.residuals.clear();
    empty.names.clear();
    empty.sky.map.mag_arcsec2.fill(None);
    let svg = frame_map(&empty, Look::Red);
    assert!(svg.contains("no stars found") && !svg.contains("NaN") && !svg.contains("<ellipse"));
    assert_drawn(&svg);
}
