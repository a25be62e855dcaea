//! Charts of exposures say what the arithmetic says.

use nightloom_chart::{Look, SignalChart, TrailPicture, ladder_chart, signal_chart, trail_map};
use nightloom_optics::noise::{
    Collected, PixelBackground, READ_NOISE_SHARE, choices, signal_to_noise, sky_limited_s,
};
use nightloom_optics::{
    Camera, Exposure, Ladder, LadderLimits, Limit, Projection, Scene, Shot, Tracker, Trailing, ladder,
};
use nightloom_sky::Angle;

use crate::charts::{assert_red, assert_whole};

const FROM: Exposure = Exposure {
    seconds: 15.0,
    f_number: 2.8,
    iso: 6400.0,
};

fn limits() -> LadderLimits {
    LadderLimits {
        lowest_iso: Some(800.0),
        narrowest: Some(4.0),
        ..LadderLimits::default()
    }
}

fn trade_ladder() -> Ladder {
    ladder(&FROM, 3, &limits()).expect("within the limits")
}

fn signal() -> SignalChart<'static> {
    SignalChart {
        told: "nebula <faint>",
        subject: Collected::Extended { e_per_s: 0.14 },
        background: PixelBackground {
            sky_e_per_s: 1.36,
            dark_e_per_s: 0.02,
            read_noise_e: 2.0,
        },
        total_s: 3600.0,
        pause_s: 2.0,
        exposure_s: 60.0,
    }
}

fn shot(axis_alt_az: Option<[f64; 2]>, declination: f64, seconds: f64) -> Shot {
    let deg = Angle::from_deg;
    Shot {
        scene: Scene::new(deg(51.5), deg(declination), deg(-22.5)).expect("a scene"),
        camera: Camera::new(Projection::Rectilinear, 24.0, 5.95, [36.0, 24.0]).expect("a camera"),
        tracker: axis_alt_az.map(|[alt, az]| Tracker::pointing(deg(alt), deg(az)).expect("an axis")),
        air: None,
        seconds,
    }
}

fn picture(shot: Shot) -> TrailPicture {
    TrailPicture {
        shot,
        tolerance_px: 5.0,
    }
}

fn charts(look: Look) -> Vec<String> {
    vec![
        ladder_chart(&trade_ladder(), &limits(), look),
        signal_chart(&signal(), look).expect("figures in range"),
        trail_map(&picture(shot(Some([51.2, 0.4]), -5.0, 120.0)), look),
        trail_map(&picture(shot(None, 50.0, 20.0)), look),
    ]
}

/// The words of a chart, in the order in which they are drawn.
fn words(svg: &str) -> Vec<String> {
    let pieces = svg.split("<text ").skip(1);
    pieces
        .map(|p| p[p.find('>').expect("an end") + 1..p.find("</text>").expect("a close")].to_owned())
        .collect()
}

fn says(svg: &str, what: &str) {
    let words = words(svg);
    assert!(words.iter().any(|w| w == what), "{what:?} is not among {words:?}");
}

#[test]
fn charts_of_exposures_are_whole_and_red_ones_red() {
    for svg in charts(Look::Day) {
        assert_whole(&svg);
        assert!(!svg.contains("<faint>"));
    }
    for svg in charts(Look::Red) {
        assert_whole(&svg);
        assert_red(&svg);
    }
}

/// No word only by day, no word only in red: the colour carries nothing.
#[test]
fn both_looks_say_the_same() {
    for (day, red) in charts(Look::Day).iter().zip(&charts(Look::Red)) {
        assert_eq!(words(day), words(red));
    }
}

/// The ladder of the trade (common practice, no source), with the end and its reason.
#[test]
fn the_ladder_shows_its_rungs_and_its_end() {
    let svg = ladder_chart(&trade_ladder(), &limits(), Look::Day);
    for rung in [
        "15 s · f/2.8 · ISO 6400",
        "30 s · f/2.8 · ISO 3200",
        "60 s · f/2.8 · ISO 1600",
        "240 s · f/4 · ISO 800",
    ] {
        says(&svg, rung);
    }
    says(&svg, "lowest ISO 800");
    says(
        &svg,
        "It ends at 240 s · f/4 · ISO 800: lowest ISO 800 and narrowest aperture f/4.",
    );
    let rungs = svg.matches("r=\"4\"").count();
    assert_eq!(rungs, trade_ladder().rungs.len());
}

#[test]
fn another_limit_is_another_end() {
    let limits = LadderLimits {
        longest_s: Some(45.0),
        ..limits()
    };
    let found = ladder(&FROM, 3, &limits).expect("within the limits");
    assert_eq!(found.ended_by, [Limit::Longest]);
    let svg = ladder_chart(&found, &limits, Look::Day);
    says(&svg, "It ends at 30 s · f/2.8 · ISO 3200: longest time 45 s.");
}

/// All rungs of one f-number on one straight line, whatever the scale.
#[test]
fn equivalents_lie_on_a_line() {
    let svg = ladder_chart(&trade_ladder(), &limits(), Look::Day);
    let places: Vec<[f64; 2]> = svg
        .split("<circle cx=\"")
        .skip(1)
        .filter(|c| c.contains("r=\"4\""))
        .map(|c| {
            let mut numbers = c.split('"').filter_map(|n| n.parse().ok());
            [numbers.next().expect("x"), numbers.next().expect("y")]
        })
        .collect();
    let step = |n: usize| [places[n + 1][0] - places[n][0], places[n + 1][1] - places[n][1]];
    // Places are written to a tenth.
    for n in 1..3 {
        for k in 0..2 {
            assert!((step(n)[k] - step(0)[k]).abs() < 0.21, "{places:?}");
        }
    }
    assert!(step(0)[0] > 0.0 && step(0)[1] > 0.0);
    // The aperture pays the last one: the ISO stays.
    assert!((step(3)[0] - step(0)[0]).abs() < 0.21 && step(3)[1] == 0.0);
}

#[test]
fn the_signal_chart_shows_the_numbers_of_the_choices() {
    let chart = signal();
    let svg = signal_chart(&chart, Look::Day).expect("figures in range");
    for part in [1.0, 0.5, 0.25] {
        let time = chart.total_s * part;
        let found = choices(&chart.subject, &chart.background, time, chart.pause_s, &[60.0])
            .expect("figures in range")[0];
        says(&svg, &format!("{:.2}", found.signal_to_noise));
        says(&svg, &format!("{} frames", found.frames));
    }
    let whole = choices(&chart.subject, &chart.background, 3600.0, 2.0, &[60.0]).expect("in range")[0];
    says(
        &svg,
        &format!("{} × 60 s: {:.2}", whole.frames, whole.signal_to_noise),
    );
    says(&svg, &format!("{:.0} % of the best", whole.efficiency * 100.0));
}

/// The mark stands where the read noise raises the sky's own noise by a twentieth, checked by the noise
/// itself.
#[test]
fn the_five_per_cent_mark_is_where_the_noise_says() {
    let chart = signal();
    let svg = signal_chart(&chart, Look::Day).expect("figures in range");
    let limited = sky_limited_s(1.36, 2.0, READ_NOISE_SHARE).expect("in range");
    says(&svg, "read noise adds 5 %");
    says(&svg, &format!("at {limited:.1} s, more before"));
    let sky_alone = PixelBackground {
        dark_e_per_s: 0.0,
        ..chart.background
    };
    let nothing = Collected::Extended { e_per_s: 0.0 };
    let with = signal_to_noise(&nothing, &sky_alone, limited, 1).expect("in range");
    let without = (1.36 * limited).sqrt();
    assert!((with.noise_e / without - 1.05).abs() < 1e-9);
}

/// Where the mark is beyond the time there is, the words still say so.
#[test]
fn a_mark_beyond_the_chart_is_told() {
    let mut chart = signal();
    chart.background.read_noise_e = 60.0;
    let svg = signal_chart(&chart, Look::Day).expect("figures in range");
    says(&svg, "read noise adds 5 %");
    assert!(words(&svg).iter().any(|w| w.starts_with("only at ")), "{svg}");
}

#[test]
fn figures_out_of_range_are_refused() {
    let mut chart = signal();
    chart.total_s = 0.0;
    assert!(signal_chart(&chart, Look::Day).is_err());
    let mut chart = signal();
    chart.background.sky_e_per_s = 0.0;
    assert!(signal_chart(&chart, Look::Day).is_err());
}

#[test]
fn the_map_shows_the_lengths_of_the_frame() {
    for shot in [shot(Some([51.2, 0.4]), -5.0, 120.0), shot(None, 50.0, 20.0)] {
        let svg = trail_map(&picture(shot), Look::Day);
        let trails = shot.frame_trails(Trailing::Sky);
        for trail in trails.corners.iter().chain([&trails.centre]) {
            says(
                &svg,
                &format!("{:.2} px", trail.expect("in the picture").length_px),
            );
        }
        for trail in &trails.edges {
            says(&svg, &format!("{:.2}", trail.expect("in the picture").length_px));
        }
        let worst = trails.worst.expect("an end").length_px;
        says(&svg, &format!("longest in the frame {worst:.2} px"));
    }
}

/// The line of the tolerance is there where some trails are shorter and some longer, and only there.
#[test]
fn the_tolerance_is_a_line_where_it_crosses_the_frame() {
    let name = "5 px, still a point";
    let crossed = trail_map(&picture(shot(None, 50.0, 20.0)), Look::Day);
    says(&crossed, name);
    let point = trail_map(&picture(shot(Some([51.5, 0.0]), 50.0, 20.0)), Look::Day);
    assert!(!words(&point).iter().any(|w| w == name));
    assert_whole(&point);
}

/// A lens whose picture ends within the frame, and stars that leave it, still make a map.
#[test]
fn a_fisheye_has_a_map() {
    let mut wide = shot(None, 30.0, 600.0);
    wide.camera = Camera::new(Projection::Orthographic, 8.0, 5.95, [36.0, 24.0]).expect("a camera");
    assert_whole(&trail_map(&picture(wide), Look::Day));
    // Narrow and tall.
    let mut slit = shot(None, 30.0, 1.0);
    slit.camera = Camera::new(Projection::Rectilinear, 24.0, 5.95, [0.5, 24.0]).expect("a camera");
    assert_whole(&trail_map(&picture(slit), Look::Day));
}
