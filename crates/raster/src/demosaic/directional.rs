//! Menon, Andriani & Calvagno 2007 on one tile. Numbers of sections are the paper's.
//!
//! Every step is worked out for whole rows, at all pixels, and laid down where it belongs: at every second one. Twice the
//! work, of which registers do many at once. Each step follows the one before by some rows, so that little memory is touched.
#![allow(
    unsafe_code,
    reason = "calling a function built for a CPU feature that was just detected"
)]

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
    /// A row as it was worked out, not laid down yet.
    line: Vec<f32>,
    /// All bits set in every second column, from the first on and from the second on.
    every_second: [Vec<u32>; 2],
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
            &mut self.along_row,
            &mut self.red,
            &mut self.blue,
        ] {
            buffer.resize(n, 0.0);
        }
        self.line.resize(view.width, 0.0);
        for (first, mask) in self.every_second.iter_mut().enumerate() {
            mask.clear();
            mask.extend((0..view.width).map(|x| if x & 1 == first { u32::MAX } else { 0 }));
        }
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
    #[cfg(target_arch = "x86_64")]
    if std::arch::is_x86_feature_detected!("avx2") {
        // SAFETY: the feature was detected on the line above; the function has no other needs.
        return unsafe { run_avx2(s, view, directions) };
    }
    steps(s, view, directions);
}

/// [`steps`] in wider registers; without fused products, so that the values are the same.
#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn run_avx2(s: &mut Scratch, view: MosaicView, directions: Directions) {
    steps(s, view, directions);
}

/// Each step on its row; a step looks one row back and one ahead at what the step before it left.
#[inline(always)]
fn steps(s: &mut Scratch, view: MosaicView, directions: Directions) {
    // A direction is decided on the gradients of two rows ahead.
    let lag = if directions == Directions::Equal { 0 } else { 2 };
    let begun = |y: usize, after: usize, margin: usize| {
        y.checked_sub(after)
            .filter(|y| (margin..view.height - margin).contains(y))
    };
    for y in 0..view.height + lag + 5 {
        if let Some(y) = begun(y, 0, 2) {
            directional_green(s, view, y, directions);
        }
        if directions != Directions::Equal {
            if let Some(y) = begun(y, 0, 4) {
                gradient_along_row(s, view, y);
            }
            if let Some(y) = begun(y, 2, 4) {
                gradient_along_column(s, view, y);
            }
            if let Some(y) = begun(y, 2, 6) {
                decide(s, view, y, directions);
            }
        }
        if let Some(y) = begun(y, lag + 1, 7) {
            colour_at_green(s, view, y, 7);
        }
        if let Some(y) = begun(y, lag + 2, 8) {
            colour_at_opposite(s, view, y);
        }
        if let Some(y) = begun(y, lag + 3, 9) {
            refine_green(s, view, y);
        }
        if let Some(y) = begun(y, lag + 4, 10) {
            colour_at_green(s, view, y, 10);
        }
        if let Some(y) = begun(y, lag + 5, 11) {
            refine_colour_at_opposite(s, view, y);
        }
    }
}

/// The part of a row that has `margin` pixels on either side, moved by so many.
#[derive(Clone, Copy)]
struct Part {
    width: usize,
    margin: usize,
    /// Index of its first pixel.
    first: usize,
}

impl Part {
    #[inline(always)]
    fn of(view: MosaicView, y: usize, margin: usize) -> Self {
        Self {
            width: view.width,
            margin,
            first: y * view.width + margin,
        }
    }
    #[inline(always)]
    fn length(self) -> usize {
        self.width - 2 * self.margin
    }
    /// The pixels `by` further on.
    #[inline(always)]
    fn ahead(self, plane: &[f32], by: usize) -> &[f32] {
        &plane[self.first + by..][..self.length()]
    }
    /// The pixels `by` before.
    #[inline(always)]
    fn back(self, plane: &[f32], by: usize) -> &[f32] {
        &plane[self.first - by..][..self.length()]
    }
    #[inline(always)]
    fn own(self, plane: &[f32]) -> &[f32] {
        self.ahead(plane, 0)
    }
    #[inline(always)]
    fn own_mut(self, plane: &mut [f32]) -> &mut [f32] {
        let n = self.length();
        &mut plane[self.first..][..n]
    }
    /// Three neighbours along a step: before, here, after.
    #[inline(always)]
    fn three(self, plane: &[f32], step: usize) -> [&[f32]; 3] {
        [self.back(plane, step), self.own(plane), self.ahead(plane, step)]
    }
    /// All bits set at the columns of every second pixel from `first` on.
    #[inline(always)]
    fn mask(self, every_second: &[Vec<u32>; 2], first: usize) -> &[u32] {
        &every_second[first & 1][self.margin..][..self.length()]
    }
}

/// Lays a row down where the mask is set.
#[inline(always)]
fn lay(to: &mut [f32], from: &[f32], mask: &[u32]) {
    for ((to, from), mask) in to.iter_mut().zip(from).zip(mask) {
        *to = f32::from_bits(from.to_bits() & mask | to.to_bits() & !mask);
    }
}

/// What the row says and what the column says, by the row's share.
#[inline(always)]
fn mixed(share: f32, row: f32, column: f32) -> f32 {
    share * row + (1.0 - share) * column
}

/// Section II-A: green along rows and along columns by the five-tap filter
/// (−1/4, 1/2, 1/2, 1/2, −1/4). Where both count alike they are mixed at once.
#[inline(always)]
fn directional_green(s: &mut Scratch, view: MosaicView, y: usize, directions: Directions) {
    const EQUAL: f32 = 0.5;
    let part = Part::of(view, y, 2);
    let (m, n) = (&s.mosaic, part.length());
    let (first, _) = view.chroma(y);
    let five = |d: usize| {
        [
            part.back(m, 2 * d),
            part.back(m, d),
            part.own(m),
            part.ahead(m, d),
            part.ahead(m, 2 * d),
        ]
    };
    let (across, down) = (five(1), five(view.width));
    let value =
        |t: &[&[f32]; 5], i: usize| (t[1][i] + t[3][i]) * 0.5 + (t[2][i] * 0.5 - (t[0][i] + t[4][i]) * 0.25);
    let line = &mut s.line[..n];
    if directions == Directions::Equal {
        for (i, v) in line.iter_mut().enumerate() {
            *v = mixed(EQUAL, value(&across, i), value(&down, i));
        }
        part.own_mut(&mut s.along_row).fill(EQUAL);
    } else {
        let vertical = part.own_mut(&mut s.green_v);
        for i in 0..n {
            line[i] = value(&across, i);
            vertical[i] = value(&down, i);
        }
    }
    let green = part.own_mut(&mut s.green);
    green.copy_from_slice(part.own(m));
    lay(green, line, part.mask(&s.every_second, first));
}

/// Section II-B: how much the colour difference changes from one pixel to the next of its colour.
#[inline(always)]
fn gradient_along_row(s: &mut Scratch, view: MosaicView, y: usize) {
    gradient(Part::of(view, y, 4), 2, &s.mosaic, &s.green, &mut s.gradient[0]);
}

/// The same along the column.
#[inline(always)]
fn gradient_along_column(s: &mut Scratch, view: MosaicView, y: usize) {
    gradient(
        Part::of(view, y, 4),
        2 * view.width,
        &s.mosaic,
        &s.green_v,
        &mut s.gradient[1],
    );
}

#[inline(always)]
fn gradient(part: Part, step: usize, m: &[f32], green: &[f32], out: &mut [f32]) {
    let (m, next) = (part.own(m), part.ahead(m, step));
    let (g, next_g) = (part.own(green), part.ahead(green, step));
    let out = part.own_mut(out);
    for i in 0..out.len() {
        out[i] = ((m[i] - g[i]) - (next[i] - next_g[i])).abs();
    }
}

/// Section II-B: the direction whose gradients, summed around the pixel, are smaller; or, beyond the
/// paper, a mixture of both.
#[inline(always)]
fn decide(s: &mut Scratch, view: MosaicView, y: usize, directions: Directions) {
    let (part, w) = (Part::of(view, y, 6), view.width);
    let [dh, dv] = &s.gradient;
    let n = part.length();
    let line = &mut s.line[..n];
    let (h, v) = (Around::of(part, dh, 1, w), Around::of(part, dv, w, 1));
    let share = part.own_mut(&mut s.along_row);
    for (i, share) in share.iter_mut().enumerate() {
        let (v, h) = (v.sum(i), h.sum(i));
        *share = match directions {
            Directions::Chosen => f32::from(u8::from(v >= h)),
            Directions::Weighted if v * v + h * h > 0.0 => v * v / (v * v + h * h),
            Directions::Weighted | Directions::Equal => 0.5,
        };
    }
    let (across, down) = (part.own(&s.green), part.own(&s.green_v));
    for i in 0..n {
        line[i] = mixed(share[i], across[i], down[i]);
    }
    let (first, _) = view.chroma(y);
    lay(
        part.own_mut(&mut s.green),
        line,
        part.mask(&s.every_second, first),
    );
}

/// The gradients that decide at the pixels of a part.
struct Around<'a> {
    /// Here and one step back along the direction.
    near: [&'a [f32]; 2],
    /// The same two steps aside, before and after.
    beside: [[&'a [f32]; 2]; 2],
    /// Between those.
    slanting: [&'a [f32]; 2],
}

impl<'a> Around<'a> {
    /// `along` and `across` are the steps along the direction and across it.
    #[inline(always)]
    fn of(part: Part, d: &'a [f32], along: usize, across: usize) -> Self {
        let moved = |by: isize| &d[part.first.wrapping_add_signed(by)..][..part.length()];
        let (a, b) = (along as isize, across as isize);
        let pair = |by: isize| [moved(by), moved(by - 2 * a)];
        Self {
            near: pair(0),
            beside: [pair(-2 * b), pair(2 * b)],
            slanting: [moved(-b - a), moved(b - a)],
        }
    }

    #[inline(always)]
    fn sum(&self, i: usize) -> f32 {
        let pair = |p: &[&[f32]; 2]| p[0][i] + p[1][i];
        3.0 * pair(&self.near)
            + pair(&self.beside[0])
            + pair(&self.beside[1])
            + self.slanting[0][i]
            + self.slanting[1][i]
    }
}

/// Section III, and section IV, step 2, with the better green: red and blue at green pixels, from the differences of the two
/// neighbours that have that colour.
#[inline(always)]
fn colour_at_green(s: &mut Scratch, view: MosaicView, y: usize, margin: usize) {
    let part = Part::of(view, y, margin);
    let (m, g, n) = (&s.mosaic, &s.green, part.length());
    let (first, in_row) = view.chroma(y);
    let mask = part.mask(&s.every_second, first + 1);
    for (colour, plane) in [(0, &mut s.red), (2, &mut s.blue)] {
        let step = if colour == in_row { 1 } else { view.width };
        let ([m0, _, m2], [g0, g1, g2]) = (part.three(m, step), part.three(g, step));
        let line = &mut s.line[..n];
        for i in 0..n {
            line[i] = g1[i] + ((m0[i] - g0[i]) + (m2[i] - g2[i])) * 0.5;
        }
        let plane = part.own_mut(plane);
        if margin == FIRST {
            plane.copy_from_slice(part.own(m));
        }
        lay(plane, line, mask);
    }
}

/// Pixels at the edge that have no red and blue yet when green ones get them first.
const FIRST: usize = 7;

/// The planes of a row's own colour and of the other.
#[inline(always)]
fn own_and_other<'a>(colour: usize, red: &'a mut [f32], blue: &'a mut [f32]) -> (&'a [f32], &'a mut [f32]) {
    if colour == 0 { (red, blue) } else { (blue, red) }
}

/// Section III: red at blue pixels and blue at red ones, along the direction taken there.
#[inline(always)]
fn colour_at_opposite(s: &mut Scratch, view: MosaicView, y: usize) {
    let part = Part::of(view, y, 8);
    let n = part.length();
    let (first, colour) = view.chroma(y);
    let (own, other) = own_and_other(colour, &mut s.red, &mut s.blue);
    let line = &mut s.line[..n];
    let share = part.own(&s.along_row);
    let ([a0, a1, a2], [b0, _, b2]) = (part.three(own, 1), part.three(own, view.width));
    let ([c0, _, c2], [d0, _, d2]) = (part.three(other, 1), part.three(other, view.width));
    for i in 0..n {
        let row = ((c0[i] - a0[i]) + (c2[i] - a2[i])) * 0.5;
        let column = ((d0[i] - b0[i]) + (d2[i] - b2[i])) * 0.5;
        line[i] = a1[i] + mixed(share[i], row, column);
    }
    lay(part.own_mut(other), line, part.mask(&s.every_second, first));
}

/// Section IV, step 1: green at red and blue pixels from the low-passed difference.
#[inline(always)]
fn refine_green(s: &mut Scratch, view: MosaicView, y: usize) {
    let part = Part::of(view, y, 9);
    let (first, colour) = view.chroma(y);
    let own = if colour == 0 { &s.red } else { &s.blue };
    less_low_passed(part, view.width, [own, &s.green], &s.along_row, &mut s.line);
    let mask = part.mask(&s.every_second, first);
    lay(part.own_mut(&mut s.green), &s.line[..part.length()], mask);
}

/// Section IV, step 3: red at blue pixels and blue at red ones from the low-passed difference.
#[inline(always)]
fn refine_colour_at_opposite(s: &mut Scratch, view: MosaicView, y: usize) {
    let part = Part::of(view, y, 11);
    let (first, colour) = view.chroma(y);
    let (own, other) = own_and_other(colour, &mut s.red, &mut s.blue);
    less_low_passed(part, view.width, [own, other], &s.along_row, &mut s.line);
    let mask = part.mask(&s.every_second, first);
    lay(part.own_mut(other), &s.line[..part.length()], mask);
}

/// The first plane less the low-passed difference of both, along the direction taken.
#[inline(always)]
fn less_low_passed(part: Part, down: usize, [own, other]: [&[f32]; 2], along_row: &[f32], line: &mut [f32]) {
    let n = part.length();
    let (line, share) = (&mut line[..n], part.own(along_row));
    let ([a0, a1, a2], [b0, _, b2]) = (part.three(own, 1), part.three(own, down));
    let ([c0, c1, c2], [d0, _, d2]) = (part.three(other, 1), part.three(other, down));
    for i in 0..n {
        let here = a1[i] - c1[i];
        let row = ((a0[i] - c0[i]) + here + (a2[i] - c2[i])) / 3.0;
        let column = ((b0[i] - d0[i]) + here + (b2[i] - d2[i])) / 3.0;
        line[i] = a1[i] - mixed(share[i], row, column);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HALO: usize = super::super::tile::HALO;

    fn filled(view: MosaicView) -> Scratch {
        let mut scratch = Scratch::default();
        scratch.resize(view);
        for (k, v) in scratch.mosaic.iter_mut().enumerate() {
            *v = ((k * 7919 + k / view.width * 104_729) % 1013) as f32 / 1013.0;
        }
        scratch
    }

    /// Wider registers round as narrow ones do.
    #[test]
    fn any_processor_gives_the_same() {
        for cfa in [Cfa::RGGB, Cfa::BGGR, Cfa::GRBG, Cfa::GBRG] {
            for directions in [Directions::Chosen, Directions::Weighted, Directions::Equal] {
                let (width, height) = (75, 58);
                let view = MosaicView { width, height, cfa };
                let (mut narrow, mut wide) = (filled(view), filled(view));
                steps(&mut narrow, view, directions);
                run(&mut wide, view, directions);
                for (colour, y) in (0..3).flat_map(|c| (HALO..height - HALO).map(move |y| (c, y))) {
                    let inner = |s: &Scratch| s.rgb_row(colour, y, view)[HALO..width - HALO].to_vec();
                    assert_eq!(
                        inner(&narrow),
                        inner(&wide),
                        "{cfa:?} {directions:?} {colour} {y}"
                    );
                }
            }
        }
    }
}
