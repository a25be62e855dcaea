//! Distances from marked pixels.

use rayon::prelude::*;

/// What one pixel counts: three for a straight step, four for a slanting one (Borgefors 1986, “Distance transformations in
/// digital images”, CVGIP 34, 344): within 8 % of the true distance.
pub const DISTANCE_UNIT: u8 = 3;

/// Lowers each value of `far` to its distance from the nearest zero, where that is less: in two sweeps. Values begin as 0
/// where distance is counted from, and elsewhere as the largest that is wanted.
///
/// ```
/// let mut far = [0, 255, 255, 255, 255, 255];
/// nightloom_raster::distances(&mut far, 3);
/// assert_eq!(far, [0, 3, 6, 3, 4, 7]);
/// ```
pub fn distances(far: &mut [u8], width: usize) {
    let rows = far.len() / width.max(1);
    if rows <= 2 * BAND {
        return sweep(far, width);
    }
    // What is farther than the largest number counts nothing, so that bands with that much about them need no others.
    let bands: Vec<Vec<u8>> = (0..rows.div_ceil(BAND))
        .into_par_iter()
        .map(|k| {
            let (from, to) = (k * BAND, rows.min((k + 1) * BAND));
            let (first, end) = (from.saturating_sub(REACH), rows.min(to + REACH));
            let mut own = far[first * width..end * width].to_vec();
            sweep(&mut own, width);
            own[(from - first) * width..(to - first) * width].to_vec()
        })
        .collect();
    for (to, band) in far.chunks_mut(BAND * width).zip(bands) {
        to.copy_from_slice(&band);
    }
}

/// Rows of a band, and rows that the largest distance reaches.
const BAND: usize = 256;
const REACH: usize = (u8::MAX / DISTANCE_UNIT) as usize + 1;

/// Both sweeps over one piece.
fn sweep(far: &mut [u8], width: usize) {
    let rows = far.len() / width.max(1);
    let mut line = vec![0; width];
    for y in 0..rows {
        let (before, rest) = far.split_at_mut(y * width);
        let row = &mut rest[..width];
        if y > 0 {
            from_beside(row, &before[(y - 1) * width..]);
        }
        along(row, &mut line, true);
    }
    for y in (0..rows).rev() {
        let (before, rest) = far.split_at_mut((y + 1) * width);
        let row = &mut before[y * width..];
        if y + 1 < rows {
            from_beside(row, &rest[..width]);
        }
        along(row, &mut line, false);
    }
}

/// Lowers a row to what its own pixels before allow, or those after: from one pixel, then from two more, from four more, until
/// nothing is lower from so far. `line` is room for a row.
fn along(row: &mut [u8], line: &mut [u8], from_before: bool) {
    let most = row.iter().copied().fold(0, u8::max);
    let mut step = 1;
    while step < row.len() && step * usize::from(DISTANCE_UNIT) < usize::from(most) {
        let by = step as u8 * DISTANCE_UNIT;
        line.copy_from_slice(row);
        let inner = row.len() - step;
        let (to, from) = match from_before {
            true => (&mut row[step..], &line[..inner]),
            false => (&mut row[..inner], &line[step..]),
        };
        to.iter_mut()
            .zip(from)
            .for_each(|(v, from)| *v = (*v).min(from.saturating_add(by)));
        step *= 2;
    }
}

/// Lowers a row to what the row above or below it allows.
fn from_beside(row: &mut [u8], other: &[u8]) {
    let less = |v: &mut u8, from: &u8, step: u8| *v = (*v).min(from.saturating_add(step));
    row.iter_mut().zip(other).for_each(|(v, o)| less(v, o, 3));
    row.iter_mut()
        .zip(&other[1.min(other.len())..])
        .for_each(|(v, o)| less(v, o, 4));
    row.iter_mut().skip(1).zip(other).for_each(|(v, o)| less(v, o, 4));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_give_what_one_piece_gives() {
        let (width, rows) = (97, 3 * BAND + 41);
        for kind in 0..3_usize {
            let seed = |k: usize| (k as u64 + 7 * kind as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40;
            let seldom = [40, 4000, 1_000_000][kind];
            let most = [255, 255, 60][kind];
            let begun: Vec<u8> = (0..width * rows)
                .map(|k| if seed(k) % seldom == 0 { 0 } else { most })
                .collect();
            let (mut whole, mut banded) = (begun.clone(), begun);
            sweep(&mut whole, width);
            distances(&mut banded, width);
            assert!(whole == banded, "kind {kind}");
        }
    }

    #[test]
    fn a_straight_step_is_three_and_a_slanting_one_four() {
        // From the definition: the least sum of steps from a zero, here by hand over a plane with one.
        let (width, rows, at) = (31, 29, [12_usize, 17]);
        let mut far = vec![255; width * rows];
        far[at[1] * width + at[0]] = 0;
        distances(&mut far, width);
        for (k, v) in far.iter().enumerate() {
            let [dx, dy] = [(k % width).abs_diff(at[0]), (k / width).abs_diff(at[1])];
            assert_eq!(usize::from(*v), 4 * dx.min(dy) + 3 * dx.abs_diff(dy));
        }
    }
}
