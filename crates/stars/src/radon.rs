//! Sums along every straight line of a map, whole and in part, by the fast discrete Radon transform.
//!
//! Columns are added up in pairs, pairs in fours and so on, at every slope that can tell (Brady 1998, SIAM J.
//! Comput. 27, 107); each stage holds the sums along shorter lines, so that streaks that end within the frame are
//! found as well as those that cross it (Nir, Zackay & Ofek 2018, AJ 156, 229; from memory). A map of 512 × 341
//! takes some 15 ms.

use nightloom_fit::{SIGMA_PER_MAD, median};
use rayon::prelude::*;

/// Columns of the shortest line looked at, as a power of two.
const SHORTEST: u32 = 4;
/// Values inside the map that a line rests on at least.
const LEAST_INSIDE: f32 = 8.0;

/// A map of values whose mean is nothing and whose standard deviation is 1.
#[derive(Clone)]
pub(crate) struct LineMap {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) values: Vec<f32>,
}

/// A line's ends, and how far its sum stands out from those of other lines of its length.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Found {
    pub(crate) ends: [[f64; 2]; 2],
    pub(crate) score: f32,
}

impl LineMap {
    /// The line that stands out most.
    pub(crate) fn strongest(&self) -> Option<Found> {
        (0..4)
            .into_par_iter()
            .filter_map(|turn| {
                let turned = self.turned(turn);
                let mut found = downhill(&turned)?;
                found.ends = found.ends.map(|p| self.back(p, turn));
                Some(found)
            })
            .max_by(|a, b| a.score.total_cmp(&b.score))
    }

    /// Sets everything within `reach` of the line through the ends to nothing.
    pub(crate) fn clear(&mut self, ends: [[f64; 2]; 2], reach: f64) {
        let [[x0, y0], [x1, y1]] = ends;
        let length = (x1 - x0).hypot(y1 - y0).max(1e-9);
        let (c, s) = ((x1 - x0) / length, (y1 - y0) / length);
        for y in 0..self.height {
            for x in 0..self.width {
                let off = (y as f64 - y0) * c - (x as f64 - x0) * s;
                if off.abs() < reach {
                    self.values[y * self.width + x] = 0.0;
                }
            }
        }
    }

    /// So that lines of one quarter of all slopes run along the columns and down: flipped by bit 0, transposed by
    /// bit 1. As columns one after another.
    fn turned(&self, turn: usize) -> Columns {
        let (width, height) = if turn & 2 == 0 {
            (self.width, self.height)
        } else {
            (self.height, self.width)
        };
        let mut values = Vec::with_capacity(width * height);
        for x in 0..width {
            for y in 0..height {
                let y = if turn & 1 == 0 { y } else { height - 1 - y };
                values.push(if turn & 2 == 0 {
                    self.values[y * self.width + x]
                } else {
                    self.values[x * self.width + y]
                });
            }
        }
        Columns {
            width,
            height,
            values,
        }
    }

    fn back(&self, [x, y]: [f64; 2], turn: usize) -> [f64; 2] {
        let height = if turn & 2 == 0 { self.height } else { self.width };
        let y = if turn & 1 == 0 { y } else { height as f64 - 1.0 - y };
        if turn & 2 == 0 { [x, y] } else { [y, x] }
    }
}

/// A map as columns one after another.
struct Columns {
    width: usize,
    height: usize,
    values: Vec<f32>,
}

/// The strongest line that falls by 0 to 1 a column.
fn downhill(map: &Columns) -> Option<Found> {
    let stages = map.width.next_power_of_two().trailing_zeros();
    let columns = 1usize << stages;
    // Lines may come in from above.
    let rows = map.height + columns;
    let mut sums = vec![0.0f32; columns * rows];
    for (x, column) in map.values.chunks(map.height).enumerate() {
        sums[x * rows + columns..(x + 1) * rows].copy_from_slice(column);
    }
    let mut next = vec![0.0f32; columns * rows];
    let mut best: Option<Found> = None;
    for stage in 1..=stages {
        add_pairs(&sums, &mut next, rows, 1 << stage);
        std::mem::swap(&mut sums, &mut next);
        if stage < SHORTEST {
            continue;
        }
        let found = strongest_of(&sums, map, rows, columns, 1 << stage);
        if found.is_some_and(|f| best.is_none_or(|b| f.score > b.score)) {
            best = found;
        }
    }
    best
}

/// Sums over `length` columns from those over half as many: by block of columns, fall and row at the left.
fn add_pairs(half: &[f32], out: &mut [f32], rows: usize, length: usize) {
    for (block, out) in out.chunks_mut(length * rows).enumerate() {
        let sums = &half[block * length * rows..(block + 1) * length * rows];
        let (left, right) = sums.split_at(length / 2 * rows);
        for (fall, out) in out.chunks_mut(rows).enumerate() {
            let (own, down) = (fall / 2, fall.div_ceil(2));
            let left = &left[own * rows..(own + 1) * rows];
            let right = &right[own * rows..(own + 1) * rows];
            let both = rows - down;
            for ((o, l), r) in out[..both].iter_mut().zip(left).zip(&right[down..]) {
                *o = l + r;
            }
            out[both..].copy_from_slice(&left[both..]);
        }
    }
}

fn strongest_of(sums: &[f32], map: &Columns, rows: usize, columns: usize, length: usize) -> Option<Found> {
    let scale = usual(sums, rows, columns, map, length)?;
    let mut best = (0.0f32, None);
    for (line, sums) in sums.chunks(rows).enumerate() {
        let (block, fall) = (line / length, line % length);
        let x0 = block * length;
        if x0 >= map.width {
            break;
        }
        // What a line all within the map needs; most need no more of a look.
        let wide = length.min(map.width - x0) as f32;
        let least = best.0 * scale * LEAST_INSIDE.min(wide).sqrt();
        for (row, sum) in sums.iter().enumerate().filter(|(_, s)| **s > least) {
            let inside = inside(row as f32 - columns as f32, fall as f32, map.height as f32) * wide;
            let score = sum / (scale * inside.max(LEAST_INSIDE).sqrt());
            if score > best.0 {
                best = (score, Some((x0, row, fall, wide)));
            }
        }
    }
    let (score, place) = best;
    let (x0, row, fall, wide) = place?;
    let y0 = row as f64 - columns as f64;
    let slope = fall as f64 / (length as f64 - 1.0);
    // Cut to the map.
    let at = |y: f64| if slope > 0.0 { (y - y0) / slope } else { 0.0 };
    let from = at(0.0).clamp(0.0, f64::from(wide) - 1.0);
    let to = if slope > 0.0 {
        at(map.height as f64 - 1.0).clamp(from, f64::from(wide) - 1.0)
    } else {
        f64::from(wide) - 1.0
    };
    let from = if y0 < 0.0 { from } else { 0.0 };
    Some(Found {
        ends: [from, to].map(|t| [x0 as f64 + t, y0 + slope * t]),
        score,
    })
}

/// The part of a line from `top` down by `fall` that is within a height.
fn inside(top: f32, fall: f32, height: f32) -> f32 {
    let reach = fall + 1.0;
    let part = (top + reach).min(height) - top.max(0.0);
    (part / reach).clamp(0.0, 1.0)
}

/// Robust standard deviation of the sums of lines all within the map, over the root of their length.
fn usual(sums: &[f32], rows: usize, columns: usize, map: &Columns, length: usize) -> Option<f32> {
    let mut seen = Vec::new();
    let step = (sums.len() / 12_000).max(1) | 1;
    for i in (0..sums.len()).step_by(step) {
        let (line, row) = (i / rows, i % rows);
        let (block, fall) = (line / length, line % length);
        let all = (block + 1) * length <= map.width && row >= columns && row - columns + fall < map.height;
        if all {
            seen.push(sums[i].abs());
        }
    }
    if seen.len() < 50 {
        // No line is so long: as unit values would have it.
        return Some(1.0);
    }
    let middle = median(&mut seen)?;
    Some((SIGMA_PER_MAD as f32 * middle / (length as f32).sqrt()).max(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noisy(width: usize, height: usize) -> LineMap {
        let mut random = nightloom_fit::Random::new(3);
        let values = (0..width * height).map(|_| random.normal() as f32);
        LineMap {
            width,
            height,
            values: values.collect(),
        }
    }

    /// Lines of half a standard deviation a pixel in all directions, across the map and within it.
    #[test]
    fn faint_lines_are_found_where_they_were_drawn() {
        for (n, ends) in [
            [[3.0, 20.0], [250.0, 140.0]],
            [[250.0, 10.0], [5.0, 150.0]],
            [[100.0, 2.0], [140.0, 165.0]],
            [[200.0, 160.0], [150.0, 5.0]],
            [[60.0, 60.0], [190.0, 70.0]],
            [[0.0, 80.0], [255.0, 80.0]],
            [[120.0, 0.0], [120.0, 169.0]],
        ]
        .into_iter()
        .enumerate()
        {
            let mut map = noisy(256, 170);
            let [[x0, y0], [x1, y1]]: [[f64; 2]; 2] = ends;
            let length = (x1 - x0).hypot(y1 - y0);
            let steps = (2.0 * length) as usize;
            let mut drawn: Vec<usize> = (0..=steps)
                .map(|i| i as f64 / steps as f64)
                .map(|t| {
                    let (x, y) = (x0 + t * (x1 - x0), y0 + t * (y1 - y0));
                    y.round() as usize * 256 + x.round() as usize
                })
                .collect();
            drawn.dedup();
            drawn.iter().for_each(|i| map.values[*i] += 1.0);
            let found = map.strongest().unwrap();
            assert!(found.score > 6.4, "{n}: {found:?}");
            let off = |p: [f64; 2]| ((p[1] - y0) * (x1 - x0) - (p[0] - x0) * (y1 - y0)).abs() / length;
            for end in found.ends {
                assert!(off(end) < 3.0, "{n}: {found:?}");
            }
            let long = (found.ends[1][0] - found.ends[0][0]).hypot(found.ends[1][1] - found.ends[0][1]);
            assert!(long > 0.4 * length, "{n}: {long} of {length}");
            map.clear(found.ends, 3.0);
            assert!(
                map.strongest().is_none_or(|f| f.score < 6.4),
                "{n}: {:?}",
                map.strongest()
            );
        }
    }

    #[test]
    fn noise_alone_has_no_strong_line() {
        let found = noisy(300, 200).strongest().unwrap();
        assert!(found.score < 6.4, "{found:?}");
    }
}
