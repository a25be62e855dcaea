//! Charts say what the plan says.

use jiff::civil::date;
use jiff::tz::TimeZone;
use nightloom_chart::{
    ChartFormat, Look, NightStrip, NightView, StarsOver, SubjectWay, chart_file, night_strip, night_view,
    year_chart,
};
use nightloom_optics::Lens;
use nightloom_outing::framing::Framing;
use nightloom_sky::night::{Night, NightSample, Nights, Standpoint};
use nightloom_sky::subjects::{self, milky_way::Arch};
use nightloom_sky::{Air, Angle, Site, Skyline};

struct Scene {
    nights: Nights,
    night: Night,
    samples: Vec<NightSample>,
    zone: TimeZone,
    skyline: Skyline,
    site: Site,
}

/// The core of the Milky Way from 45° north, over hills 4° to 8° high.
fn scene() -> Scene {
    let site = Site {
        latitude: Angle::from_deg(45.42),
        longitude: Angle::from_deg(24.1),
        elevation_m: 1240.0,
    };
    let hills = (0..720).map(|i| Angle::from_deg(6.0 + 2.0 * (f64::from(i) / 20.0).sin()));
    let skyline = Skyline::new(hills.collect()).expect("a skyline");
    let standpoint = Standpoint {
        skyline: skyline.clone(),
        ..Standpoint::at(site)
    };
    let zone = TimeZone::get("Europe/Bucharest").expect("in the database");
    let nights = Nights::new(standpoint, zone.clone(), date(2026, 6, 20), date(2026, 7, 20)).expect("dates");
    let subject = subjects::find("Milky Way core").expect("known");
    let (night, samples) = {
        let sky = nights.sky(date(2026, 7, 20)).expect("in the span");
        let path = sky.path_of(&subject).expect("a date within the tables");
        let night = sky.night(std::slice::from_ref(&subject)).expect("a night");
        (night, sky.samples(145, Some(&path)))
    };
    Scene {
        nights,
        night,
        samples,
        zone,
        skyline,
        site,
    }
}

fn framing() -> Framing {
    Framing {
        lens: Lens::rectilinear(24.0 / 0.006, 6000, 4000),
        size_px: [6000.0, 4000.0],
        portrait: false,
        azimuth: Angle::from_deg(190.0),
        altitude: Angle::from_deg(20.0),
        frames: [3, 2],
        overlap: 0.3,
    }
}

fn charts(scene: &Scene, look: Look) -> [String; 3] {
    let ways = [SubjectWay {
        name: "Milky Way core",
        samples: &scene.samples,
    }];
    let strip = NightStrip {
        night: &scene.night,
        samples: &scene.samples,
        subjects: &ways,
        zone: &scene.zone,
        place: "Owlstone <Ridge>",
    };
    let arch = Arch::new(&scene.site.ground_from_icrs(scene.night.window.midnight));
    let stars = StarsOver::at(&scene.site, &Air::default(), scene.night.window.midnight);
    let shown = NightView {
        place: "Owlstone <Ridge>",
        subjects: &ways,
        skyline: &scene.skyline,
        zone: &scene.zone,
        arch: Some(&arch),
        stars: Some(&stars),
        at: Some(scene.night.window.midnight),
        framing: Some(framing()),
        note: None,
        window: None,
    };
    let year = scene
        .nights
        .year(Some(&subjects::find("Milky Way core").expect("known")))
        .expect("a span");
    [
        night_strip(&strip, look),
        night_view(&shown, look),
        year_chart(&[year], "Owlstone <Ridge>", look),
    ]
}

/// Every tag closed, every number there.
pub(crate) fn assert_whole(svg: &str) {
    assert!(svg.starts_with("<svg ") && svg.ends_with("</svg>\n"));
    assert!(
        !svg.contains("NaN") && !svg.contains("inf"),
        "a number is missing"
    );
    for tag in ["svg", "g", "text", "title", "clipPath"] {
        let (open, close) = (format!("<{tag}"), format!("</{tag}>"));
        let opened = svg
            .match_indices(&open)
            .filter(|(i, _)| matches!(svg.as_bytes()[i + open.len()], b' ' | b'>'));
        assert_eq!(opened.count(), svg.matches(&close).count(), "{tag}");
    }
    assert_drawn(svg);
}

/// As PNG it has two pixels to the unit and ink on its paper; as PDF three quarters of a point, and its words.
pub(crate) fn assert_drawn(svg: &str) {
    let sides = svg
        .split("viewBox=\"0 0 ")
        .nth(1)
        .and_then(|s| s.split('"').next());
    let sides: Vec<f64> = sides
        .expect("a size")
        .split(' ')
        .map(|v| v.parse().expect("a number"))
        .collect();
    let made = chart_file(svg, ChartFormat::Png).expect("drawn");
    let again = chart_file(svg, ChartFormat::Png).expect("drawn");
    assert_eq!(made.bytes, again.bytes, "equal charts give equal bytes");
    let (width, pixels) = png_pixels(&made.bytes);
    assert_eq!(width as f64, sides[0] * 2.0);
    assert_eq!(pixels.len() as f64, sides[0] * sides[1] * 4.0);
    let inked = pixels.iter().filter(|p| **p != pixels[0]).count();
    assert!(inked > pixels.len() / 200, "{inked} of {}", pixels.len());
    if svg.contains("fill=\"#000\" class=\"paper\"") || svg.contains("class=\"paper\" fill=\"#000\"") {
        assert!(pixels.iter().all(|p| p[1] == 0 && p[2] == 0), "green or blue");
    }
    let pdf = chart_file(svg, ChartFormat::Pdf).expect("drawn").bytes;
    let text = String::from_utf8_lossy(&pdf);
    let page = format!("/MediaBox [0 0 {} {}]", sides[0] * 0.75, sides[1] * 0.75);
    assert!(text.starts_with("%PDF-1.7") && text.contains(&page), "{page}");
}

/// Width, and the pixels row by row.
pub(crate) fn png_pixels(bytes: &[u8]) -> (usize, Vec<[u8; 3]>) {
    let mut reader = png::Decoder::new(std::io::Cursor::new(bytes))
        .read_info()
        .expect("a PNG");
    let mut pixels = vec![0; reader.output_buffer_size().expect("a size")];
    let info = reader.next_frame(&mut pixels).expect("pixels");
    assert_eq!(info.color_type, png::ColorType::Rgb);
    (
        info.width as usize,
        pixels.chunks_exact(3).map(|p| [p[0], p[1], p[2]]).collect(),
    )
}

/// No colour holds any green or blue.
pub(crate) fn assert_red(svg: &str) {
    let mut colours = 0;
    for (at, _) in svg.match_indices('#') {
        let digits: String = svg[at + 1..]
            .chars()
            .take_while(char::is_ascii_hexdigit)
            .collect();
        let rest = match digits.len() {
            3 => &digits[1..],
            6 => &digits[2..],
            _ => continue,
        };
        colours += 1;
        assert!(rest.chars().all(|c| c == '0'), "#{digits}");
    }
    assert!(colours > 8);
}

#[test]
fn every_chart_is_whole_and_treats_names_as_text() {
    let scene = scene();
    for look in [Look::Day, Look::Red] {
        for svg in charts(&scene, look) {
            assert_whole(&svg);
            assert!(svg.contains("Owlstone &lt;Ridge&gt;") && !svg.contains("<Ridge>"));
        }
    }
}

#[test]
fn red_charts_hold_neither_green_nor_blue() {
    for svg in charts(&scene(), Look::Red) {
        assert_red(&svg);
    }
}

#[test]
fn the_strip_shows_the_nights_own_times() {
    let scene = scene();
    let [strip, ..] = charts(&scene, Look::Day);
    let shown = |at: nightloom_sky::Instant| {
        let at = at
            .plus_seconds(30.0)
            .timestamp()
            .to_zoned_datetime(scene.zone.clone());
        format!("{:02}:{:02}", at.hour(), at.minute())
    };
    let sun = &scene.night.sun;
    for (at, word) in [
        (sun.sunset, "sunset"),
        (sun.astronomical_dusk, "dark"),
        (sun.astronomical_dawn, "dawn"),
        (sun.sunrise, "sunrise"),
    ] {
        let words = format!(">{} {word}<", shown(at.expect("happens in July at 45° north")));
        assert!(strip.contains(&words), "{words}");
    }
    let window = scene.night.subjects[0].windows[0];
    assert!(strip.contains(&format!("{} to {}", shown(window.from), shown(window.to))));
}

/// 36 × 24 mm behind 24 mm take in 2·atan(18/24) by 2·atan(12/24) (pinhole geometry).
#[test]
fn frames_of_a_panorama_overlap_as_asked() {
    let framing = framing();
    let [wide, tall] = framing.field_deg();
    assert!(
        (wide - 73.7398).abs() < 0.05 && (tall - 53.1301).abs() < 0.05,
        "{wide} {tall}"
    );
    let aims = framing.aims();
    assert_eq!(aims.len(), 6);
    let rise = aims[3][1].deg() - aims[0][1].deg();
    assert!((rise - 0.7 * tall).abs() < 1e-6, "{rise}");
    // At the lowest edge of the lower row (the horizon) a frame's step is its width less the overlap.
    let step = aims[1][0].deg() - aims[0][0].deg();
    assert!((step - 0.7 * wide).abs() < 1e-6, "{step}");
    let middle = aims.iter().map(|a| a[0].deg()).sum::<f64>() / 6.0;
    assert!((middle - 190.0).abs() < 1e-6);
}
