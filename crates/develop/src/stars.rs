//! The stars' light in a part of the layers, at any size.

use nightloom_raster::colour::luminance;
use nightloom_raster::{Rgb, from_half, to_half};
use nightloom_stack::{STAR_HALO, StarForm, StarLight, StarRow};

/// The stars' light in some rows.
pub(super) struct Stars {
    light: StarLight,
    width: usize,
    /// Which row of the layers the first is.
    first: usize,
}

impl Stars {
    /// Of rows `first` to `last` of a layer.
    pub(super) fn of_rows(quiet: &Rgb, first: usize, last: usize, form: &StarForm) -> Self {
        let width = quiet.width().max(1);
        let rows = first.saturating_sub(STAR_HALO)..(last + STAR_HALO).min(quiet.height());
        let planes = quiet
            .planes()
            .each_ref()
            .map(|p| &p.data()[rows.start * width..rows.end * width]);
        Self {
            light: StarLight::of(planes, width, form),
            width,
            first: rows.start,
        }
    }

    /// Of a block of a layer, of which `inside` (left, top, columns, rows) is wanted.
    pub(super) fn of_block(quiet: [&[f32]; 3], width: usize, inside: [usize; 4], form: &StarForm) -> Self {
        let light = StarLight::of(quiet, width, form);
        let [left, top, columns, rows] = inside;
        let cut = |plane: &Vec<f32>| -> Vec<f32> {
            let rows = (top..top + rows).flat_map(|y| &plane[y * width + left..][..columns]);
            rows.copied().collect()
        };
        Self {
            light: StarLight {
                bare: light.bare.each_ref().map(cut),
                smaller: light.smaller.each_ref().map(cut),
            },
            width: columns,
            first: 0,
        }
    }

    /// From the planes of one size, `left`, `top`, columns and rows of it.
    pub(super) fn cut(level: &StarLevel, size: usize, [left, top, columns, rows]: [usize; 4]) -> Self {
        let cut = |plane: &Vec<u16>| -> Vec<f32> {
            let rows = (top..top + rows).flat_map(|y| &plane[y * size + left..][..columns]);
            rows.map(|v| from_half(*v)).collect()
        };
        Self {
            light: StarLight {
                bare: level.bare.each_ref().map(cut),
                smaller: level.smaller.each_ref().map(cut),
            },
            width: columns,
            first: 0,
        }
    }

    /// One row.
    pub(super) fn row(&self, y: usize) -> StarRow<'_> {
        let at = (y - self.first) * self.width;
        let of = |plane: &'_ [f32]| -> std::ops::Range<usize> { at..(at + self.width).min(plane.len()) };
        StarRow {
            bare: self.light.bare.each_ref().map(|p| &p[of(p)]),
            smaller: self.light.smaller.each_ref().map(|p| &p[of(p)]),
        }
    }
}

/// The stars' light in one smaller size, as halves.
#[derive(Default)]
pub(super) struct StarLevel {
    pub(super) bare: [Vec<u16>; 3],
    pub(super) smaller: [Vec<u16>; 2],
}

/// What star light is halved from: the sky, the sky without stars, and the shares of stars.
pub(super) struct Halving<'a> {
    pub(super) quiet: [&'a [f32]; 3],
    pub(super) bare: [&'a [f32]; 3],
    pub(super) smaller: [&'a [f32]; 2],
    pub(super) width: usize,
}

impl StarLevel {
    /// Goes on with the rows of another.
    pub(super) fn append(&mut self, more: &Self) {
        let own = self.bare.iter_mut().chain(&mut self.smaller);
        let more = more.bare.iter().chain(&more.smaller);
        own.zip(more).for_each(|(own, more)| own.extend_from_slice(more));
    }

    /// Goes on with rows half the size: each pixel of the sky the mean of four, each share the mean by the stars' light.
    pub(super) fn halve(&mut self, from: &Halving<'_>) {
        let width = from.width;
        let height = from.quiet[0].len() / width.max(1);
        for y in 0..height.div_ceil(2) {
            for x in 0..width.div_ceil(2) {
                let (u, v) = ((2 * x + 1).min(width - 1), (2 * y + 1).min(height - 1));
                let four = [(2 * x, 2 * y), (u, 2 * y), (2 * x, v), (u, v)].map(|(x, y)| y * width + x);
                for (c, plane) in self.bare.iter_mut().enumerate() {
                    plane.push(to_half(0.25 * four.iter().map(|i| from.bare[c][*i]).sum::<f32>()));
                }
                let light = four.map(|i| {
                    luminance(std::array::from_fn(|c| {
                        (from.quiet[c][i] - from.bare[c][i]).max(0.0)
                    }))
                });
                let all: f32 = light.iter().sum();
                for (plane, share) in self.smaller.iter_mut().zip(from.smaller) {
                    let sum: f32 = four.iter().zip(light).map(|(i, l)| l * share[*i]).sum();
                    plane.push(to_half(if all > 0.0 { sum / all } else { 1.0 }));
                }
            }
        }
    }
}
