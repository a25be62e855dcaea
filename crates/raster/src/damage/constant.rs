//! One value in very many pixels in a row: what a card gives for a block it lost, and a decoder for a file's missing end.
//!
//! Light and noise give that only where the sensor clips. There the pixels just before and behind the run clip too.

use super::{Damage, DamageKind, Sample, Stored};

/// A run is looked at from so many pixels on: half of the smallest block that cards and disks lose, 4 KiB in 16 bits,
/// and half a row at least.
const LEAST_PX: usize = 1024;
/// In files of eight bits or finished pictures, which know even areas: so many rows.
const LEAST_ROWS: usize = 8;
/// A value above this part of the white level is clipped light.
const CLIPPED: f32 = 0.98;
/// Where more of the neighbours than this have the same value, it is theirs by nature.
const USUAL: f32 = 0.3;

pub(super) fn find<T: Sample>(stored: &Stored, values: &[T]) -> Vec<Damage> {
    let (step, row) = (stored.channels, stored.row());
    let raw = stored.mosaic && stored.bits > 8;
    let least = match raw {
        true => LEAST_PX.max(stored.width / 2) * step,
        false => LEAST_ROWS * row,
    };
    let mut found: Vec<Damage> = Vec::new();
    let mut start = 0;
    for i in step..=values.len() {
        if i < values.len() && values[i].bits() == values[i - step].bits() {
            continue;
        }
        // A run of whole pixels from `start` on ends before `i`.
        if i - start >= least + step && unusual(stored, values, start, i) {
            found.push(damage(values.len(), row, start, i));
        }
        start = (i + 1).saturating_sub(step);
    }
    joined(found)
}

fn damage(length: usize, row: usize, start: usize, end: usize) -> Damage {
    let kind = if end == length {
        DamageKind::Tail
    } else {
        DamageKind::Constant
    };
    Damage {
        rows: [start / row, (end - 1) / row],
        kind,
    }
}

/// Whether the values around a run are others.
fn unusual<T: Sample>(stored: &Stored, values: &[T], start: usize, end: usize) -> bool {
    let value = values[start];
    let span = stored.white - stored.black;
    if value.value() >= stored.black + CLIPPED * span {
        return false;
    }
    let reach = 4 * stored.row();
    let before = &values[start.saturating_sub(reach)..start];
    let after = &values[end..(end + reach).min(values.len())];
    // A finished picture may be cut off evenly: black borders, a sky clipped to black.
    let natural = !stored.mosaic && value.value() <= stored.black;
    let share = |side: &[T]| {
        let same = side.iter().filter(|v| v.bits() == value.bits()).count();
        same as f32 / side.len() as f32
    };
    let sides: Vec<f32> = [before, after]
        .into_iter()
        .filter(|s| s.len() >= stored.row())
        .map(share)
        .collect();
    !natural && !sides.is_empty() && sides.iter().all(|s| *s < USUAL)
}

/// Runs that follow each other are one.
fn joined(found: Vec<Damage>) -> Vec<Damage> {
    let mut all: Vec<Damage> = Vec::new();
    for next in found {
        match all.last_mut() {
            Some(last) if next.rows[0] <= last.rows[1] + 1 => {
                last.rows[1] = last.rows[1].max(next.rows[1]);
                last.kind = last.kind.max(next.kind);
            }
            _ => all.push(next),
        }
    }
    all
}
