//! Rows moved sideways: what comes of bytes that are missing, or are there twice, amidst a file.
//!
//! Stars and land reach over several rows, so the slopes of a row are those of the next one of its filters. Where that is
//! so above and below and not across one place, and is so again there when one side is moved by some pixels, the rows
//! are moved. Where rows show nothing but noise, nothing is said.

use std::collections::VecDeque;

use super::{Damage, DamageKind, Sample, Stored};

/// Rows on each side that must agree among themselves.
const AROUND: usize = 6;
/// Their least correlation, the median over both sides.
const ALIKE: f32 = 0.4;
/// Across the place it is less than this part of that.
const UNLIKE: f32 = 0.35;
/// Moved, it is more than this part of that.
const FOUND_AGAIN: f32 = 0.7;
/// Narrower pictures show something alike by chance.
const NARROWEST: usize = 256;
/// Places looked at closely in one file.
const MOST_PLACES: usize = 24;

pub(super) fn find<T: Sample>(stored: &Stored, values: &[T]) -> Vec<Damage> {
    let rows = values.len() / stored.row();
    // The next row of the same filters.
    let down = if stored.mosaic { 2 } else { 1 };
    if rows < 4 * AROUND || stored.width < NARROWEST {
        return Vec::new();
    }
    let mut across = Vec::with_capacity(rows - down);
    let mut above: VecDeque<Vec<f32>> = (0..down).map(|y| slopes(stored, values, y)).collect();
    for y in down..rows {
        let below = slopes(stored, values, y);
        if let Some(above) = above.pop_front() {
            across.push(correlation(&above, &below));
        }
        above.push_back(below);
    }
    let mut cuts: Vec<usize> = Vec::new();
    let mut looked = 0;
    // Rows from `y` on are moved against those before.
    for y in AROUND + down..rows - AROUND - down {
        let crossing = &across[y - down..y];
        let mut beside: Vec<f32> = across[y - down - AROUND..y - down].to_vec();
        beside.extend(&across[y..y + AROUND]);
        beside.sort_unstable_by(f32::total_cmp);
        let usual = beside[beside.len() / 2];
        // Nearly all of them, or the rows show now something and now nothing.
        let steady = beside[2] > 0.5 * usual;
        if usual < ALIKE || !steady || crossing.iter().any(|c| *c > UNLIKE * usual) || looked >= MOST_PLACES {
            continue;
        }
        looked += 1;
        let by = (0..down).map(|k| {
            let (above, below) = (
                slopes(stored, values, y - down + k),
                slopes(stored, values, y + k),
            );
            let (alike, by) = found_again(&above, &below);
            (alike > FOUND_AGAIN * usual).then_some(by)
        });
        let by: Vec<Option<i64>> = by.collect();
        let moved = by.iter().all(|b| b.is_some() && *b == by[0]);
        if moved && cuts.last().is_none_or(|last| y - last >= down) {
            cuts.push(y);
        }
    }
    cuts.chunks(2)
        .map(|pair| Damage {
            rows: [pair[0], pair.get(1).map_or(rows, |end| *end) - 1],
            kind: DamageKind::Shifted,
        })
        .collect()
}

/// Slopes of one row's first channel, each held to twice the usual one: one bright star must not decide, and a row whose
/// rest is noise is like no other.
fn slopes<T: Sample>(stored: &Stored, values: &[T], y: usize) -> Vec<f32> {
    let step = stored.channels;
    // The next pixel of the same filter.
    let over = if stored.mosaic { 2 * step } else { step };
    let row = &values[y * stored.row()..(y + 1) * stored.row()];
    let count = (row.len() - over) / step;
    let slope = |i: usize| row[i * step + over].value() - row[i * step].value();
    let sum: f32 = (0..count).map(|i| slope(i).abs()).sum();
    let most = 2.0 * sum / count.max(1) as f32;
    (0..count).map(|i| slope(i).clamp(-most, most)).collect()
}

fn correlation(a: &[f32], b: &[f32]) -> f32 {
    let n = a.len().min(b.len());
    let (a, b) = (&a[..n], &b[..n]);
    let dot = |a: &[f32], b: &[f32]| {
        a.iter()
            .zip(b)
            .map(|(a, b)| f64::from(*a) * f64::from(*b))
            .sum::<f64>()
    };
    let size = (dot(a, a) * dot(b, b)).sqrt();
    if size > 0.0 {
        (dot(a, b) / size) as f32
    } else {
        0.0
    }
}

/// The best correlation of two rows when one is moved, by up to half a row and not at rest, and by how much.
fn found_again(a: &[f32], b: &[f32]) -> (f32, i64) {
    let most = a.len() as i64 / 2;
    let moved = |k: i64| match usize::try_from(k) {
        Ok(right) => correlation(&a[right..], b),
        Err(_) => correlation(a, &b[k.unsigned_abs() as usize..]),
    };
    let all = (-most..=most).filter(|k| *k != 0).map(|k| (moved(k), k));
    all.max_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or((0.0, 0))
}
