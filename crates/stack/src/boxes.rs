//! Sums and extremes over a small square window.

/// Replaces every value by the sum over the (2 r + 1)² window round it, cut at the border.
pub(crate) fn box_sum(values: &mut [f32], width: usize, r: usize) {
    let width = width.max(1);
    let mut row = vec![0.0; width];
    for line in values.chunks_exact_mut(width) {
        row.copy_from_slice(line);
        for shift in 1..=r.min(width - 1) {
            let inner = width - shift;
            line[..inner]
                .iter_mut()
                .zip(&row[shift..])
                .for_each(|(v, f)| *v += f);
            line[shift..]
                .iter_mut()
                .zip(&row[..inner])
                .for_each(|(v, f)| *v += f);
        }
    }
    let height = values.len() / width;
    // The last r + 1 rows as they were, the rest still to come.
    let mut kept: Vec<Vec<f32>> = Vec::with_capacity(height);
    for y in 0..height {
        kept.push(values[y * width..][..width].to_vec());
        let sum = &mut row;
        sum.fill(0.0);
        for before in &kept[y.saturating_sub(r)..] {
            sum.iter_mut().zip(before).for_each(|(s, v)| *s += v);
        }
        for after in y + 1..(y + r + 1).min(height) {
            sum.iter_mut()
                .zip(&values[after * width..][..width])
                .for_each(|(s, v)| *s += v);
        }
        values[y * width..][..width].copy_from_slice(sum);
        if y >= r {
            kept[y - r] = Vec::new();
        }
    }
}

/// Replaces every value by the extreme that `better` picks of the (2 r + 1)² window round it.
pub(crate) fn box_extreme(values: &mut [f32], width: usize, r: usize, better: impl Fn(f32, f32) -> f32) {
    let width = width.max(1);
    let before = values.to_vec();
    for shift in 1..=r {
        for (line, from) in values.chunks_exact_mut(width).zip(before.chunks_exact(width)) {
            let inner = width.saturating_sub(shift);
            line[..inner]
                .iter_mut()
                .zip(&from[shift.min(width)..])
                .for_each(|(v, f)| *v = better(*v, *f));
            line[shift.min(width)..]
                .iter_mut()
                .zip(&from[..inner])
                .for_each(|(v, f)| *v = better(*v, *f));
        }
    }
    let rows = values.to_vec();
    for shift in (1..=r).map(|s| s * width) {
        let inner = values.len().saturating_sub(shift);
        values[..inner]
            .iter_mut()
            .zip(&rows[shift.min(rows.len())..])
            .for_each(|(v, f)| *v = better(*v, *f));
        values[shift.min(rows.len())..]
            .iter_mut()
            .zip(&rows[..inner])
            .for_each(|(v, f)| *v = better(*v, *f));
    }
}
