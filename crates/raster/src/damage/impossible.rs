//! Numbers that a sensor cannot give: what comes out of a lossless code that lost its place in the bits, and what stands in
//! a lost sector of a file.

use super::{Damage, DamageKind, Sample, Stored};

/// The part of a row's values that must be impossible; hot pixels and noise are some in a hundred thousand.
const PART: f32 = 0.02;
/// Rows in a row.
const LEAST_ROWS: usize = 2;
/// Half of the smallest sector, 512 bytes, in values of 16 bits; where most in a row of so many are impossible, no noise made them.
const SECTOR: usize = 128;
/// Below this part of the black level there is no noise.
const FAR_BELOW_BLACK: f32 = 0.2;
/// A black level below this may have noise down to zero.
const TELLING_BLACK: f32 = 64.0;

pub(super) fn find<T: Sample>(stored: &Stored, values: &[T]) -> Vec<Damage> {
    if stored.bits != 16 {
        return Vec::new();
    }
    // The largest number of as many bits as the white level has.
    let most = (stored.white.max(1.0) as u32 + 1).next_power_of_two() as f32 - 1.0;
    let least = match stored.black >= TELLING_BLACK {
        true => stored.black * FAR_BELOW_BLACK,
        false => f32::NEG_INFINITY,
    };
    let impossible = |v: &T| v.value() > most || v.value() < least;
    let mut found = rows(stored, values, impossible);
    let mut sectors = sectors(stored, values, impossible);
    // Told once.
    sectors.retain(|s| {
        !found
            .iter()
            .any(|f| f.rows[0] <= s.rows[1] && s.rows[0] <= f.rows[1])
    });
    found.extend(sectors);
    found
}

/// Rows in which many are impossible.
fn rows<T>(stored: &Stored, values: &[T], impossible: impl Fn(&T) -> bool) -> Vec<Damage> {
    let mut found: Vec<Damage> = Vec::new();
    let mut run: Option<usize> = None;
    let rows = values.len() / stored.row();
    for y in 0..=rows {
        let bad = y < rows && {
            let row = &values[y * stored.row()..(y + 1) * stored.row()];
            let count = row.iter().filter(|v| impossible(v)).count();
            count as f32 > PART * row.len() as f32
        };
        match (bad, run) {
            (true, None) => run = Some(y),
            (false, Some(first)) => {
                if y - first >= LEAST_ROWS {
                    found.push(damage(first, y - 1));
                }
                run = None;
            }
            _ => {}
        }
    }
    found
}

/// Values in a row most of which are impossible.
fn sectors<T>(stored: &Stored, values: &[T], impossible: impl Fn(&T) -> bool) -> Vec<Damage> {
    let mut found: Vec<Damage> = Vec::new();
    let mut count = 0;
    for (i, value) in values.iter().enumerate() {
        count += usize::from(impossible(value));
        if i >= SECTOR {
            count -= usize::from(impossible(&values[i - SECTOR]));
        }
        if 2 * count <= SECTOR {
            continue;
        }
        let row = i / stored.row();
        match found.last_mut() {
            Some(last) if row <= last.rows[1] + 1 => last.rows[1] = row,
            _ => found.push(damage((i + 1).saturating_sub(SECTOR) / stored.row(), row)),
        }
    }
    found
}

fn damage(first: usize, last: usize) -> Damage {
    Damage {
        rows: [first, last],
        kind: DamageKind::Impossible,
    }
}
