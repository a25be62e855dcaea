//! What a build of the whole night says and delivers, against what is promised and what is true.

use std::collections::BTreeMap;
use std::fs;
use std::io::Read;
use std::path::Path;

use nightloom_optics::Lens;
use nightloom_raster::Plane;
use nightloom_simulate::{Scenario, Size, Truth, render};
use nightloom_sky::Angle;
use nightloom_sky::skyline::{North, read_csv};
use serde_json::Value;
use tiff::decoder::{Decoder, DecodingResult};
use tiff::tags::Tag;

use crate::night::{LAND, Night, SKY, Temp, built, frame, left_out, output};
use crate::placement::rotation;

/// Registration of sky frames, rms over a grid with the corners, pixels.
const REGISTRATION_PX: f64 = 0.3;
/// Mean absolute error of the matte over the frame.
const MATTE_WHOLE: f64 = 0.01;
/// The same in the band along the edge.
const MATTE_BAND: f64 = 0.08;
/// Reach of that band, pixels.
const BAND_PX: usize = 12;

/// What a field of the JSON must be.
#[derive(Clone, Copy)]
enum Is {
    Text,
    Number,
    /// A number, or null where it was not measured.
    Maybe,
    Count,
    Yes,
    Pair,
    Utc,
}

impl Is {
    fn holds(self, value: &Value) -> bool {
        match self {
            Self::Text => value.is_string(),
            Self::Number => value.is_number(),
            Self::Maybe => value.is_number() || value.is_null(),
            Self::Count => value.is_u64(),
            Self::Yes => value.is_boolean(),
            Self::Pair => value
                .as_array()
                .is_some_and(|p| p.len() == 2 && p.iter().all(Value::is_number)),
            Self::Utc => value.as_str().is_some_and(|t| {
                t.ends_with('Z') && serde_json::from_value::<nightloom_sky::Instant>(value.clone()).is_ok()
            }),
        }
    }
}

#[test]
fn the_json_has_every_promised_field() {
    let report = Night::get().whole_report();
    let fields = [
        ("/sky/frames_used", Is::Count),
        ("/sky/registration_rms_px", Is::Number),
        ("/sky/noise", Is::Number),
        ("/sky/rejected_fraction", Is::Number),
        ("/land/frames_used", Is::Count),
        ("/seam/sky_fraction", Is::Number),
        ("/seam/offset_px", Is::Pair),
        ("/seam/instant", Is::Utc),
        ("/canvas/width_px", Is::Count),
        ("/canvas/height_px", Is::Count),
        ("/canvas/land_origin_px", Is::Pair),
        ("/outputs/picture", Is::Text),
        ("/outputs/layers", Is::Text),
        ("/outputs/preview", Is::Text),
        ("/outputs/report", Is::Text),
        ("/outputs/matte", Is::Text),
        ("/outputs/sky", Is::Text),
        ("/outputs/land", Is::Text),
        ("/outputs/linear", Is::Text),
        ("/seconds", Is::Number),
        ("/peak_memory_mib", Is::Number),
    ];
    for (at, is) in fields {
        let value = report.pointer(at).unwrap_or_else(|| panic!("{at} is missing"));
        assert!(is.holds(value), "{at} is {value}");
    }
    let frames = report["frames"].as_array().unwrap();
    assert_eq!(frames.len(), 12 + 4 + 6 + 6);
    for frame in frames {
        let fields = [
            ("path", Is::Text),
            ("role", Is::Text),
            ("used", Is::Yes),
            ("reason", Is::Text),
            ("stars", Is::Count),
            ("fwhm_px", Is::Maybe),
            ("elongation", Is::Maybe),
            ("background_e_or_adu", Is::Maybe),
        ];
        for (name, is) in fields {
            let value = frame
                .get(name)
                .unwrap_or_else(|| panic!("{name} is missing in {frame}"));
            assert!(is.holds(value), "{name} is {value}");
        }
        if frame["role"] == "sky" {
            for name in ["fwhm_px", "elongation", "background_e_or_adu"] {
                assert!(frame[name].as_f64().unwrap() > 0.0, "{name} in {frame}");
            }
        }
        assert!(!frame["reason"].as_str().unwrap().is_empty(), "{frame}");
    }
    for name in [
        "picture", "layers", "preview", "report", "matte", "sky", "land", "linear",
    ] {
        assert!(output(&report, name).is_file(), "{name}");
    }
    let fraction = report["seam"]["sky_fraction"].as_f64().unwrap();
    assert!((0.05..0.95).contains(&fraction), "{fraction}");
}

/// Whatever came out: on one canvas, 16 bits, with a profile.
#[test]
fn the_tiffs_are_16_bit_on_one_canvas_with_a_profile() {
    let report = Night::get().whole_report();
    let size = ["width_px", "height_px"].map(|k| report["canvas"][k].as_u64().unwrap() as u32);
    for (name, samples) in [
        ("picture", 3),
        ("sky", 3),
        ("land", 3),
        ("matte", 1),
        ("coverage", 1),
    ] {
        let file = fs::File::open(output(&report, name)).unwrap();
        let mut tiff = Decoder::new(std::io::BufReader::new(file)).unwrap();
        let dimensions = tiff.dimensions().unwrap();
        assert_eq!([dimensions.0, dimensions.1], size, "{name}");
        let bits = tiff.get_tag(Tag::BitsPerSample).unwrap().into_u16_vec().unwrap();
        assert_eq!(bits, vec![16; samples], "{name}");
        let profile = tiff.get_tag(Tag::IccProfile).unwrap().into_u8_vec().unwrap();
        // ICC.1:2022, 7.2: the size in the first four bytes, the signature at byte 36.
        let told = u32::from_be_bytes(profile[..4].try_into().unwrap());
        assert_eq!(told as usize, profile.len(), "{name}");
        assert_eq!(&profile[36..40], b"acsp", "{name}");
        let DecodingResult::U16(values) = tiff.read_image().unwrap() else {
            panic!("{name} is not 16-bit")
        };
        let (least, most) = (values.iter().min().unwrap(), values.iter().max().unwrap());
        assert!(least < most, "{name} is empty");
        if name == "matte" {
            assert_eq!((*least, *most), (0, 65535), "the matte has land and sky");
        }
    }
}

#[test]
fn the_layers_are_an_openraster_file_of_16_bit() {
    let report = Night::get().whole_report();
    let size = ["width_px", "height_px"].map(|k| report["canvas"][k].as_u64().unwrap() as u32);
    let file = fs::File::open(output(&report, "layers")).unwrap();
    let mut zip = zip::ZipArchive::new(std::io::BufReader::new(file)).unwrap();
    {
        // OpenRaster 0.0.6, file layout: first and stored.
        let mut first = zip.by_index(0).unwrap();
        assert_eq!(first.name().unwrap(), "mimetype");
        assert_eq!(first.compression(), zip::CompressionMethod::Stored);
        let mut text = String::new();
        first.read_to_string(&mut text).unwrap();
        assert_eq!(text, "image/openraster");
    }
    let mut files = BTreeMap::new();
    for i in 0..zip.len() {
        let mut entry = zip.by_index(i).unwrap();
        let mut bytes = Vec::new();
        entry.read_to_end(&mut bytes).unwrap();
        files.insert(entry.name().unwrap().into_owned(), bytes);
    }
    let stack = String::from_utf8(files["stack.xml"].clone()).unwrap();
    let layers: Vec<&str> = stack.split("<layer ").skip(1).collect();
    let attribute = |layer: &str, name: &str| {
        let at = layer
            .find(&format!(" {name}=\""))
            .or_else(|| layer.starts_with(name).then_some(0));
        let rest = &layer[at.unwrap_or_else(|| panic!("no {name} in {layer}"))..];
        rest.split('"').nth(1).unwrap().to_owned()
    };
    let names: Vec<String> = layers.iter().map(|l| attribute(l, "name")).collect();
    assert_eq!(names, ["land", "sky", "background model"], "uppermost first");
    for layer in &layers {
        let png = &files[&attribute(layer, "src")];
        assert_eq!(png_header(png), (size[0], size[1], 16), "{layer}");
    }
    assert_eq!(png_header(&files["mergedimage.png"]).0, size[0]);
    let (width, height, _) = png_header(&files["Thumbnails/thumbnail.png"]);
    assert!(width <= 256 && height <= 256);
}

/// Red, green, blue (and alpha) of a 16-bit PNG.
fn png_samples(bytes: &[u8]) -> Vec<u16> {
    let mut reader = png::Decoder::new(std::io::Cursor::new(bytes))
        .read_info()
        .unwrap();
    let mut out = vec![0; reader.output_buffer_size().unwrap()];
    reader.next_frame(&mut out).unwrap();
    out.chunks_exact(2)
        .map(|b| u16::from_be_bytes([b[0], b[1]]))
        .collect()
}

fn tiff_pages(path: &Path) -> Vec<(String, Vec<u16>)> {
    let mut tiff = Decoder::new(std::io::BufReader::new(fs::File::open(path).unwrap())).unwrap();
    let mut pages = Vec::new();
    loop {
        // TIFF 6.0, section 12: PageName.
        let name = tiff
            .get_tag_ascii_string(Tag::from_u16_exhaustive(285))
            .unwrap_or_default();
        let DecodingResult::U16(samples) = tiff.read_image().unwrap() else {
            panic!("{} is not 16-bit", path.display())
        };
        pages.push((name, samples));
        if !tiff.more_images() {
            return pages;
        }
        tiff.next_image().unwrap();
    }
}

/// Source over destination, straight alpha (Compositing and Blending Level 1, W3C 2015, section 5.1): the largest distance
/// from the picture, in levels of 65535.
fn away_when_laid_over(land: &[u16], sky: &[u16], per_sky: usize, picture: &[u16]) -> f64 {
    let pixels = land
        .chunks_exact(4)
        .zip(sky.chunks_exact(per_sky))
        .zip(picture.chunks_exact(3));
    let off = |((land, sky), picture): ((&[u16], &[u16]), &[u16])| {
        let alpha = f64::from(land[3]) / 65535.0;
        (0..3)
            .map(|c| alpha * f64::from(land[c]) + (1.0 - alpha) * f64::from(sky[c]) - f64::from(picture[c]))
            .fold(0.0, |worst: f64, d| worst.max(d.abs()))
    };
    pixels.map(off).fold(0.0, f64::max)
}

#[test]
fn layers_laid_over_each_other_are_the_picture() {
    let report = Night::get().whole_report();
    let picture = tiff_pages(&output(&report, "picture")).remove(0).1;
    let file = fs::File::open(output(&report, "layers")).unwrap();
    let mut zip = zip::ZipArchive::new(std::io::BufReader::new(file)).unwrap();
    let mut layer = |name: &str| {
        let mut bytes = Vec::new();
        zip.by_name(name).unwrap().read_to_end(&mut bytes).unwrap();
        png_samples(&bytes)
    };
    let (land, sky) = (layer("data/layer0.png"), layer("data/layer1.png"));
    let away = away_when_laid_over(&land, &sky, 4, &picture);
    assert!(away <= 1.5, "OpenRaster: {away} levels of 65535");
}

#[test]
fn layers_asked_for_are_written_with_their_names_and_credits() {
    let frames = Night::get().few_built();
    let settings = frames.night().join("outing.toml");
    let before = fs::read_to_string(&settings).unwrap_or_default();
    let wanted = "\n[files]\ncreator = \"A. Photographer\"\ncopyright = \"© A. Photographer\"\nlayer_pages = true\nlayer_files = true\n";
    fs::write(&settings, before + wanted).unwrap();
    let report = built(&frames.night());
    let picture = tiff_pages(&output(&report, "picture")).remove(0).1;
    let pages = tiff_pages(&output(&report, "layer_pages"));
    let names: Vec<&str> = pages.iter().map(|p| p.0.as_str()).collect();
    assert_eq!(names, ["sky", "land"], "lowest first");
    let away = away_when_laid_over(&pages[1].1, &pages[0].1, 3, &picture);
    assert!(away <= 1.5, "pages: {away} levels of 65535");
    for (name, page) in [("layer_sky", 0), ("layer_land", 1)] {
        assert_eq!(
            tiff_pages(&output(&report, name)),
            [pages[page].clone()],
            "{name}"
        );
    }
    let bytes = fs::read(output(&report, "preview")).unwrap();
    let text = String::from_utf8_lossy(&bytes);
    assert!(text.contains("<rdf:li>A. Photographer</rdf:li>"));
    assert!(text.contains("© A. Photographer"));
    // Nothing but the files was made again.
    assert!(
        report["steps"]["kept"].as_u64().unwrap() > 0,
        "{}",
        report["steps"]
    );
}

/// Stars over a sky without them, and the land over both, are the picture; in pages, files and OpenRaster alike.
#[test]
fn stars_in_a_layer_of_their_own_make_the_same_picture() {
    let frames = Night::get().few_built();
    let settings = frames.night().join("outing.toml");
    let before = fs::read_to_string(&settings).unwrap_or_default();
    let wanted = "\n[files]\nlayer_pages = true\nlayer_files = true\nstar_layer = true\n";
    fs::write(&settings, before + wanted).unwrap();
    let report = built(&frames.night());
    let sky = tiff_pages(&output(&report, "sky")).remove(0).1;
    let picture = tiff_pages(&output(&report, "picture")).remove(0).1;
    let pages = tiff_pages(&output(&report, "layer_pages"));
    let names: Vec<&str> = pages.iter().map(|p| p.0.as_str()).collect();
    assert_eq!(names, ["sky without stars", "stars", "land"], "lowest first");
    let away = away_when_laid_over(&pages[1].1, &pages[0].1, 3, &sky);
    assert!(away <= 1.5, "stars over the bare sky: {away} levels of 65535");
    let away = away_when_laid_over(&pages[2].1, &sky, 3, &picture);
    assert!(away <= 1.5, "land over both: {away} levels of 65535");
    // The brightest of the sky are its stars.
    let most = |samples: &[u16], step: usize| samples.chunks_exact(step).filter(|p| p[1] > 45_000).count();
    let (with, without) = (most(&sky, 3), most(&pages[0].1, 3));
    assert!(
        with > 50 && without * 10 < with,
        "{with} bright pixels, {without} without stars"
    );
    for (name, page) in [("layer_sky", 0), ("layer_stars", 1), ("layer_land", 2)] {
        assert_eq!(
            tiff_pages(&output(&report, name)),
            [pages[page].clone()],
            "{name}"
        );
    }
    let file = fs::File::open(output(&report, "layers")).unwrap();
    let mut zip = zip::ZipArchive::new(std::io::BufReader::new(file)).unwrap();
    let mut stack = String::new();
    zip.by_name("stack.xml")
        .unwrap()
        .read_to_string(&mut stack)
        .unwrap();
    let at = |name: &str| {
        stack
            .find(&format!("name=\"{name}\""))
            .unwrap_or_else(|| panic!("{name} in {stack}"))
    };
    assert!(
        at("land") < at("stars") && at("stars") < at("sky without stars"),
        "{stack}"
    );
}

#[test]
fn the_files_say_how_the_picture_was_taken_and_not_where() {
    let report = Night::get().whole_report();
    let used = |role: &str| {
        let frames = report["frames"].as_array().unwrap().iter();
        let used = frames.filter(|f| f["role"] == role && f["used"] == true);
        used.map(|f| Night::get().whole().join(f["path"].as_str().unwrap()))
            .collect::<Vec<_>>()
    };
    let meta = |path: &Path| nightloom_raster::read_meta(path).unwrap();
    let all: Vec<_> = used("sky").iter().chain(&used("land")).map(|p| meta(p)).collect();
    let exposure: f64 = all.iter().map(|m| m.exposure_s.unwrap()).sum();
    let first = meta(&used("sky")[0]);
    for name in ["picture", "preview", "sky", "land"] {
        let told = meta(&output(&report, name));
        assert!(
            (told.exposure_s.unwrap() - exposure).abs() < 0.01,
            "{name}: {:?}",
            told.exposure_s
        );
        assert_eq!((&told.make, &told.model), (&first.make, &first.model), "{name}");
        assert_eq!(
            (told.focal_mm, told.f_number, told.iso),
            (first.focal_mm, first.f_number, first.iso)
        );
        assert!(
            told.taken_local.is_some() && told.taken_offset.is_some(),
            "{name}: {told:?}"
        );
        assert_eq!(told.gps_deg, None, "{name}");
        let bytes = fs::read(output(&report, name)).unwrap();
        let packet = b"digitalsourcetype/compositeCapture";
        assert!(bytes.windows(packet.len()).any(|w| w == packet), "{name}");
    }
    assert_eq!(report["site_shared"], false);
}

#[test]
fn the_linear_stack_says_when_and_where_among_the_stars() {
    let night = Night::get();
    let report = night.whole_report();
    let bytes = fs::read(output(&report, "linear")).unwrap();
    let cards: Vec<String> = bytes
        .chunks_exact(80)
        .map(|c| String::from_utf8_lossy(c).into_owned())
        .take_while(|c| c.trim_end() != "END")
        .collect();
    let value = |name: &str| {
        let start = format!("{name:<8}= ");
        let card = cards.iter().find_map(|c| c.strip_prefix(&start));
        let card = card.unwrap_or_else(|| panic!("no {name} in {cards:#?}"));
        card.split('/')
            .next()
            .unwrap()
            .trim()
            .trim_matches('\'')
            .trim_end()
            .to_owned()
    };
    assert_eq!(value("CTYPE1"), "RA---TAN-SIP");
    assert_eq!(value("CTYPE2"), "DEC--TAN-SIP");
    assert_eq!(value("RADESYS"), "ICRS");
    let [begin, middle, end] = ["DATE-OBS", "DATE-AVG", "DATE-END"].map(value);
    assert!(begin < middle && middle < end, "{begin} {middle} {end}");
    assert!(value("EXPTIME").parse::<f64>().unwrap() > 0.0);
    let told = cards
        .iter()
        .find(|c| c.contains("These coordinates follow the lens"));
    assert!(told.is_some(), "{cards:#?}");
}

/// Width, height and bits of a PNG (PNG third edition, 11.2.1).
fn png_header(bytes: &[u8]) -> (u32, u32, u8) {
    assert_eq!(&bytes[..8], b"\x89PNG\r\n\x1a\n");
    assert_eq!(&bytes[12..16], b"IHDR");
    let number = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap());
    (number(16), number(20), bytes[24])
}

#[test]
fn the_report_is_one_page_that_needs_nothing_else() {
    let report = Night::get().whole_report();
    let page = fs::read_to_string(output(&report, "report")).unwrap();
    for outside in [
        "http://", "https://", "src=\"/", "<script", "<link", "@import", "url(",
    ] {
        assert!(!page.contains(outside), "the page holds {outside}");
    }
    let sources = page.split("src=\"").skip(1);
    assert!(sources.into_iter().all(|s| s.starts_with("data:")));
    for frame in report["frames"].as_array().unwrap() {
        let path = frame["path"].as_str().unwrap();
        assert!(page.contains(path), "{path} is not on the page");
    }
    let reason = left_out(&report, SKY[5]);
    assert!(
        page.contains(&reason.replace('&', "&amp;")),
        "the page does not say why: {reason}"
    );
}

#[test]
fn the_bumped_and_the_clouded_frame_are_left_out_and_the_rest_is_used() {
    let report = Night::get().whole_report();
    for (index, name) in SKY.iter().enumerate() {
        match index {
            5 | 8 => {
                left_out(&report, name);
            }
            _ => assert_eq!(frame(&report, name)["used"], true, "{}", frame(&report, name)),
        }
    }
    for name in LAND {
        assert_eq!(frame(&report, name)["used"], true, "{}", frame(&report, name));
    }
}

/// A clock that runs right is no reason for a warning.
#[test]
fn a_sound_night_draws_no_warning() {
    let report = Night::get().whole_report();
    assert_eq!(report["warnings"], serde_json::json!([]));
}

/// The map from the reference to every used frame against the true one, rms over a grid with the corners.
fn registration_rms(report: &Value, truth: &Truth) -> f64 {
    let of = |path: &str| truth.frames.iter().find(|f| f.path == path).unwrap();
    let told = &report["lens"];
    let numbers = |v: &Value| -> Vec<f64> { serde_json::from_value(v.clone()).unwrap() };
    let lens = Lens {
        focal_px: told["focal_px"].as_f64().unwrap(),
        centre_px: numbers(&told["centre_px"]).try_into().unwrap(),
        radial: numbers(&told["radial"]).try_into().unwrap(),
        ..truth.lens
    };
    let sky: Vec<(&str, [[f64; 3]; 3])> = report["frames"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|f| f["role"] == "sky" && f["used"] == true)
        .map(|f| {
            let turn = serde_json::from_value(f["rotation_from_reference"].clone()).unwrap();
            (f["path"].as_str().unwrap(), turn)
        })
        .collect();
    let identity = |r: &[[f64; 3]; 3]| (0..3).all(|i| (r[i][i] - 1.0).abs() < 1e-12);
    let reference = sky.iter().find(|(_, r)| identity(r)).unwrap().0;
    let reference = rotation(&of(reference).attitude[1]);
    let (width, height) = truth.scenario.size.pixels();
    let (mut sum, mut count) = (0.0, 0);
    for (path, ours) in &sky {
        let true_turn = rotation(&of(path).attitude[1]) * reference.inverse();
        for (i, j) in (0..=10).flat_map(|j| (0..=14).map(move |i| (i, j))) {
            let at = [
                (width - 1) as f64 * f64::from(i) / 14.0,
                (height - 1) as f64 * f64::from(j) / 10.0,
            ];
            let by_us = lens
                .unproject(at)
                .and_then(|seen| lens.project(&(rotation(ours) * seen.into_inner())));
            let in_truth = truth
                .lens
                .unproject(at)
                .and_then(|seen| truth.lens.project(&(true_turn * seen.into_inner())));
            if let Some((a, b)) = by_us.zip(in_truth) {
                sum += (a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2);
                count += 1;
            }
        }
    }
    assert!(count > 100);
    (sum / f64::from(count)).sqrt()
}

#[test]
fn registration_holds_against_the_truth() {
    let shared = Night::get();
    let report = shared.whole_report();
    let rms = registration_rms(&report, &shared.truth());
    println!("registration {rms:.3} px rms");
    assert!(rms <= REGISTRATION_PX, "{rms} px");
    assert!(report["sky"]["registration_rms_px"].as_f64().unwrap() <= REGISTRATION_PX);
}

/// Between the first and the last sky frame the camera rolls by 30°.
#[test]
fn frames_rolled_by_30_degrees_register() {
    const ROLL_DEG: f64 = 30.0;
    let temp = Temp::new();
    let defaults = Scenario::default();
    let scenario = Scenario {
        size: Size::Small,
        counts: nightloom_simulate::Counts {
            sky: 5,
            land: 0,
            dark: 0,
            flat: 0,
        },
        roll_over_sky: nightloom_sky::Angle::from_deg(ROLL_DEG),
        mishaps: nightloom_simulate::Mishaps::none(),
        truth_pictures: nightloom_simulate::TruthPictures::None,
        ..defaults
    };
    let stop = std::sync::atomic::AtomicBool::new(false);
    let truth = render(&scenario, &temp.night(), &|_, _, _| {}, &stop).unwrap();
    let turn = rotation(&truth.frames[4].attitude[1]) * rotation(&truth.frames[0].attitude[1]).inverse();
    let turned = turn.angle().to_degrees();
    assert!(
        turned > 0.9 * ROLL_DEG,
        "the night is not rolled but by {turned}°"
    );
    let report = built(&temp.night());
    assert_eq!(report["sky"]["frames_used"], 5, "{}", report["frames"]);
    let rms = registration_rms(&report, &truth);
    println!("registration over {turned:.1}° of roll {rms:.3} px rms");
    assert!(rms <= REGISTRATION_PX, "{rms} px");
}

pub(crate) fn grey(path: &Path) -> Plane {
    let mut tiff = Decoder::new(std::io::BufReader::new(fs::File::open(path).unwrap())).unwrap();
    let (width, height) = tiff.dimensions().unwrap();
    let values: Vec<f32> = match tiff.read_image().unwrap() {
        DecodingResult::U16(v) => v.iter().map(|v| f32::from(*v) / 65535.0).collect(),
        DecodingResult::F32(v) => v,
        _ => panic!("{} has other samples", path.display()),
    };
    Plane::from_vec(width as usize, height as usize, values)
}

/// The land's edge by azimuth against the painted land: in the median within a pixel.
#[test]
fn the_skyline_holds_against_the_truth() {
    let shared = Night::get();
    let report = shared.whole_report();
    let text = fs::read_to_string(output(&report, "skyline")).unwrap();
    let skyline = read_csv(&text, North::True).unwrap();
    let truth = shared.truth();
    let matte = grey(&shared.whole().join("truth/matte.tif"));
    let land = truth.frames.iter().find(|f| f.path == LAND[0]).unwrap();
    let to_ground = rotation(&land.camera_from_ground[1]).inverse();
    let mut misses: Vec<f64> = Vec::new();
    for x in 0..matte.width() {
        let is_land = |y: usize| (y..y + 4).all(|y| matte.at(x, y) < 0.5);
        let Some(y) = (0..matte.height() - 4).find(|y| is_land(*y)).filter(|y| *y > 0) else {
            continue;
        };
        let seen = to_ground
            * truth
                .lens
                .unproject([x as f64, y as f64 - 0.5])
                .unwrap()
                .into_inner();
        let azimuth = Angle::from_rad(seen.x.atan2(seen.y));
        misses.push((skyline.altitude(azimuth).deg() - seen.z.asin().to_degrees()).abs());
    }
    assert!(misses.len() > matte.width() / 2, "{} columns", misses.len());
    let measured = report["seam"]["skyline_deg"].as_f64().unwrap();
    assert!((20.0..120.0).contains(&measured), "{measured}");
    misses.sort_by(f64::total_cmp);
    let pixel = (1.0 / truth.lens.focal_px).to_degrees();
    assert!(
        misses[misses.len() / 2] < pixel,
        "{} of {pixel}",
        misses[misses.len() / 2]
    );
}

#[test]
fn the_matte_holds_against_the_truth() {
    let shared = Night::get();
    let report = shared.whole_report();
    let ours = grey(&output(&report, "matte"));
    let truth = grey(&shared.whole().join("truth/matte.tif"));
    let [ox, oy] = [0, 1].map(|i| report["canvas"]["land_origin_px"][i].as_i64().unwrap());
    let (width, height) = (truth.width(), truth.height());
    // What is cropped away is not compared.
    let shown =
        |v: usize, origin: i64, end: usize| usize::try_from(v as i64 + origin).ok().filter(|v| *v < end);
    let mut compared = 0;
    let edge = |x: usize, y: usize| (0.02..0.98).contains(&truth.at(x, y));
    let near = |x: usize, y: usize| {
        let span = |c: usize, end: usize| c.saturating_sub(BAND_PX)..(c + BAND_PX + 1).min(end);
        span(y, height).any(|j| {
            span(x, width)
                .any(|i| edge(i, j) && i.abs_diff(x).pow(2) + j.abs_diff(y).pow(2) <= BAND_PX * BAND_PX)
        })
    };
    let (mut whole, mut band, mut in_band) = (0.0, 0.0, 0);
    for (x, y) in (0..height).flat_map(|y| (0..width).map(move |x| (x, y))) {
        let (Some(u), Some(v)) = (shown(x, ox, ours.width()), shown(y, oy, ours.height())) else {
            continue;
        };
        let error = f64::from((ours.at(u, v) - truth.at(x, y)).abs());
        compared += 1;
        whole += error;
        if near(x, y) {
            band += error;
            in_band += 1;
        }
    }
    assert!(compared > width * height * 3 / 4, "{compared} pixels are left");
    let whole = whole / f64::from(compared as u32);
    let band = band / f64::from(in_band);
    println!("matte: {whole:.4} over the frame, {band:.4} within {BAND_PX} px of the edge");
    assert!(whole <= MATTE_WHOLE, "{whole}");
    assert!(band <= MATTE_BAND, "{band}");
}
