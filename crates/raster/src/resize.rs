//! Making pictures smaller by averaging over area.

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
    let mut reducer = AreaReducer::new(plane.width(), plane.height(), max_side, 1);
    if reducer.size() == (plane.width(), plane.height()) {
        return plane.clone();
    }
    for y in 0..plane.height() {
        reducer.push_row(plane.row(y));
    }
    let (width, height) = reducer.size();
    Plane::from_vec(width, height, reducer.finish())
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

/// Averages rows as they come, so that the large picture need not exist at once.
#[derive(Clone, Debug)]
pub struct AreaReducer {
    from: (usize, usize),
    to: (usize, usize),
    channels: usize,
    next_row: usize,
    /// The row last read, made narrow.
    narrow: Vec<f64>,
    sums: Vec<f64>,
}

impl AreaReducer {
    /// For a picture of this size with so many interleaved channels, to be made to fit `max_side`.
    pub fn new(width: usize, height: usize, max_side: usize, channels: usize) -> Self {
        let to = fitted(width, height, max_side);
        Self {
            from: (width, height),
            to,
            channels,
            next_row: 0,
            narrow: vec![0.0; to.0 * channels],
            sums: vec![0.0; to.0 * to.1 * channels],
        }
    }
    /// Width and height of the small picture.
    pub fn size(&self) -> (usize, usize) {
        self.to
    }
    /// Takes the next row, width × channels values. Rows beyond the height are ignored.
    pub fn push_row(&mut self, row: &[f32]) {
        if self.next_row >= self.from.1 {
            return;
        }
        self.make_narrow(row);
        let stride = self.to.0 * self.channels;
        for (y, share) in shares(self.next_row, self.from.1, self.to.1) {
            for (sum, &v) in self.sums[y * stride..(y + 1) * stride]
                .iter_mut()
                .zip(&self.narrow)
            {
                *sum += v * share;
            }
        }
        self.next_row += 1;
    }
    /// The small picture, channels interleaved.
    pub fn finish(self) -> Vec<f32> {
        self.sums.into_iter().map(|s| s as f32).collect()
    }
    fn make_narrow(&mut self, row: &[f32]) {
        self.narrow.fill(0.0);
        for (x, pixel) in row.chunks_exact(self.channels).enumerate() {
            for (to, share) in shares(x, self.from.0, self.to.0) {
                for (sum, &v) in self.narrow[to * self.channels..].iter_mut().zip(pixel) {
                    *sum += f64::from(v) * share;
                }
            }
        }
    }
}

/// Which of `to` cells the cell `index` of `from` falls into, and what part of each it fills. Whole
/// numbers throughout, so that the shares of a cell add up to one.
fn shares(index: usize, from: usize, to: usize) -> impl Iterator<Item = (usize, f64)> {
    let (start, end) = (index * to, (index + 1) * to);
    (start / from..=(end - 1) / from).map(move |cell| {
        let overlap = end.min((cell + 1) * from) - start.max(cell * from);
        (cell, overlap as f64 / from as f64)
    })
}
