//! Least, most and sum in a square round each pixel, by doubling: any side costs the same few steps (van Herk 1992 does so for
//! extremes; doubling is simpler, and each value's sum has one order, wherever the block that it is in begins).

/// A block of values, row by row.
pub(crate) struct Field<'a> {
    pub(crate) values: &'a [f32],
    pub(crate) width: usize,
}

/// Columns joined downwards at a time, so that they stay near.
const STRIP: usize = 64;

/// `join` over the square of `reach` pixels to each side; beyond the block there is `nothing`.
pub(crate) fn over_squares(
    field: &Field<'_>,
    reach: usize,
    nothing: f32,
    join: impl Fn(f32, f32) -> f32 + Copy,
) -> Vec<f32> {
    let (width, side) = (field.width.max(1), 2 * reach + 1);
    let height = field.values.len() / width;
    let mut across = vec![0.0; field.values.len()];
    let (mut padded, mut spare) = (Vec::new(), Vec::new());
    for (row, out) in field
        .values
        .chunks_exact(width)
        .zip(across.chunks_exact_mut(width))
    {
        padded.clear();
        padded.resize(width + 2 * reach, nothing);
        padded[reach..reach + width].copy_from_slice(row);
        doubled(&mut padded, &mut spare, (1, side), out, join);
    }
    let mut down = vec![0.0; field.values.len()];
    let mut strip = Vec::new();
    for left in (0..width).step_by(STRIP) {
        let columns = left..(left + STRIP).min(width);
        let wide = columns.len();
        padded.clear();
        padded.resize(reach * wide, nothing);
        for row in across.chunks_exact(width) {
            padded.extend_from_slice(&row[columns.clone()]);
        }
        padded.resize((height + 2 * reach) * wide, nothing);
        strip.clear();
        strip.resize(height * wide, 0.0);
        doubled(&mut padded, &mut spare, (wide, side), &mut strip, join);
        for (row, out) in strip.chunks_exact(wide).zip(down.chunks_exact_mut(width)) {
            out[columns.clone()].copy_from_slice(row);
        }
    }
    down
}

/// Joins `side` values that lie `step` apart, from each place on. Each doubling goes into a second buffer: in one, several
/// values at once could not be joined.
fn doubled(
    values: &mut Vec<f32>,
    spare: &mut Vec<f32>,
    (step, side): (usize, usize),
    out: &mut [f32],
    join: impl Fn(f32, f32) -> f32 + Copy,
) {
    spare.resize(values.len(), 0.0);
    // How many values each of `values` stands for, and how many of the side are joined already.
    let (mut each, mut done) = (1, 0);
    while done < side {
        if side & each != 0 {
            let from = &values[done * step..];
            match done {
                0 => out.copy_from_slice(&from[..out.len()]),
                _ => out.iter_mut().zip(from).for_each(|(o, v)| *o = join(*o, *v)),
            }
            done += each;
        }
        let ahead = each * step;
        if done < side && ahead < values.len() {
            let count = values.len() - ahead;
            let pairs = values[..count].iter().zip(&values[ahead..]);
            spare
                .iter_mut()
                .zip(pairs)
                .for_each(|(s, (a, b))| *s = join(*a, *b));
            spare[count..].copy_from_slice(&values[count..]);
            std::mem::swap(values, spare);
        }
        each *= 2;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn squares_are_as_by_counting() {
        let mut random = nightloom_fit::Random::new(3);
        let (width, height) = (19, 13);
        let values: Vec<f32> = (0..width * height).map(|_| random.uniform() as f32).collect();
        let field = Field {
            values: &values,
            width,
        };
        for reach in [0, 1, 2, 5, 7] {
            let square = |i: usize| {
                let (x, y) = (i % width, i / width);
                let columns = x.saturating_sub(reach)..(x + reach + 1).min(width);
                let rows = y.saturating_sub(reach)..(y + reach + 1).min(height);
                rows.flat_map(move |v| columns.clone().map(move |u| v * width + u))
            };
            let sums = over_squares(&field, reach, 0.0, |a, b| a + b);
            let most = over_squares(&field, reach, f32::NEG_INFINITY, f32::max);
            for i in 0..values.len() {
                let sum: f32 = square(i).map(|k| values[k]).sum();
                assert!((sums[i] - sum).abs() < 1e-4, "{reach} {i}");
                assert_eq!(most[i], square(i).map(|k| values[k]).fold(0.0, f32::max));
            }
        }
    }
}
