//! `report.html`: the build's record as one self-contained page.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::report::{BuildReport, CanvasReport, FrameReport};
use super::residual_map::residual_map;

/// What the page shows beside the report itself.
pub(super) struct PageParts<'a> {
    /// Name of the outing.
    pub(super) title: String,
    /// The picture, JPEG.
    pub(super) picture: Vec<u8>,
    /// The matte, JPEG.
    pub(super) matte: Option<Vec<u8>>,
    /// The coverage map, JPEG.
    pub(super) coverage: Option<Vec<u8>>,
    /// Thumbnail of each frame of the report, JPEG.
    pub(super) thumbs: Vec<Option<Vec<u8>>>,
    /// Registration residuals.
    pub(super) residuals: &'a [nightloom_stars::Residual],
    /// Size of a sky frame.
    pub(super) sky_size: (usize, usize),
    /// All settings, as text.
    pub(super) settings: String,
    /// Name and content hash of each frame.
    pub(super) provenance: Vec<(String, String)>,
}

/// The page. Equal inputs give equal bytes: it holds no clock time and no duration.
pub(super) fn page(report: &BuildReport, parts: &PageParts<'_>) -> String {
    let body = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (parts.title) " · record" }
                style { (PreEscaped(STYLE)) }
            }
            body {
                input #dark type="checkbox" aria-label="Red on black";
                label for="dark" { "Red on black" }
                main {
                    h1 { (parts.title) }
                    (image(&parts.picture, "The finished picture"))
                    (warnings(report))
                    (figures(report))
                    (frames(report, parts))
                    (maps(parts))
                    (rejected(report))
                    (record(parts))
                }
            }
        }
    };
    body.into_string()
}

fn image(jpeg: &[u8], alt: &str) -> Markup {
    html! { img alt=(alt) src={ "data:image/jpeg;base64," (base64(jpeg)) }; }
}

fn warnings(report: &BuildReport) -> Markup {
    html! {
        @if !report.warnings.is_empty() {
            section.notice {
                h2 { "Worth knowing" }
                ul { @for sentence in &report.warnings { li { (sentence) } } }
            }
        }
    }
}

/// How far something was moved, in the words of directions: `80 px up, 12 px left`.
pub fn moved_words(right: f64, down: f64) -> String {
    let part = |by: f64, ways: [&str; 2]| {
        let size = (by.abs() * 10.0).round() / 10.0;
        (size > 0.0).then(|| format!("{size} px {}", ways[usize::from(by < 0.0)]))
    };
    let parts = [part(down, ["down", "up"]), part(right, ["right", "left"])];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

fn figures(report: &BuildReport) -> Markup {
    let seam = &report.seam;
    let moved = match seam.offset_px {
        [0.0, 0.0] => "not moved: it stands where it stood".to_owned(),
        [x, y] => format!(
            "moved by {}: it never stood there over this land",
            moved_words(x, y)
        ),
    };
    html! {
        section {
            h2 { "Figures" }
            dl {
                @if let Some(sky) = &report.sky {
                    (entry("Sky frames in the stack", &sky.frames_used.to_string()))
                    @if let Some(rms) = sky.registration_rms_px {
                        (entry("Registration, all stars, rms", &format!("{rms:.2} px")))
                    }
                    (entry("Noise of the sky stack (green)", &format!("{:.2e} of saturation", sky.noise)))
                    (entry("Samples rejected", &percent(sky.rejected_fraction)))
                    (entry("Frames under the sky where they are fewest", &format!("{:.0}", sky.figures.least_frames)))
                    @if let Some(ring) = sky.figures.ring_sigma {
                        (entry("Darkest pixel beside bright stars (noise alone: about −1.7)", &format!("{ring:+.1} σ")))
                    }
                    (entry("Stars identified in the catalogue", &sky.identified_stars.to_string()))
                }
                (entry("Land frames in the stack", &report.land.frames_used.to_string()))
                @if report.land.largest_shift_px > 0.0 {
                    (entry("Tripod shift taken out", &format!("{:.2} px", report.land.largest_shift_px)))
                }
                @if let Some(instant) = seam.instant {
                    (entry("Sky shown as it stood at", &instant.to_string()))
                    (entry("That moment, because", &seam.instant_reason))
                }
                @if let Some(seconds) = seam.instant_from_land_s {
                    (entry("That moment, from the land frames", &minutes(seconds)))
                }
                (entry("Placed by", &seam.placement))
                @if let Some(rms) = seam.placement_rms_px {
                    (entry("Placement, rms", &format!("{rms:.2} px")))
                }
                (entry("The sky was", &moved))
                @if let Some(colour) = &report.colour {
                    (entry("Colour balance R, G, B", &format!("{:.3}, {:.3}, {:.3}", colour.gains[0], colour.gains[1], colour.gains[2])))
                    (entry("Colour balance from", &format!("{}, {} stars", colour.basis, colour.stars)))
                }
                @if let Some(light) = &report.light {
                    (entry("Look", &light.look))
                    (entry("Background light taken off", &format!("{:.0} % of what varies and tints", light.background_taken * 100.0)))
                    (entry("Background level, before and after", &format!("{} → {}", three(light.background_level), three(light.shown_level))))
                    (entry("Contrast of the sky’s forms", &format!("{:.2}", light.midtones)))
                    (entry("Dark land raised by", &format!("{:.2} stops", light.land_lift_stops)))
                    (entry("Tone curve: black, white, stretch", &format!("{:.5}, {:.4}, {:.1}", light.curve.black[1], light.curve.white, light.curve.stretch)))
                    @if light.star_size != 1.0 || light.star_colour != 1.0 {
                        (entry("Stars: width, colour, against what was recorded", &format!("{:.2}, {:.2}", light.star_size, light.star_colour)))
                    }
                    @if light.vignette != 0.0 { (entry("Corners darker by", &format!("{:.2} stops", light.vignette))) }
                    @if light.level_px.is_some() { (entry("Turned clockwise to be level", &format!("{:.2}°", light.level_deg))) }
                    (entry("Tone curve: contrast, saturation", &format!("{:.2} at {:.2}, {:.2}", light.curve.contrast, light.curve.pivot, light.curve.saturation)))
                }
                (entry("Sky in the picture", &percent(seam.sky_fraction)))
                @if let Some(degrees) = seam.skyline_deg {
                    (entry("Skyline measured (skyline.csv)", &format!("{degrees:.1}° of azimuth")))
                }
                (entry("Sky filled where no tracked frame saw it", &percent(seam.filled_fraction)))
                (entry("Sky seen through twigs alone", &percent(seam.veiled_fraction)))
                @if let Some(lens) = &report.lens {
                    (entry("Focal length", &format!("{:.1} px, {:.2}″ per pixel", lens.focal_px, lens.scale_arcsec_per_px)))
                    (entry("Radial distortion k₁, k₂, k₃", &format!("{:+.4}, {:+.4}, {:+.4}", lens.radial[0], lens.radial[1], lens.radial[2])))
                }
                (entry("Picture", &format!("{} × {} px", report.picture_px()[0], report.picture_px()[1])))
                (entry("Box of the full canvas", &boxed(&report.canvas)))
                (entry("Place, in the files of the picture", if report.site_shared { "told" } else { "left out" }))
            }
        }
    }
}

fn entry(name: &str, value: &str) -> Markup {
    html! { div { dt { (name) } dd { (value) } } }
}

/// As in “12 min before them”.
pub(super) fn minutes(seconds: f64) -> String {
    let (long, side) = (
        seconds.abs() / 60.0,
        if seconds < 0.0 { "before" } else { "after" },
    );
    match long {
        long if long < 1.0 => "less than a minute".into(),
        long => format!("{long:.0} min {side} them"),
    }
}

fn three(levels: [f32; 3]) -> String {
    let [r, g, b] = levels;
    format!("{r:.5}, {g:.5}, {b:.5}")
}

fn boxed(canvas: &CanvasReport) -> String {
    let ([left, top, right, bottom], [width, height]) = (canvas.crop_px, canvas.full_px);
    if canvas.crop_px == [0, 0, width, height] {
        return "all of it".into();
    }
    format!("{left}, {top} to {right}, {bottom} of {width} × {height} px")
}

fn percent(share: f64) -> String {
    format!("{:.2} %", share * 100.0)
}

fn frames(report: &BuildReport, parts: &PageParts<'_>) -> Markup {
    html! {
        section {
            h2 { "Frames" }
            table {
                thead { tr { th { "" } th { "Frame" } th { "Role" } th { "Verdict" } th.n { "Stars" } th.n { "Width px" } th.n { "Long/short" } th.n { "Sky ADU" } th.n { "Weight" } } }
                tbody {
                    @for (i, frame) in report.frames.iter().enumerate() {
                        (frame_row(frame, parts.thumbs.get(i).and_then(Option::as_deref)))
                    }
                }
            }
        }
    }
}

fn frame_row(frame: &FrameReport, thumb: Option<&[u8]>) -> Markup {
    let number = |v: Option<f64>, digits: usize| v.map_or(String::new(), |v| format!("{v:.digits$}"));
    let verdict = if frame.used { "used" } else { "left out" };
    html! {
        tr.out[!frame.used] {
            td { @if let Some(jpeg) = thumb { (image(jpeg, &frame.path)) } }
            td { code { (frame.path) } }
            td { (frame.role) br; small { (frame.role_reason) } }
            td { b { (verdict) } br; small { (frame.reason) } }
            td.n { @if frame.stars > 0 { (frame.stars) } }
            td.n { (number(frame.fwhm_px, 2)) }
            td.n { (number(frame.elongation, 2)) }
            td.n { (number(frame.background_e_or_adu, 0)) }
            td.n { (number(frame.weight, 2)) }
        }
    }
}

fn maps(parts: &PageParts<'_>) -> Markup {
    html! {
        section.maps {
            @if !parts.residuals.is_empty() {
                figure {
                    (PreEscaped(residual_map(parts.residuals, parts.sky_size)))
                    figcaption { "Where each star stood against where the lens and the frames' rotations put it. Strokes are drawn 200 times longer than they are; the bar is 0.3 px." }
                }
            }
            @if let Some(jpeg) = &parts.coverage {
                figure { (image(jpeg, "Coverage map")) figcaption { "How many tracked frames saw each pixel as clean sky: black none, white all." } }
            }
            @if let Some(jpeg) = &parts.matte {
                figure { (image(jpeg, "Matte")) figcaption { "The matte: black land, white sky." } }
            }
        }
    }
}

fn rejected(report: &BuildReport) -> Markup {
    let shares = report
        .frames
        .iter()
        .filter_map(|f| Some((&f.path, f.rejected_fraction?)));
    html! {
        section {
            h2 { "What was rejected in the sky stack" }
            p { "Satellites, aircraft, hot pixels and cosmic rays: samples that disagree with the other frames beyond noise." }
            dl { @for (path, share) in shares { (entry(path, &percent(share))) } }
        }
    }
}

fn record(parts: &PageParts<'_>) -> Markup {
    html! {
        section {
            h2 { "Settings" }
            pre { (parts.settings) }
            h2 { "Provenance" }
            p { "Made by Nightloom " (env!("CARGO_PKG_VERSION")) " from these files (BLAKE3). The originals were opened for reading only." }
            pre { @for (name, hash) in &parts.provenance { (hash) "  " (name) "\n" } }
        }
    }
}

/// Base 64 (RFC 4648, section 4).
fn base64(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let word = three.iter().fold(0u32, |w, &b| w << 8 | u32::from(b)) << (8 * (3 - three.len()));
        for i in 0..4 {
            let digit = DIGITS[(word >> (18 - 6 * i)) as usize & 63] as char;
            text.push(if i <= three.len() { digit } else { '=' });
        }
    }
    text
}

const STYLE: &str = "
:root{--ink:#22262b;--soft:#6a7078;--paper:#fbfaf7;--line:#dedad2;--mark:#9a5b13;color-scheme:light}
:root:has(#dark:checked){--ink:#b3261e;--soft:#7d1a14;--paper:#000;--line:#3a0d0a;--mark:#d4362b;color-scheme:dark}
:root:has(#dark:checked) :is(img,svg){filter:grayscale(1) brightness(.45) sepia(1) hue-rotate(-50deg) saturate(8)}
body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 ui-serif,Georgia,serif}
body>input{position:absolute;right:9.5rem;top:1rem}
body>label{position:absolute;right:1.5rem;top:.8rem;color:var(--soft);font-size:.85rem}
main{max-width:72rem;margin:0 auto;padding:1rem 1.5rem 4rem}
h1{font-weight:500;font-size:2rem;margin:.6rem 0 1rem}
h2{font-weight:500;font-size:1.15rem;margin:2.4rem 0 .6rem;border-bottom:1px solid var(--line)}
img{max-width:100%;height:auto;display:block}
dl{display:grid;grid-template-columns:repeat(auto-fill,minmax(20rem,1fr));gap:.2rem 2rem;margin:0}
dl div{display:flex;justify-content:space-between;gap:1rem;border-bottom:1px dotted var(--line)}
dt{color:var(--soft)}dd{margin:0;text-align:right;font-variant-numeric:tabular-nums}
.notice{border-left:3px solid var(--mark);padding-left:1rem}
.notice h2{border:0;color:var(--mark);margin-top:1.2rem}
table{border-collapse:collapse;width:100%;font-size:.86rem}
td,th{padding:.35rem .5rem;border-bottom:1px solid var(--line);text-align:left;vertical-align:top}
th{font-weight:500;color:var(--soft)}
.n{text-align:right;font-variant-numeric:tabular-nums}
td img{width:6.5rem}tr.out{color:var(--soft)}tr.out b{color:var(--mark)}small{color:var(--soft)}
.maps{display:grid;grid-template-columns:repeat(auto-fit,minmax(22rem,1fr));gap:1.5rem;margin-top:2.4rem}
figure{margin:0}figcaption{font-size:.82rem;color:var(--soft);margin-top:.4rem}
svg{width:100%;height:auto;border:1px solid var(--line)}
pre{font-size:.78rem;overflow-x:auto;white-space:pre-wrap;overflow-wrap:anywhere;color:var(--soft)}
@media print{body>input,body>label{display:none}}
";

#[cfg(test)]
mod tests {
    use super::base64;

    /// RFC 4648, section 10.
    #[test]
    fn base64_test_vectors() {
        let vectors = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (plain, coded) in vectors {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }
}
