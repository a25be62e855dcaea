//! What a frame that is not identified looks like instead.

use nightloom_fit::quantile;
use nightloom_raster::{FrameMeta, Plane};
use nightloom_stars::{Field, Star};

use crate::daylight::{DAY_EV, scene_ev};

/// What stands in the way of an identification.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Oddity {
    /// A word for it that does not change.
    pub(super) word: &'static str,
    /// A sentence that says what it looks like and what to do.
    pub(super) sentence: String,
    /// Whether no search can help.
    pub(super) hopeless: bool,
}

/// Shorter side below which a picture holds too little sky, pixels.
const SMALL_PX: usize = 320;
/// Tiles across the longer side.
const TILES: usize = 48;
/// Level of a lit picture's median, of saturation, and of one that is surely lit.
const LIT: f32 = 0.02;
const BRIGHT: f32 = 0.12;
/// Level below which a picture is black, of saturation.
const BLACK: f32 = 0.004;
/// Width of a hot pixel at most, pixels.
const HOT_PX: f32 = 1.45;
/// Stars without which nothing can be identified.
const FEW: usize = 8;

/// Figures of a frame, tile by tile.
struct Tiles {
    /// Median of the tiles' means.
    level: f32,
    /// Share of tiles in which nearly all neighbours are exactly equal, though not black.
    drawn: f64,
    /// Levels that at least a twentieth of those tiles share.
    inks: usize,
    /// Share of tiles of strong contrast.
    hard: f64,
    /// Share of tiles whose contrast is far above the noise and a tenth of their level.
    textured: f64,
    /// Spread of the tiles' means, as a part of their median.
    uneven: f32,
    /// Whether every pixel is the same.
    blank: bool,
}

/// What is odd before any search, if anything is.
pub(super) fn oddity(plane: &Plane, field: &Field, meta: &FrameMeta) -> Option<Oddity> {
    let (width, height) = (plane.width(), plane.height());
    let tiles = tiles(plane);
    let odd = |word, hopeless, sentence: String| {
        Some(Oddity {
            word,
            sentence,
            hopeless,
        })
    };
    if tiles.blank || (tiles.level.abs() < 1e-5 && field.stars.is_empty()) {
        return odd(
            "black",
            true,
            "this looks like a black frame: no pixel differs from the next; take one with the lens cap off"
                .into(),
        );
    }
    if tiles.drawn > 0.3 && tiles.inks >= 2 && tiles.hard > 0.03 {
        return odd(
            "screenshot",
            true,
            "this looks like a screenshot or a drawing: even areas with hard edges; give the camera's own file".into(),
        );
    }
    if let Some((sure, sentence)) = daylight(&tiles, field, meta) {
        return odd("daylight", sure, sentence);
    }
    if width.min(height) < SMALL_PX && field.stars.len() < 3 * FEW {
        return odd(
            "small",
            field.stars.len() < FEW,
            format!(
                "this picture is too small to hold enough stars: {width} × {height} pixels with {} stars; give the whole \
                 frame",
                field.stars.len()
            ),
        );
    }
    dark_or_dull(&tiles, field)
}

/// What says so, and whether the camera's own settings do. Stars that stand as points rule it out.
fn daylight(tiles: &Tiles, field: &Field, meta: &FrameMeta) -> Option<(bool, String)> {
    if points(field) >= FEW {
        return None;
    }
    if let Some(ev) = scene_ev([meta.f_number, meta.exposure_s, meta.iso], tiles.level.into()) {
        let sentence = format!(
            "this looks like a daylight picture: what it shows is as bright as exposure value {ev:.0} calls for; stars need \
             the night"
        );
        return (ev > DAY_EV && tiles.level > LIT).then_some((true, sentence));
    }
    (tiles.level > BRIGHT && (tiles.textured > 0.25 || tiles.uneven > 0.5)).then(|| {
        let sentence =
            "this looks like a daylight picture: bright, and full of detail that is no stars; give a frame of the night sky";
        (false, sentence.into())
    })
}

/// Stars that are round and as wide as the most: leaves and ripples are of all widths and shapes.
fn points(field: &Field) -> usize {
    const ROUND: f32 = 1.6;
    const ALIKE: f32 = 0.7;
    let alike = |s: &&Star| {
        let ratio = s.fwhm_px / field.fwhm_px;
        s.elongation < ROUND && (ALIKE..1.0 / ALIKE).contains(&ratio)
    };
    field.stars.iter().filter(alike).count()
}

fn dark_or_dull(tiles: &Tiles, field: &Field) -> Option<Oddity> {
    let stars = field.stars.len();
    let few = stars < FEW;
    let odd = |word, hopeless, sentence: String| {
        Some(Oddity {
            word,
            sentence,
            hopeless,
        })
    };
    let dark = field.background.abs() < BLACK && tiles.uneven * tiles.level.abs() < BLACK;
    if dark && !few && field.fwhm_px < HOT_PX {
        // A sharp lens over large pixels gives stars as narrow: the search has the last word.
        return odd(
            "dark",
            false,
            format!(
                "this looks like a dark frame: black, with {stars} hot pixels that are narrower than any star"
            ),
        );
    }
    if !few {
        return None;
    }
    if dark {
        return odd(
            "black",
            true,
            format!(
                "this looks like a black or dark frame: no light, and {} stars",
                or_no(stars)
            ),
        );
    }
    if tiles.uneven > 0.08 {
        return odd(
            "cloud",
            true,
            format!(
                "this looks like cloud, fog or a lit wall: soft light that changes over the frame, and {} stars; wait for \
                 a gap",
                or_no(stars)
            ),
        );
    }
    odd(
        "noise",
        true,
        format!(
            "this looks like noise or an even surface: {} stars on an even background; look at focus, lens cap and cloud",
            or_no(stars)
        ),
    )
}

fn or_no(n: usize) -> String {
    if n == 0 { "no".into() } else { n.to_string() }
}

/// What a frame with enough star-like points that was searched in vain looks like.
pub(super) fn after_search(plane: &Plane, field: &Field, field_deg: Option<f64>) -> Oddity {
    let stars = field.stars.len();
    let odd = |word, sentence: String| Oddity {
        word,
        sentence,
        hopeless: false,
    };
    if let Some(apart) = doubled(field) {
        return odd(
            "doubled",
            format!(
                "this looks like two exposures in one: most stars stand twice, {apart:.0} pixels apart; give a single \
                 exposure"
            ),
        );
    }
    let tiles = tiles(plane);
    if let Some(degrees) = field_deg.filter(|d| *d < 5.0) {
        return odd(
            "narrow",
            format!(
                "the field is {degrees:.1}° wide; below 5° most parts of the sky have too few stars down to magnitude 8, \
                 {stars} points were found"
            ),
        );
    }
    if tiles.uneven > 0.25 && tiles.textured > 0.10 && tiles.level > LIT {
        return odd(
            "lit",
            format!(
                "this looks like a picture of lit things rather than of stars: {stars} bright points that are no known part \
                 of the sky"
            ),
        );
    }
    odd(
        "unknown",
        format!(
            "{stars} stars were found, and no part of the sky down to magnitude 8 explains them better than chance would; \
             more sky in the frame, less land, or --focal and --pitch may help"
        ),
    )
}

/// How far apart the two pictures of most stars stand, if they do.
///
/// All pairs of the brightest stars vote for their difference; pictures of one sky moved by the same way pile
/// up at one place, pairs of a single sky do not.
fn doubled(field: &Field) -> Option<f64> {
    const BRIGHTEST: usize = 60;
    const NEAR_PX: f64 = 2.5;
    let stars = &field.stars[..field.stars.len().min(BRIGHTEST)];
    let mut ways: Vec<[f64; 2]> = Vec::new();
    for (i, a) in stars.iter().enumerate() {
        for b in &stars[i + 1..] {
            let way = [b.x - a.x, b.y - a.y];
            let sign = if way[0] < 0.0 || (way[0] == 0.0 && way[1] < 0.0) {
                -1.0
            } else {
                1.0
            };
            ways.push(way.map(|v| v * sign));
        }
    }
    let votes = |w: &[f64; 2]| {
        ways.iter()
            .filter(|v| (v[0] - w[0]).abs() < NEAR_PX && (v[1] - w[1]).abs() < NEAR_PX)
            .count()
    };
    let (most, way) = ways.iter().map(|w| (votes(w), w)).max_by_key(|v| v.0)?;
    // Half the stars are first pictures; a third of the pairs that could be there suffices.
    (stars.len() >= 12 && most * 6 >= stars.len()).then(|| way[0].hypot(way[1]))
}

fn tiles(plane: &Plane) -> Tiles {
    let side = plane.width().max(plane.height()).div_ceil(TILES).max(8);
    let (columns, rows) = (plane.width() / side, plane.height() / side);
    let each: Vec<Tile> = (0..columns * rows)
        .map(|i| tile(plane, (i % columns) * side, (i / columns) * side, side))
        .collect();
    let share =
        |of: fn(&Tile) -> bool| each.iter().filter(|t| of(t)).count() as f64 / each.len().max(1) as f64;
    let mut means: Vec<f32> = each.iter().map(|t| t.mean).collect();
    let mut part = |share: f64| quantile(&mut means, share).unwrap_or(0.0);
    let level = part(0.5);
    let mut flat: Vec<u32> = each
        .iter()
        .filter(|t| t.equal > 0.9)
        .map(|t| t.first.to_bits())
        .collect();
    flat.sort_unstable();
    let inks = flat
        .chunk_by(|a, b| a == b)
        .filter(|c| c.len() * 20 >= flat.len())
        .count();
    Tiles {
        level,
        drawn: share(|t| t.equal > 0.9),
        inks,
        hard: share(|t| t.range > 0.25),
        textured: share(|t| t.spread > 3.0 * t.grain && t.spread > 0.1 * t.mean.abs()),
        uneven: (part(0.9) - part(0.1)) / level.abs().max(1e-6),
        blank: each.iter().all(|t| t.range == 0.0) && part(0.0) == part(1.0),
    }
}

struct Tile {
    mean: f32,
    /// Standard deviation.
    spread: f32,
    /// Noise from pixel to pixel.
    grain: f32,
    range: f32,
    /// Share of neighbours that are exactly equal.
    equal: f32,
    first: f32,
}

fn tile(plane: &Plane, x0: usize, y0: usize, side: usize) -> Tile {
    let (mut sum, mut squares, mut steps, mut equal) = (0.0f64, 0.0f64, 0.0f64, 0usize);
    let (mut low, mut high) = (f32::INFINITY, f32::NEG_INFINITY);
    // A tile of a large frame need not be read in full.
    let skip = (side / 24).max(1);
    let (mut n, mut pairs) = (0usize, 0usize);
    for y in (y0..y0 + side).step_by(skip) {
        let row = &plane.row(y)[x0..x0 + side];
        for (i, &v) in row.iter().enumerate() {
            n += 1;
            sum += f64::from(v);
            squares += f64::from(v) * f64::from(v);
            (low, high) = (low.min(v), high.max(v));
            if i > 0 {
                pairs += 1;
                steps += f64::from((v - row[i - 1]).abs());
                equal += usize::from(v == row[i - 1]);
            }
        }
    }
    let mean = sum / n.max(1) as f64;
    let pairs = pairs.max(1) as f64;
    Tile {
        mean: mean as f32,
        spread: (squares / n.max(1) as f64 - mean * mean).max(0.0).sqrt() as f32,
        // The mean difference of two Gaussians is 2σ/√π.
        grain: (steps / pairs * 0.886) as f32,
        range: high - low,
        equal: (equal as f64 / pairs) as f32,
        first: plane.at(x0, y0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightloom_fit::Random;
    use nightloom_stars::{DetectSettings, measure};

    fn field(places: &[[f64; 2]]) -> Field {
        let mut field = measure(&Plane::filled(64, 64, 0.1), &DetectSettings::default());
        let star = |p: &[f64; 2]| Star {
            x: p[0],
            y: p[1],
            flux: 1.0,
            peak: 0.1,
            fwhm_px: 2.5,
            elongation: 1.0,
            angle: nightloom_sky::Angle::from_rad(0.0),
            saturated: false,
            snr: 50.0,
        };
        field.stars = places.iter().map(star).collect();
        field
    }

    /// Places without a pattern.
    fn strewn(count: usize) -> Vec<[f64; 2]> {
        let mut random = Random::new(12_345);
        (0..count)
            .map(|_| [0, 1].map(|_| random.between(0.0, 1000.0)))
            .collect()
    }

    #[test]
    fn doubled_stars_are_noticed_and_single_ones_are_not() {
        let once = strewn(30);
        assert_eq!(doubled(&field(&strewn(60))), None);
        let twice: Vec<[f64; 2]> = once
            .iter()
            .flat_map(|p| [*p, [p[0] + 30.0, p[1] - 40.0]])
            .collect();
        let apart = doubled(&field(&twice)).expect("each star stands twice");
        assert!((apart - 50.0).abs() < 3.0, "{apart}");
    }

    /// Bright, and full of detail.
    fn lit() -> Plane {
        let mut random = Random::new(7);
        let grain = Plane::from_fn(800, 600, |_, _| random.between(-0.01, 0.01) as f32);
        Plane::from_fn(800, 600, |x, y| {
            0.1 + 0.3 * ((x / 13 + y / 17) % 3) as f32 + grain.at(x, y)
        })
    }

    #[test]
    fn points_are_never_called_daylight() {
        let word = |field: &Field, meta: &FrameMeta| oddity(&lit(), field, meta).map(|o| o.word);
        let by_day = FrameMeta {
            f_number: Some(8.0),
            exposure_s: Some(1.0 / 250.0),
            iso: Some(100.0),
            ..FrameMeta::default()
        };
        let mut starry = field(&strewn(40));
        starry.fwhm_px = 2.5;
        for meta in [&FrameMeta::default(), &by_day] {
            assert_eq!(word(&field(&[]), meta), Some("daylight"));
            assert_ne!(word(&starry, meta), Some("daylight"));
            // Long, wide and narrow things among leaves are no points.
            let mut leaves = starry.clone();
            for (n, star) in leaves.stars.iter_mut().enumerate() {
                star.elongation = 1.0 + 0.4 * (n % 8) as f32;
                star.fwhm_px = 1.0 + 0.5 * (n % 7) as f32;
            }
            assert_eq!(word(&leaves, meta), Some("daylight"));
        }
    }

    #[test]
    fn a_scene_lit_by_the_moon_is_not_daylight_however_bright_the_picture() {
        let word = |f_number, exposure_s, iso| {
            let meta = FrameMeta {
                f_number: Some(f_number),
                exposure_s: Some(exposure_s),
                iso: Some(iso),
                ..FrameMeta::default()
            };
            oddity(&lit(), &field(&[]), &meta).map(|o| o.word)
        };
        assert_ne!(word(2.8, 30.0, 800.0), Some("daylight"));
        assert_ne!(word(1.4, 0.05, 12_800.0), Some("daylight"));
        assert_eq!(word(16.0, 1.0 / 100.0, 100.0), Some("daylight"));
        assert_eq!(word(8.0, 1.0 / 60.0, 400.0), Some("daylight"));
    }

    #[test]
    fn blank_drawn_and_even_pictures_have_their_names() {
        let meta = FrameMeta::default();
        let word = |plane: &Plane| oddity(plane, &field(&[]), &meta).map(|o| o.word);
        assert_eq!(word(&Plane::filled(800, 600, 0.0)), Some("black"));
        let drawn = Plane::from_fn(800, 600, |x, y| match (x / 200 % 2, y % 20) {
            (0, _) => 0.9,
            (_, 0..4) if x % 7 < 3 => 0.05,
            _ => 0.7,
        });
        assert_eq!(word(&drawn), Some("screenshot"));
        let mut random = Random::new(1);
        let noise = Plane::from_fn(800, 600, |_, _| random.between(0.05, 0.06) as f32);
        assert_eq!(word(&noise), Some("noise"));
        let cloud = Plane::from_fn(800, 600, |x, _| noise.at(x, 0) + x as f32 / 20_000.0);
        assert_eq!(word(&cloud), Some("cloud"));
    }
}
