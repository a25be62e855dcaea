//! Menon, Andriani & Calvagno 2007 on one tile. Numbers of sections are the paper's.

use super::Directions;
use crate::Cfa;

/// Size and phase of a padded tile.
#[derive(Clone, Copy)]
pub(super) struct MosaicView {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) cfa: Cfa,
}

impl MosaicView {
    /// First column of row `y` that is not green, and the colour there (0 red, 2 blue).
    fn chroma(self, y: usize) -> (usize, usize) {
        let first = usize::from(self.cfa.colour(0, y) == 1);
        (first, self.cfa.colour(first, y))
    }
}

/// Buffers of one tile, kept from tile to tile.
#[derive(Default)]
pub(super) struct Scratch {
    mosaic: Vec<f32>,
    /// Green along rows, then the finished green.
    green: Vec<f32>,
    /// Green along columns.
    green_v: Vec<f32>,
    /// Gradients of the colour differences along rows and columns.
    gradient: [Vec<f32>; 2],
    /// How much the row counts, the column the rest: 0 or 1 where one was chosen.
    along_row: Vec<f32>,
    red: Vec<f32>,
    blue: Vec<f32>,
}

impl Scratch {
    pub(super) fn resize(&mut self, view: MosaicView) {
        let n = view.width * view.height;
        let [gh, gv] = &mut self.gradient;
        for buffer in [
            &mut self.mosaic,
            &mut self.green,
            &mut self.green_v,
            gh,
            gv,
            &mut self.red,
            &mut self.blue,
        ] {
            buffer.resize(n, 0.0);
        }
        self.along_row.resize(n, 0.0);
    }
    pub(super) fn mosaic_row(&mut self, y: usize, view: MosaicView) -> &mut [f32] {
        &mut self.mosaic[y * view.width..][..view.width]
    }
    pub(super) fn rgb_row(&self, channel: usize, y: usize, view: MosaicView) -> &[f32] {
        let plane = [&self.red, &self.green, &self.blue][channel];
        &plane[y * view.width..][..view.width]
    }
}

/// Demosaics the tile; correct at [`super::tile::HALO`] pixels from its edge and further in.
pub(super) fn run(s: &mut Scratch, view: MosaicView, directions: Directions) {
    directional_green(s, view);
    gradients(s, view);
    decide(s, view, directions);
    colour_at_green(s, view);
    colour_at_opposite(s, view);
    refine_green(s, view);
    refine_colour_at_green(s, view);
    refine_colour_at_opposite(s, view);
}

/// Runs `f` with the index of each red and blue pixel at least `margin` from the edge, and the
/// colour there.
#[inline(always)]
fn each_chroma(view: MosaicView, margin: usize, mut f: impl FnMut(usize, usize)) {
    for y in margin..view.height - margin {
        let (first, colour) = view.chroma(y);
        let start = margin + ((margin ^ first) & 1);
        for x in (start..view.width - margin).step_by(2) {
            f(y * view.width + x, colour);
        }
    }
}

/// Runs `f` with the index of each green pixel at least `margin` from the edge, and the colour of
/// its neighbours in the row.
#[inline(always)]
fn each_green(view: MosaicView, margin: usize, mut f: impl FnMut(usize, usize)) {
    for y in margin..view.height - margin {
        let (first, colour) = view.chroma(y);
        let start = margin + ((margin ^ first ^ 1) & 1);
        for x in (start..view.width - margin).step_by(2) {
            f(y * view.width + x, colour);
        }
    }
}

/// What the row says and what the column says, by the row's share.
#[inline(always)]
fn mixed(share: f32, row: f32, column: f32) -> f32 {
    share * row + (1.0 - share) * column
}

/// Section II-A: green along rows and along columns by the five-tap filter
/// (−1/4, 1/2, 1/2, 1/2, −1/4).
fn directional_green(s: &mut Scratch, view: MosaicView) {
    let w = view.width;
    let m = &s.mosaic;
    let five = |i: usize, d: usize| {
        (m[i - d] + m[i + d]) * 0.5 + (m[i] * 0.5 - (m[i - 2 * d] + m[i + 2 * d]) * 0.25)
    };
    s.green.copy_from_slice(m);
    each_chroma(view, 2, |i, _| {
        s.green[i] = five(i, 1);
        s.green_v[i] = five(i, w);
    });
}

/// Section II-B: how much the colour difference changes from one pixel to the next of its colour.
fn gradients(s: &mut Scratch, view: MosaicView) {
    let w = view.width;
    let m = &s.mosaic;
    let [dh, dv] = &mut s.gradient;
    each_chroma(view, 4, |i, _| {
        let difference = |g: &[f32], d: usize| ((m[i] - g[i]) - (m[i + d] - g[i + d])).abs();
        dh[i] = difference(&s.green, 2);
        dv[i] = difference(&s.green_v, 2 * w);
    });
}

/// Section II-B: the direction whose gradients, summed around the pixel, are smaller; or, beyond the
/// paper, a mixture of both.
fn decide(s: &mut Scratch, view: MosaicView, directions: Directions) {
    let w = view.width;
    let [dh, dv] = &s.gradient;
    // `a` steps along the direction, `b` across it.
    let sum = |d: &[f32], i: usize, a: usize, b: usize| {
        let pair = |i: usize| d[i] + d[i - 2 * a];
        3.0 * pair(i) + pair(i - 2 * b) + pair(i + 2 * b) + d[i - b - a] + d[i + b - a]
    };
    each_chroma(view, 6, |i, _| {
        let (v, h) = (sum(dv, i, w, 1), sum(dh, i, 1, w));
        let share = match directions {
            Directions::Chosen => f32::from(u8::from(v >= h)),
            Directions::Weighted if v * v + h * h > 0.0 => v * v / (v * v + h * h),
            Directions::Weighted | Directions::Equal => 0.5,
        };
        s.along_row[i] = share;
        s.green[i] = share * s.green[i] + (1.0 - share) * s.green_v[i];
    });
}

/// Section III: red and blue at green pixels, from the differences of the two neighbours that have
/// that colour.
fn colour_at_green(s: &mut Scratch, view: MosaicView) {
    let w = view.width;
    s.red.copy_from_slice(&s.mosaic);
    s.blue.copy_from_slice(&s.mosaic);
    let (m, g) = (&s.mosaic, &s.green);
    let between = |i: usize, d: usize| g[i] + ((m[i - d] - g[i - d]) + (m[i + d] - g[i + d])) * 0.5;
    each_green(view, 7, |i, in_row| {
        let (row, column) = (between(i, 1), between(i, w));
        (s.red[i], s.blue[i]) = if in_row == 0 { (row, column) } else { (column, row) };
    });
}

/// Section III: red at blue pixels and blue at red ones, along the direction taken there.
fn colour_at_opposite(s: &mut Scratch, view: MosaicView) {
    let w = view.width;
    each_chroma(view, 8, |i, colour| {
        let (own, other) = if colour == 0 {
            (&s.red, &mut s.blue)
        } else {
            (&s.blue, &mut s.red)
        };
        let between = |d: usize| ((other[i - d] - own[i - d]) + (other[i + d] - own[i + d])) * 0.5;
        other[i] = own[i] + mixed(s.along_row[i], between(1), between(w));
    });
}

/// Section IV, step 1: green at red and blue pixels from the low-passed difference.
fn refine_green(s: &mut Scratch, view: MosaicView) {
    let w = view.width;
    each_chroma(view, 9, |i, colour| {
        let own = if colour == 0 { &s.red } else { &s.blue };
        let g = &mut s.green;
        let low = |d: usize| ((own[i - d] - g[i - d]) + (own[i] - g[i]) + (own[i + d] - g[i + d])) / 3.0;
        g[i] = own[i] - mixed(s.along_row[i], low(1), low(w));
    });
}

/// Section IV, step 2: red and blue at green pixels, with the better green.
fn refine_colour_at_green(s: &mut Scratch, view: MosaicView) {
    let w = view.width;
    let (m, g) = (&s.mosaic, &s.green);
    let between = |i: usize, d: usize| g[i] + ((m[i - d] - g[i - d]) + (m[i + d] - g[i + d])) * 0.5;
    each_green(view, 10, |i, in_row| {
        let (row, column) = (between(i, 1), between(i, w));
        (s.red[i], s.blue[i]) = if in_row == 0 { (row, column) } else { (column, row) };
    });
}

/// Section IV, step 3: red at blue pixels and blue at red ones from the low-passed difference.
fn refine_colour_at_opposite(s: &mut Scratch, view: MosaicView) {
    let w = view.width;
    each_chroma(view, 11, |i, colour| {
        let (own, other) = if colour == 0 {
            (&s.red, &mut s.blue)
        } else {
            (&s.blue, &mut s.red)
        };
        let difference = |i: usize| own[i] - other[i];
        let low = |d: usize| (difference(i - d) + difference(i) + difference(i + d)) / 3.0;
        other[i] = own[i] - mixed(s.along_row[i], low(1), low(w));
    });
}
