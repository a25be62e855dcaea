//! Sorting many short columns side by side.

/// Columns sorted at once, enough to fill the widest registers.
pub(crate) const LANES: usize = 16;

/// A fixed sequence of compare-and-exchange steps that sorts `n` rows: merge exchange after Batcher
/// (1968), Knuth, The Art of Computer Programming 3, 5.2.2, algorithm M.
pub(crate) struct Network {
    steps: Vec<(u16, u16)>,
}

impl Network {
    pub(crate) fn new(n: usize) -> Self {
        let mut steps = Vec::new();
        let top = n.next_power_of_two() / 2;
        let mut p = top;
        while p > 0 {
            let (mut q, mut r, mut d) = (top, 0, p);
            loop {
                steps.extend(
                    (0..n.saturating_sub(d))
                        .filter(|i| i & p == r)
                        .map(|i| (i as u16, (i + d) as u16)),
                );
                if q == p {
                    break;
                }
                (d, q, r) = (q - p, q / 2, p);
            }
            p /= 2;
        }
        Self { steps }
    }

    /// Sorts every column upwards; the rows must be as many as the network was made for. No value
    /// may be NaN.
    pub(crate) fn sort(&self, rows: &mut [[f32; LANES]]) {
        for (i, j) in &self.steps {
            let (a, b) = (rows[usize::from(*i)], rows[usize::from(*j)]);
            let (mut low, mut high) = (a, b);
            for k in 0..LANES {
                low[k] = if b[k] < a[k] { b[k] } else { a[k] };
                high[k] = if b[k] < a[k] { a[k] } else { b[k] };
            }
            rows[usize::from(*i)] = low;
            rows[usize::from(*j)] = high;
        }
    }
}

/// Per column the median of its first `counts` sorted values, of an even number the mean of the
/// middle two; 0 of none.
pub(crate) fn medians(rows: &[[f32; LANES]], counts: &[usize; LANES]) -> [f32; LANES] {
    std::array::from_fn(|k| match counts[k] {
        0 => 0.0,
        n => 0.5 * (rows[(n - 1) / 2][k] + rows[n / 2][k]),
    })
}

/// Centre and median absolute deviation of every column; the columns are overwritten.
pub(crate) fn middle_and_spread(
    network: &Network,
    columns: &mut [[f32; LANES]],
) -> ([f32; LANES], [f32; LANES]) {
    let mut counts = [0; LANES];
    for column in columns.iter() {
        counts
            .iter_mut()
            .zip(column)
            .for_each(|(n, v)| *n += usize::from(*v < f32::INFINITY));
    }
    network.sort(columns);
    if columns.len() > 2 && counts == [columns.len(); LANES] {
        return of_full(columns);
    }
    let middle = medians(columns, &counts);
    for column in columns.iter_mut() {
        column
            .iter_mut()
            .zip(middle)
            .for_each(|(v, m)| *v = (*v - m).abs());
    }
    network.sort(columns);
    let spread = medians(columns, &counts);
    // Two frames: the lower one is believed.
    let centre = std::array::from_fn(|k| {
        if counts[k] == 2 {
            middle[k] - spread[k]
        } else {
            middle[k]
        }
    });
    (centre, spread)
}

/// The same of sorted columns of which every value counts.
///
/// The k values nearest to the middle are k that follow each other, so that the k-th smallest deviation is the least, over all
/// such stretches, of the larger deviation of a stretch's ends: no second sort.
pub(crate) fn of_full(columns: &[[f32; LANES]]) -> ([f32; LANES], [f32; LANES]) {
    let n = columns.len();
    let (below, above) = (&columns[(n - 1) / 2], &columns[n / 2]);
    let middle: [f32; LANES] = std::array::from_fn(|k| 0.5 * (below[k] + above[k]));
    let nearest = |count: usize| {
        let mut least = [f32::INFINITY; LANES];
        for (first, last) in columns.iter().zip(&columns[count - 1..]) {
            for k in 0..LANES {
                let (down, up) = (middle[k] - first[k], last[k] - middle[k]);
                let larger = if up > down { up } else { down };
                least[k] = if larger < least[k] { larger } else { least[k] };
            }
        }
        least
    };
    let (low, high) = (nearest((n - 1) / 2 + 1), nearest(n / 2 + 1));
    (middle, std::array::from_fn(|k| 0.5 * (low[k] + high[k])))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against sorting the deviations, to the bit; ties and columns all alike among them.
    #[test]
    fn full_columns_need_no_second_sort() {
        for n in 3..=20usize {
            let network = Network::new(n);
            for seed in 0..40u64 {
                let value = |i: usize, k: usize| {
                    let bits =
                        (seed << 32 | (i as u64) << 8 | k as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40;
                    let steps = if seed % 3 == 0 { 5 } else { 1 << 20 };
                    (bits % steps) as f32 * 1e-4 + 0.01
                };
                let mut columns: Vec<[f32; LANES]> =
                    (0..n).map(|i| std::array::from_fn(|k| value(i, k))).collect();
                let mut sorted = columns.clone();
                let (middle, spread) = middle_and_spread(&network, &mut columns);
                network.sort(&mut sorted);
                let expected = medians(&sorted, &[n; LANES]);
                for column in &mut sorted {
                    column
                        .iter_mut()
                        .zip(expected)
                        .for_each(|(v, m)| *v = (*v - m).abs());
                }
                network.sort(&mut sorted);
                assert_eq!(middle, expected, "{n} rows");
                assert_eq!(spread, medians(&sorted, &[n; LANES]), "{n} rows");
            }
        }
    }

    /// The zero-one principle (Knuth 5.3.4, theorem Z): what sorts all columns of noughts and ones
    /// sorts everything.
    #[test]
    fn every_column_of_noughts_and_ones_is_sorted() {
        for n in 1..=12usize {
            let network = Network::new(n);
            for first in (0..1usize << n).step_by(LANES) {
                let mut rows: Vec<[f32; LANES]> = (0..n)
                    .map(|i| std::array::from_fn(|k| ((first + k) >> i & 1) as f32))
                    .collect();
                network.sort(&mut rows);
                for pair in rows.windows(2) {
                    assert!(
                        (0..LANES).all(|k| pair[0][k] <= pair[1][k]),
                        "{n} rows, columns from {first}"
                    );
                }
            }
        }
    }
}
