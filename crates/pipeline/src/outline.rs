//! The land's outline in the land frame, ready to be asked how clear of land a pixel is.

use nightloom_fit::median_of;
use nightloom_raster::colour::luminance;
use nightloom_raster::{DISTANCE_UNIT, Plane, Rgb, distances};
use rayon::prelude::*;

/// Matte below which a pixel is not clear of land.
const CLEAR: f32 = 0.98;
/// Gaps in land narrower than twice this, pixels and parts of the frame's width, count as land: between twigs the thinnest
/// are in no matte, and dim a tracked frame's sky all the same.
const CLOSE_PX: f32 = 5.0;
const CLOSE_PART: f32 = 600.0;
/// Pixels that a resampling kernel and the lens's blur carry land's light beyond its outline.
const MARGIN_PX: f32 = 2.0;
/// Over so many pixels more a frame's weight rises to the whole, so that no step is seen where frames end.
const FEATHER_PX: f32 = 8.0;
/// Land and sky so near to each other are compared.
const BESIDE_PX: f32 = 6.0;
/// Pixels of a coarse cell, each way.
const COARSE: usize = 8;

/// How clear of land each pixel of the land frame is, and bounds of that in coarse cells.
pub(super) struct Outline {
    width: usize,
    height: usize,
    clear: Vec<u8>,
    columns: usize,
    /// Least and most of each coarse cell and the cells round it.
    bounds: Vec<[u8; 2]>,
}

/// The matte in the land frame's own pixels, a byte each: how open land is to the sky behind it.
pub(super) struct Twigs {
    width: usize,
    height: usize,
    open: Vec<u8>,
}

impl Twigs {
    pub(super) fn of(alpha: &Plane) -> Self {
        let byte = |a: &f32| (a.clamp(0.0, 1.0) * 255.0 + 0.5) as u8;
        Self {
            width: alpha.width(),
            height: alpha.height(),
            open: alpha.data().iter().map(byte).collect(),
        }
    }

    pub(super) fn hash(&self) -> nightloom_outing::Digest {
        nightloom_outing::hash_bytes(&self.open)
    }

    /// How open a place is, 0 to 255; beyond the frame the outermost pixels go on.
    pub(super) fn open_at(&self, place: [f32; 2]) -> u8 {
        let (x, y) = pixel_at(place, self.width, self.height);
        self.open[y * self.width + x]
    }
}

/// The light of land beside the sky in parts of that sky's, 0 to 0.9: medians along all of the edge.
pub(super) fn light_beside_sky(picture: &Rgb, alpha: &Plane) -> f32 {
    let (width, height) = (alpha.width(), alpha.height());
    let far_from = |of: &dyn Fn(f32) -> bool| {
        let start = alpha.data().iter().map(|&a| if of(a) { 0 } else { u8::MAX });
        let mut far: Vec<u8> = start.collect();
        distances(&mut far, width);
        far
    };
    let reach = (BESIDE_PX * f32::from(DISTANCE_UNIT)) as u8;
    let (is_sky, is_land) = (|a: f32| a > CLEAR, |a: f32| a < 1.0 - CLEAR);
    let light = |near: Vec<u8>, of: &dyn Fn(f32) -> bool| {
        let beside = (0..width * height).filter(|&k| near[k] <= reach && of(alpha.data()[k]));
        median_of(beside.map(|k| luminance(picture.at(k % width, k / width))))
    };
    let (land, sky) = (
        light(far_from(&is_sky), &is_land),
        light(far_from(&is_land), &is_sky),
    );
    match (land, sky) {
        (Some(land), Some(sky)) if sky > 0.0 => (land / sky).clamp(0.0, 0.9),
        _ => 0.0,
    }
}

fn pixel_at([x, y]: [f32; 2], width: usize, height: usize) -> (usize, usize) {
    let index = |v: f32, n: usize| ((v + 0.5).max(0.0) as usize).min(n - 1);
    (index(x, width), index(y, height))
}

/// What a coarse look says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Look {
    /// All clear.
    Clear,
    /// All land.
    Land,
    /// It has to be looked at pixel by pixel.
    Near,
}

impl Outline {
    /// The outline of a matte in the land frame's own pixels, with a feather.
    pub(super) fn of(alpha: &Plane) -> Self {
        Self::with_feather(alpha, FEATHER_PX)
    }

    /// The outline without feather: a pixel is clear or not.
    pub(super) fn sharp(alpha: &Plane) -> Self {
        Self::with_feather(alpha, 0.01)
    }

    fn with_feather(alpha: &Plane, feather_px: f32) -> Self {
        let (width, height) = (alpha.width(), alpha.height());
        let clear = clearness(alpha, feather_px);
        let (columns, rows) = (width.div_ceil(COARSE), height.div_ceil(COARSE));
        let own: Vec<[u8; 2]> = (0..columns * rows)
            .into_par_iter()
            .map(|i| {
                let (x0, y0) = (i % columns * COARSE, i / columns * COARSE);
                let rows = (y0..(y0 + COARSE).min(height)).map(|y| &clear[y * width..][..width]);
                let values = rows.flat_map(|row| &row[x0..(x0 + COARSE).min(width)]);
                values.fold([255, 0], |[low, high], &v| [low.min(v), high.max(v)])
            })
            .collect();
        let bounds = (0..columns * rows)
            .map(|i| {
                let (x, y) = (i % columns, i / columns);
                let near = (y.saturating_sub(1)..(y + 2).min(rows))
                    .flat_map(|y| (x.saturating_sub(1)..(x + 2).min(columns)).map(move |x| y * columns + x));
                near.fold([255, 0], |[low, high], k| {
                    [own[k][0].min(low), own[k][1].max(high)]
                })
            })
            .collect();
        Self {
            width,
            height,
            clear,
            columns,
            bounds,
        }
    }

    /// A look at a place and what lies within a coarse cell of it; beyond the frame the outermost pixels go on.
    pub(super) fn look(&self, [x, y]: [f32; 2]) -> Look {
        let (x, y) = self.pixel([x, y]);
        match self.bounds[(y / COARSE) * self.columns + x / COARSE] {
            [255, _] => Look::Clear,
            [_, 0] => Look::Land,
            _ => Look::Near,
        }
    }

    /// How clear of land a place is, 0 to 255.
    pub(super) fn at(&self, place: [f32; 2]) -> u8 {
        let (x, y) = self.pixel(place);
        self.clear[y * self.width + x]
    }

    fn pixel(&self, place: [f32; 2]) -> (usize, usize) {
        pixel_at(place, self.width, self.height)
    }
}

/// From the distance to the nearest pixel that is not clear: 0 within the margin, then rising to 255.
fn clearness(alpha: &Plane, feather_px: f32) -> Vec<u8> {
    let unit = f32::from(DISTANCE_UNIT);
    let width = alpha.width();
    let land = alpha.data().iter().map(|&a| if a >= CLEAR { u8::MAX } else { 0 });
    let closed = closed(
        land.collect(),
        width,
        ((CLOSE_PX + width as f32 / CLOSE_PART) * unit) as u8,
    );
    let most = ((MARGIN_PX + feather_px + 1.0) * unit) as u8;
    let mut far: Vec<u8> = closed
        .into_iter()
        .map(|land| if land { 0 } else { most })
        .collect();
    distances(&mut far, width);
    far.iter_mut().for_each(|d| {
        let beyond = (f32::from(*d) / unit - MARGIN_PX) / feather_px;
        *d = if beyond <= 0.0 {
            0
        } else {
            (beyond.min(1.0) * 255.0 + 0.5) as u8
        };
    });
    far
}

/// Land, zeros in `far`, with the gaps in it that a disc of `radius` cannot enter (a closing; Serra 1982).
fn closed(mut far: Vec<u8>, width: usize, radius: u8) -> Vec<bool> {
    distances(&mut far, width);
    let mut inside: Vec<u8> = far
        .iter()
        .map(|&d| if d <= radius { u8::MAX } else { 0 })
        .collect();
    distances(&mut inside, width);
    far.iter()
        .zip(inside)
        .map(|(&d, i)| d == 0 || i > radius)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn land_has_a_margin_and_a_feather() {
        let alpha = Plane::from_fn(100, 60, |_, y| f32::from(u8::from(y < 40)));
        let outline = Outline::of(&alpha);
        let at = |y: f32| outline.at([50.0, y]);
        assert_eq!((at(45.0), at(40.0), at(38.0)), (0, 0, 0));
        assert!(at(37.0) > 20 && at(37.0) < at(33.0) && at(33.0) < at(31.0));
        assert_eq!((at(29.0), at(0.0), at(-5.0)), (255, 255, 255));
        assert_eq!(outline.look([50.0, 5.0]), Look::Clear);
        assert_eq!(outline.look([50.0, 37.0]), Look::Near);
        assert_eq!(outline.look([50.0, 58.0]), Look::Land);
    }

    #[test]
    fn narrow_gaps_are_land_and_wide_ones_are_not() {
        // Posts 8 px apart on the left, 40 px apart on the right.
        let posts = |x: usize| {
            if x < 100 {
                x.is_multiple_of(8)
            } else {
                x.is_multiple_of(40)
            }
        };
        let alpha = Plane::from_fn(240, 80, |x, y| f32::from(u8::from(y < 20 || !posts(x))));
        let outline = Outline::of(&alpha);
        assert!((30..90).all(|x| outline.at([x as f32, 50.0]) == 0));
        assert_eq!(outline.at([140.0, 50.0]), 255);
        assert_eq!(outline.at([60.0, 5.0]), 255);
    }

    #[test]
    fn distances_are_true_to_a_tenth() {
        let alpha = Plane::from_fn(41, 41, |x, y| f32::from(u8::from((x, y) != (20, 20))));
        let clear = clearness(&alpha, FEATHER_PX);
        for (i, &v) in clear.iter().enumerate().filter(|(_, v)| (1..255).contains(*v)) {
            let (x, y) = ((i % 41) as f32 - 20.0, (i / 41) as f32 - 20.0);
            let found = f32::from(v) / 255.0 * FEATHER_PX + MARGIN_PX;
            assert!((found / x.hypot(y) - 1.0).abs() < 0.1, "{x} {y} {found}");
        }
    }
}
