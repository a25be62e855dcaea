//! One frame as a picture of its measurements, for the map.

use std::path::Path;

use nightloom_sky::subjects;
use nightloom_stars::{Background, BackgroundSettings, BlindIdentification, Field, LandMask, SkyMap, Star};

use super::identify::Look;
use super::{FrameTold, IdentifyReport, SingleError, look};
use nightloom_outing::World;

/// What the map of a frame shows.
#[derive(Clone, Debug)]
pub struct FramePicture {
    /// The file's name.
    pub name: String,
    /// Width and height, pixels.
    pub size_px: [usize; 2],
    /// The stars, brightest first.
    pub stars: Vec<Star>,
    /// Median width of the good ones, pixels.
    pub fwhm_px: f32,
    /// Median elongation of the good ones.
    pub elongation: f32,
    /// Length of the trails, pixels; 0 where stars are not trailed.
    pub trail_px: f32,
    /// Where land is.
    pub land: LandMask,
    /// How bright the background is.
    pub sky: SkyTones,
    /// Seen minus computed of the identified stars: place and difference, pixels.
    pub residuals: Vec<[[f64; 2]; 2]>,
    /// Named stars in the frame: name, V magnitude, place.
    pub names: Vec<(String, f64, [f64; 2])>,
    /// Satellites, aircraft, meteors: ends, pixels.
    pub streaks: Vec<[[f64; 2]; 2]>,
    /// Where it looks; not identified, if nothing bore an answer out.
    pub identified: IdentifyReport,
}

/// The background over the frame.
#[derive(Clone, Debug)]
pub struct SkyTones {
    /// The grid; magnitudes per square arcsecond, or stops above the median.
    pub map: SkyMap,
    /// Whether they are magnitudes.
    pub in_magnitudes: bool,
}

/// Cells of the background along the longer side where it is not calibrated.
const CELLS: usize = 24;

/// Measures a frame for its map; identifies it if it can.
///
/// # Errors
/// As [`super::identify_frame`].
pub fn frame_picture(path: &Path, hints: &FrameTold, world: &dyn World) -> Result<FramePicture, SingleError> {
    let seen = look(path, hints, world)?;
    let identified = seen.report();
    let light = identified.light.as_ref().and_then(|l| l.sky_map.clone());
    let sky = light.map_or_else(
        || uncalibrated(&seen),
        |map| SkyTones {
            map,
            in_magnitudes: true,
        },
    );
    let field = seen.field;
    let found = seen.found.as_ref();
    Ok(FramePicture {
        name: path
            .file_name()
            .map_or_else(String::new, |n| n.to_string_lossy().into_owned()),
        size_px: [field.width, field.height],
        fwhm_px: field.fwhm_px,
        elongation: field.elongation,
        trail_px: field.trail_px,
        sky,
        residuals: found.map_or_else(Vec::new, |f| f.residuals(&field.stars)),
        names: found.map_or_else(Vec::new, |f| names(f, &field)),
        streaks: field.streaks.iter().map(|s| [s.from, s.to]).collect(),
        land: field.land,
        stars: field.stars,
        identified,
    })
}

/// Stops above the median.
fn uncalibrated(seen: &Look) -> SkyTones {
    let field = &seen.field;
    let plane = seen.frame.pixels.brightness();
    let background = Background::measure(&plane, Some(&field.land), &BackgroundSettings::default());
    let side = field.width.max(field.height).div_ceil(CELLS).max(8);
    let (columns, rows) = (field.width.div_ceil(side), field.height.div_ceil(side));
    let middle = |i: usize, n: usize| 0.5 * ((i * side) + ((i + 1) * side).min(n) - 1) as f64;
    let typical = f64::from(field.background.max(1e-6));
    let cells = (0..columns * rows)
        .map(|i| {
            let at = [
                middle(i % columns, field.width),
                middle(i / columns, field.height),
            ];
            let level = f64::from(background.level_at(at[0], at[1]));
            (level > 0.0 && !field.land.is_land(at[0], at[1])).then(|| (level / typical).log2())
        })
        .collect();
    SkyTones {
        map: SkyMap {
            columns,
            rows,
            mag_arcsec2: cells,
        },
        in_magnitudes: false,
    }
}

/// Stars with names of their own among the identified, brightest first.
fn names(found: &BlindIdentification, field: &Field) -> Vec<(String, f64, [f64; 2])> {
    let mut named: Vec<(String, f64, [f64; 2])> = found
        .found
        .matches
        .iter()
        .filter_map(|&(star, known)| {
            let known = &nightloom_sky::catalogue::stars()[known];
            let name = subjects::proper_name(known.hip)?;
            Some((
                name.to_owned(),
                f64::from(known.v_mag),
                [field.stars[star].x, field.stars[star].y],
            ))
        })
        .collect();
    named.sort_by(|a, b| a.1.total_cmp(&b.1));
    named
}
