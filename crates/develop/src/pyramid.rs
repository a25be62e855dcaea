//! A picture in halving sizes, cut into tiles, for looking at it closely.

use nightloom_raster::colour::{apply_matrix, rec2020_to_srgb, srgb_decode, srgb_encode, to_working};
use nightloom_raster::write::{WriteError, jpeg_bytes, png_bytes};
use nightloom_raster::{Frame, Pixels, Plane, Rgb, demosaic_balanced};
use rayon::prelude::*;

use nightloom_chart::Look;

/// Side of a tile, pixels.
pub const TILE_PX: usize = 512;
/// Display level that the middle tone of a raw frame is brought to (common practice, no source).
const MIDDLE: f32 = 0.16;
/// Quality of a tile's JPEG.
const QUALITY: u8 = 90;
/// The brightest red of the night look, as in the charts.
const RED_LIMIT: f32 = 200.0 / 255.0;

/// How dark tones are lifted for looking, not for keeping.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Level shown black, linear.
    pub black: f32,
    /// Factor on what is above it.
    pub gain: f32,
}

impl Stretch {
    /// A finished picture as it is.
    pub const NONE: Self = Self {
        black: 0.0,
        gain: 1.0,
    };

    /// `stops` brighter.
    #[must_use]
    pub fn lifted(self, stops: f32) -> Self {
        Self {
            gain: self.gain * stops.exp2(),
            ..self
        }
    }
}

/// One size: linear sRGB, the square root of each value in 16 bits.
struct Level {
    width: usize,
    height: usize,
    data: Vec<[u16; 3]>,
}

/// A picture in sizes from full to one tile.
///
/// Six bytes a pixel for full size and a third more for the smaller ones.
pub struct Pyramid {
    levels: Vec<Level>,
    usual: Stretch,
}

impl Pyramid {
    /// Of one frame: demosaiced and balanced as shot; a finished picture (one in a display encoding) as it is.
    pub fn of(frame: Frame) -> Self {
        let finished = !frame.was_linear;
        let colour = frame.colour;
        let mut picture = match frame.pixels {
            Pixels::Mosaic(mosaic) => demosaic_balanced(&mosaic, colour.white_balance),
            Pixels::Rgb(picture) => picture,
            Pixels::Grey(plane) => Rgb::from_planes([plane.clone(), plane.clone(), plane]),
        };
        to_working(&mut picture, &colour);
        apply_matrix(&mut picture, &rec2020_to_srgb().map(|row| row.map(|v| v as f32)));
        let usual = if finished { Stretch::NONE } else { usual(&picture) };
        let mut levels = vec![Level::of(&picture)];
        drop(picture);
        while let Some(last) = levels.last().filter(|l| l.width.max(l.height) > TILE_PX) {
            levels.push(last.halved());
        }
        Self { levels, usual }
    }

    /// Width and height at full size.
    pub fn size_px(&self) -> [usize; 2] {
        [self.levels[0].width, self.levels[0].height]
    }

    /// How many sizes there are; size k is 2^k times smaller.
    pub fn levels(&self) -> usize {
        self.levels.len()
    }

    /// The stretch that shows it well.
    pub fn usual(&self) -> Stretch {
        self.usual
    }

    /// The linear sRGB value of one pixel of the full size, if there is such a pixel.
    pub fn value(&self, x: usize, y: usize) -> Option<[f32; 3]> {
        let full = &self.levels[0];
        (x < full.width && y < full.height).then(|| full.data[y * full.width + x].map(linear))
    }

    /// One tile, encoded: JPEG by day, PNG without any green or blue in red light. `None` if there is no such tile.
    ///
    /// # Errors
    /// If encoding fails.
    pub fn tile(
        &self,
        level: usize,
        [column, row]: [usize; 2],
        stretch: Stretch,
        look: Look,
    ) -> Option<Result<Vec<u8>, WriteError>> {
        let level = self.levels.get(level)?;
        let (x0, y0) = (column.checked_mul(TILE_PX)?, row.checked_mul(TILE_PX)?);
        if x0 >= level.width || y0 >= level.height {
            return None;
        }
        let (width, height) = (TILE_PX.min(level.width - x0), TILE_PX.min(level.height - y0));
        let shown = |v: u16| srgb_encode(((linear(v) - stretch.black) * stretch.gain).clamp(0.0, 1.0));
        let mut planes: [Vec<f32>; 3] = std::array::from_fn(|_| Vec::with_capacity(width * height));
        for y in y0..y0 + height {
            for pixel in &level.data[y * level.width + x0..][..width] {
                let rgb = pixel.map(shown);
                let rgb = match look {
                    Look::Day => rgb,
                    Look::Red => [RED_LIMIT * (0.3 * rgb[0] + 0.6 * rgb[1] + 0.1 * rgb[2]), 0.0, 0.0],
                };
                for (plane, value) in planes.iter_mut().zip(rgb) {
                    plane.push(value);
                }
            }
        }
        let picture = Rgb::from_planes(planes.map(|p| Plane::from_vec(width, height, p)));
        Some(match look {
            Look::Day => jpeg_bytes(&picture, QUALITY, &[]),
            Look::Red => png_bytes(&picture, &[]),
        })
    }
}

fn linear(stored: u16) -> f32 {
    let root = f32::from(stored) / 65535.0;
    root * root
}

fn stored(linear: f32) -> u16 {
    (linear.clamp(0.0, 1.0).sqrt() * 65535.0 + 0.5) as u16
}

impl Level {
    fn of(picture: &Rgb) -> Self {
        let (width, height) = (picture.width(), picture.height());
        let [r, g, b] = picture.planes().each_ref().map(Plane::data);
        let data = (0..width * height)
            .into_par_iter()
            .map(|i| [stored(r[i]), stored(g[i]), stored(b[i])])
            .collect();
        Self { width, height, data }
    }

    /// Each pixel the mean of four, of two at an odd edge.
    fn halved(&self) -> Self {
        let (width, height) = (self.width.div_ceil(2), self.height.div_ceil(2));
        let data = (0..width * height)
            .into_par_iter()
            .map(|i| {
                let (x, y) = (2 * (i % width), 2 * (i / width));
                let (x1, y1) = ((x + 1).min(self.width - 1), (y + 1).min(self.height - 1));
                let four = [(x, y), (x1, y), (x, y1), (x1, y1)].map(|(x, y)| self.data[y * self.width + x]);
                std::array::from_fn(|c| stored(four.iter().map(|p| linear(p[c])).sum::<f32>() / 4.0))
            })
            .collect();
        Self { width, height, data }
    }
}

/// Black a little below the darkest part, the middle tone lifted to where it can be seen.
fn usual(picture: &Rgb) -> Stretch {
    let green = &picture.planes()[1];
    let step = (green.data().len() / 40_000).max(1);
    let mut sample: Vec<f32> = green.data().iter().step_by(step).copied().collect();
    sample.sort_unstable_by(f32::total_cmp);
    let at = |part: f64| {
        sample
            .get((part * (sample.len() as f64 - 1.0)) as usize)
            .copied()
            .unwrap_or(0.0)
    };
    let black = (at(0.01) * 0.7).max(0.0);
    let middle = (at(0.5) - black).max(1e-5);
    Stretch {
        black,
        gain: (srgb_decode(MIDDLE) / middle).max(1.0),
    }
}

#[cfg(test)]
mod tests {
    use nightloom_raster::{CameraColour, FrameMeta, Levels};

    use super::*;

    fn frame(width: usize, height: usize, was_linear: bool) -> Frame {
        let plane = Plane::from_fn(width, height, |x, y| ((x * 7 + y * 3) % 101) as f32 / 1000.0);
        Frame {
            pixels: Pixels::Grey(plane),
            colour: CameraColour::default(),
            meta: FrameMeta::default(),
            levels: Levels {
                black: [0.0; 4],
                white: [1.0; 4],
            },
            bits: 16,
            was_linear,
        }
    }

    #[test]
    fn sizes_halve_until_one_tile_holds_all() {
        let pyramid = Pyramid::of(frame(1500, 700, true));
        assert_eq!(pyramid.size_px(), [1500, 700]);
        assert_eq!(pyramid.levels(), 3);
        assert!(pyramid.tile(0, [2, 1], pyramid.usual(), Look::Day).is_some());
        assert!(pyramid.tile(0, [3, 0], pyramid.usual(), Look::Day).is_none());
        assert!(pyramid.tile(3, [0, 0], pyramid.usual(), Look::Day).is_none());
        assert!(
            pyramid
                .tile(0, [usize::MAX, 0], pyramid.usual(), Look::Day)
                .is_none()
        );
    }

    #[test]
    fn values_are_kept_to_a_part_in_thousands() {
        let pyramid = Pyramid::of(frame(64, 64, false));
        let value = pyramid.value(5, 9).unwrap()[1];
        let truth = 0.062;
        assert!((value - truth).abs() < 2e-5, "{value} for {truth}");
        assert_eq!(pyramid.value(64, 0), None);
    }

    #[test]
    fn red_light_has_no_green_and_no_blue() {
        let pyramid = Pyramid::of(frame(40, 30, true));
        let bytes = pyramid
            .tile(0, [0, 0], pyramid.usual(), Look::Red)
            .unwrap()
            .unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes))
            .read_info()
            .unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        assert!(
            pixels
                .chunks_exact(3)
                .all(|p| p[0] <= 200 && p[1] == 0 && p[2] == 0)
        );
        assert!(pixels.chunks_exact(3).any(|p| p[0] > 20));
    }
}
