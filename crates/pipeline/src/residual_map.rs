//! The registration's residuals over the frame, drawn.

use std::fmt::Write;

use nightloom_stars::Residual;

/// How much longer than life the strokes are drawn.
const MAGNIFIED: f64 = 200.0;

/// An SVG of the frame with one stroke per cell: the mean residual of its stars, and around it the
/// cell's scatter as a circle.
pub(super) fn residual_map(residuals: &[Residual], size: (usize, usize)) -> String {
    let (width, height) = (size.0.max(1) as f64, size.1.max(1) as f64);
    let (columns, rows) = (24usize, ((24.0 * height / width).round() as usize).max(1));
    let unit = width / columns as f64;
    let mut svg = format!(
        "<svg viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\" aria-label=\"Registration residuals over the frame\"><g stroke=\"#2f5d62\" fill=\"none\" stroke-width=\"{:.1}\" stroke-linecap=\"round\">",
        unit / 18.0
    );
    for row in 0..rows {
        for column in 0..columns {
            let cell = |r: &&Residual| {
                (f64::from(r.x) / unit) as usize == column
                    && (f64::from(r.y) / height * rows as f64) as usize == row
            };
            draw_cell(&mut svg, residuals.iter().filter(cell));
        }
    }
    let bar = 0.3 * MAGNIFIED;
    let _ = write!(
        svg,
        "</g><path d=\"M{0:.1} {1:.1}h{bar:.1}\" stroke=\"#9a5b13\" stroke-width=\"{2:.1}\"/></svg>",
        unit,
        height - unit,
        unit / 9.0
    );
    svg
}

fn draw_cell<'a>(svg: &mut String, cell: impl Iterator<Item = &'a Residual>) {
    let (mut n, mut at, mut mean, mut square) = (0.0, [0.0; 2], [0.0; 2], 0.0);
    for r in cell {
        n += 1.0;
        at = [at[0] + f64::from(r.x), at[1] + f64::from(r.y)];
        mean = [mean[0] + f64::from(r.dx), mean[1] + f64::from(r.dy)];
        square += f64::from(r.dx).powi(2) + f64::from(r.dy).powi(2);
    }
    if n == 0.0 {
        return;
    }
    let scale = MAGNIFIED;
    let [x, y] = at.map(|v| v / n);
    let [dx, dy] = mean.map(|v| v / n);
    let scatter = ((square / n - dx * dx - dy * dy).max(0.0)).sqrt();
    let _ = write!(
        svg,
        "<path d=\"M{x:.0} {y:.0}l{:.1} {:.1}\"/><circle cx=\"{x:.0}\" cy=\"{y:.0}\" r=\"{:.1}\" opacity=\".25\"/>",
        dx * scale,
        dy * scale,
        scatter * scale
    );
}
