//! Making pictures smaller by averaging over area.

use rayon::prelude::*;

use crate::{Plane, Rgb};

/// A smaller picture whose longer side is at most `max_side` pixels, each pixel the mean over the
/// area it covers (exact, with fractional cover at the edges). Linear pictures keep their mean
/// light; an encoded one averages codes, which is what thumbnails of display pictures use. A picture
/// that is small enough is returned as it is. `max_side` 0 counts as 1.
pub fn resize_area(picture: &Rgb, max_side: usize) -> Rgb {
    Rgb::from_planes(
        picture
            .planes()
            .each_ref()
            .map(|p| resize_area_plane(p, max_side)),
    )
}

/// [`resize_area`] for one plane.
pub fn resize_area_plane(plane: &Plane, max_side: usize) -> Plane {
    let size = (plane.width(), plane.height());
    if fitted(size.0, size.1, max_side) == size {
        return plane.clone();
    }
    let rows = |y: usize, out: &mut [f32]| {
        out.copy_from_slice(plane.row(y));
        Ok::<_, std::convert::Infallible>(())
    };
    match reduce_rows(size, max_side, 1, rows) {
        Ok(small) => Plane::from_vec(small.width, small.height, small.samples),
        Err(never) => match never {},
    }
}

/// The size that fits into a square of `max_side`, never larger than the given one.
fn fitted(width: usize, height: usize, max_side: usize) -> (usize, usize) {
    let longest = width.max(height);
    let max_side = max_side.max(1);
    if longest <= max_side {
        return (width, height);
    }
    let scaled = |n: usize| ((n * max_side + longest / 2) / longest).max(n.min(1));
    (scaled(width), scaled(height))
}

/// A small picture, channels interleaved.
#[derive(Clone, Debug, PartialEq)]
pub struct Reduced {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// width × height × channels values.
    pub samples: Vec<f32>,
}

/// A picture of `size` given row by row (width × channels values, interleaved), made to fit `max_side` as [`resize_area`]
/// does, so that the large picture need not exist at once. Rows are asked for from several threads, some of them twice.
///
/// # Errors
/// The first that a row's source gives.
pub fn reduce_rows<E: Send>(
    (width, height): (usize, usize),
    max_side: usize,
    channels: usize,
    row: impl Fn(usize, &mut [f32]) -> Result<(), E> + Sync,
) -> Result<Reduced, E> {
    let to = fitted(width, height, max_side);
    let (columns, rows) = (shares(width, to.0), shares(height, to.1));
    let stride = to.0 * channels;
    let mut samples = vec![0.0_f32; stride * to.1];
    let empty = || (vec![0.0; width * channels], vec![0.0_f64; stride]);
    samples
        .par_chunks_exact_mut(stride.max(1))
        .zip(&rows)
        .try_for_each_init(empty, |(line, sums), (out, (first, parts))| {
            sums.fill(0.0);
            for (y, share) in (*first..).zip(parts) {
                row(y, line)?;
                let narrow = columns.iter().zip(sums.chunks_exact_mut(channels));
                for ((x, parts), sums) in narrow {
                    let pixels = line[x * channels..].chunks_exact(channels);
                    for (c, sum) in sums.iter_mut().enumerate() {
                        let own = pixels.clone().zip(parts).map(|(p, part)| f64::from(p[c]) * part);
                        *sum += own.sum::<f64>() * share;
                    }
                }
            }
            out.iter_mut().zip(&*sums).for_each(|(o, s)| *o = *s as f32);
            Ok(())
        })?;
    Ok(Reduced {
        width: to.0,
        height: to.1,
        samples,
    })
}

/// For each of `to` cells the first of `from` that falls into it, and what part of the cell that one and the next ones
/// fill. Whole numbers until the last division, so that the shares of a cell add up to one.
fn shares(from: usize, to: usize) -> Vec<(usize, Vec<f64>)> {
    (0..to)
        .map(|cell| {
            let (start, end) = (cell * from, (cell + 1) * from);
            let (first, last) = (start / to, (end - 1) / to);
            let part = |k: usize| end.min((k + 1) * to) - start.max(k * to);
            let parts = (first..=last).map(|k| part(k) as f64 / from as f64).collect();
            (first, parts)
        })
        .collect()
}
