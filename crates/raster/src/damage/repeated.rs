//! The same noise twice: a block of the file that stands in the place of another.
//!
//! Places are picked by their content (where a rolling hash of 16 values has five zero bits), so that a block is found
//! again wherever it was moved to; 64 values from there on name the place. Noise makes any two of them differ.

use std::collections::HashMap;

use super::{Damage, DamageKind, Sample, Stored};

/// Values that pick a place.
const ROLLING: usize = 16;
/// One place in so many is picked.
const PICKED: u64 = 1 << 5;
/// Values that name a place.
const NAMING: usize = 64;
/// A place whose values are fewer different ones names nothing: an even area is like others.
const LEAST_DIFFERENT: usize = 6;
/// Fewer values in common are left: most of the smallest sector of cards and disks, 512 bytes.
const LEAST: usize = 200;

const FACTOR: u64 = 0x9e37_79b9_7f4a_7c15;

pub(super) fn find<T: Sample>(stored: &Stored, values: &[T]) -> Vec<Damage> {
    if stored.bits < 16 || values.len() < 4 * NAMING {
        return Vec::new();
    }
    let mut places: HashMap<u64, usize> = HashMap::new();
    let mut found = Vec::new();
    // Polynomial hash; the factor of the value that leaves.
    let leaving = (0..ROLLING).fold(1u64, |f, _| f.wrapping_mul(FACTOR));
    let (mut rolling, mut beyond) = (0u64, 0);
    for i in 0..values.len() - NAMING {
        rolling = rolling
            .wrapping_mul(FACTOR)
            .wrapping_add(u64::from(values[i].bits()) + 1);
        if i >= ROLLING {
            let left = u64::from(values[i - ROLLING].bits()) + 1;
            rolling = rolling.wrapping_sub(left.wrapping_mul(leaving));
        }
        if (rolling >> 40) % PICKED != 0 || i < beyond {
            continue;
        }
        let Some(name) = name(&values[i..i + NAMING]) else {
            continue;
        };
        let Some(first) = places.insert(name, i) else {
            continue;
        };
        if let Some((start, length)) = common(values, first, i) {
            beyond = start + length;
            found.push(Damage {
                rows: [start / stored.row(), (start + length - 1) / stored.row()],
                kind: DamageKind::Repeated,
            });
        }
    }
    found
}

/// A hash of values that are different enough.
fn name<T: Sample>(values: &[T]) -> Option<u64> {
    let mut different: Vec<u32> = values.iter().map(|v| v.bits()).collect();
    let hash = different.iter().fold(0u64, |h, v| {
        (h ^ u64::from(*v)).wrapping_mul(FACTOR).rotate_left(29)
    });
    different.sort_unstable();
    different.dedup();
    (different.len() >= LEAST_DIFFERENT).then_some(hash)
}

/// How far the values about two places are the same: start of the second, length.
fn common<T: Sample>(values: &[T], first: usize, second: usize) -> Option<(usize, usize)> {
    let same = |a: usize, b: usize| values[a].bits() == values[b].bits();
    let gap = second - first;
    let mut start = second;
    while start > gap && start > first && same(start - 1 - gap, start - 1) {
        start -= 1;
    }
    let mut end = second;
    while end < values.len() && same(end - gap, end) {
        end += 1;
    }
    // Longer than what overlaps itself: a pattern of few pixels is no block.
    (end - start >= LEAST && gap >= LEAST).then_some((start, end - start))
}
