//! The finished picture and its layers as the files show them: each pixel goes through the curve once.

use nightloom_raster::Rgb;
use nightloom_raster::colour::srgb_decode;
use nightloom_raster::write::to_u16;
use rayon::prelude::*;

use super::finish::Finished;

/// Interleaved red, green and blue, display-encoded, 65535 for 1.
pub(super) struct Shown {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) picture: Vec<u16>,
    pub(super) sky: Vec<u16>,
    /// Where there is any.
    pub(super) land: Option<Vec<u16>>,
}

impl Shown {
    pub(super) fn of(finished: &Finished, has_land: bool) -> Self {
        let joined = &finished.joined;
        let (width, height) = (joined.alpha.width(), joined.alpha.height());
        let layer = |layer: &Rgb| samples(width, height, |y, rows| finished.layer_row(layer, y, rows));
        let sky = layer(&joined.sky);
        let land = has_land.then(|| layer(&joined.land));
        Self {
            width,
            height,
            picture: match &land {
                Some(land) => picture(finished, &sky, land),
                None => samples(width, height, |y, rows| finished.picture_row(y, rows)),
            },
            sky,
            land,
        }
    }

    /// One row of samples.
    pub(super) fn row<'a>(&self, samples: &'a [u16], y: usize) -> &'a [u16] {
        &samples[y * self.width * 3..(y + 1) * self.width * 3]
    }
}

/// The picture: where it is one of the layers it has that one's samples, and only where both show is anything worked out.
fn picture(finished: &Finished, sky: &[u16], land: &[u16]) -> Vec<u16> {
    let alpha = &finished.joined.alpha;
    let width = alpha.width();
    let mut out = vec![0; sky.len()];
    let rows = out.par_chunks_exact_mut((width * 3).max(1)).enumerate();
    rows.for_each_init(
        Default::default,
        |(mixed, rows): &mut (Vec<usize>, [Vec<f32>; 3]), (y, out)| {
            let from = y * width * 3..(y + 1) * width * 3;
            let layers = [land, sky].map(|layer| layer[from.clone()].as_chunks::<3>().0);
            let out = out.as_chunks_mut::<3>().0;
            mixed.clear();
            for (x, (pixel, share)) in out.iter_mut().zip(alpha.row(y)).enumerate() {
                match *share {
                    0.0 => *pixel = layers[0][x],
                    1.0 => *pixel = layers[1][x],
                    _ => mixed.push(x),
                }
            }
            finished.picture_at(y, mixed, rows);
            for (k, &x) in mixed.iter().enumerate() {
                out[x] = std::array::from_fn(|c| to_u16(rows[c][k]));
            }
        },
    );
    out
}

fn samples(width: usize, height: usize, fill: impl Fn(usize, &mut [Vec<f32>; 3]) + Sync) -> Vec<u16> {
    let mut out = vec![0; width * height * 3];
    out.par_chunks_exact_mut((width * 3).max(1))
        .enumerate()
        .for_each_init(Default::default, |rows: &mut [Vec<f32>; 3], (y, out)| {
            fill(y, rows);
            interleave(rows, out.as_chunks_mut::<3>().0);
        });
    out
}

/// Rows of 0..1 as samples side by side, the first three of each pixel's.
pub(super) fn interleave<const N: usize>([r, g, b]: &[Vec<f32>; 3], out: &mut [[u16; N]]) {
    for (((pixel, r), g), b) in out.iter_mut().zip(r).zip(g).zip(b) {
        pixel[..3].copy_from_slice(&[*r, *g, *b].map(to_u16));
    }
}

/// Light of each sample.
pub(super) fn light() -> Vec<f32> {
    (0..=u16::MAX)
        .map(|v| srgb_decode(f32::from(v) / 65535.0))
        .collect()
}
