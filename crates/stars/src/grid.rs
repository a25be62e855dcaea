//! Points sorted into square cells, for the nearest one within a reach.

/// A grid over a frame.
pub(crate) struct Grid {
    cell: f64,
    columns: usize,
    rows: usize,
    origin: [f64; 2],
    first: Vec<u32>,
    order: Vec<u32>,
    points: Vec<[f64; 2]>,
}

impl Grid {
    /// Sorts the points into cells of about `cell` pixels (larger where that would be too many).
    pub(crate) fn new(points: Vec<[f64; 2]>, cell: f64) -> Self {
        let bound =
            |k: usize, pick: fn(f64, f64) -> f64, from: f64| points.iter().map(|p| p[k]).fold(from, pick);
        let origin = [
            bound(0, f64::min, f64::INFINITY),
            bound(1, f64::min, f64::INFINITY),
        ];
        let end = [
            bound(0, f64::max, f64::NEG_INFINITY),
            bound(1, f64::max, f64::NEG_INFINITY),
        ];
        let extent = [(end[0] - origin[0]).max(1.0), (end[1] - origin[1]).max(1.0)];
        let cell = cell.max(extent[0] / 500.0).max(extent[1] / 500.0).max(1e-9);
        let count = |e: f64| if e.is_finite() { (e / cell) as usize + 1 } else { 1 };
        let (columns, rows) = (count(extent[0]), count(extent[1]));
        let mut grid = Self {
            cell,
            columns,
            rows,
            origin,
            first: Vec::new(),
            order: Vec::new(),
            points,
        };
        let cells: Vec<usize> = grid.points.iter().map(|p| grid.cell_of(*p)).collect();
        let mut first = vec![0u32; columns * rows + 1];
        for cell in &cells {
            first[cell + 1] += 1;
        }
        for i in 1..first.len() {
            first[i] += first[i - 1];
        }
        let mut next = first.clone();
        let mut order = vec![0u32; cells.len()];
        for (point, cell) in cells.iter().enumerate() {
            order[next[*cell] as usize] = point as u32;
            next[*cell] += 1;
        }
        (grid.first, grid.order) = (first, order);
        grid
    }

    fn place(&self, v: f64, axis: usize) -> isize {
        ((v - self.origin[axis]) / self.cell).floor().clamp(-1e9, 1e9) as isize
    }

    fn cell_of(&self, p: [f64; 2]) -> usize {
        let clamp = |v: isize, n: usize| v.clamp(0, n as isize - 1) as usize;
        clamp(self.place(p[1], 1), self.rows) * self.columns + clamp(self.place(p[0], 0), self.columns)
    }

    /// Calls `visit` with each point within `reach` of `p` and its squared distance.
    pub(crate) fn within(&self, p: [f64; 2], reach: f64, mut visit: impl FnMut(usize, f64)) {
        if self.points.is_empty() {
            return;
        }
        let span = |axis: usize, n: usize| {
            let from = self.place(p[axis] - reach, axis).clamp(0, n as isize) as usize;
            let to = (self.place(p[axis] + reach, axis) + 1).clamp(0, n as isize) as usize;
            (from, to)
        };
        let (x0, x1) = span(0, self.columns);
        let (y0, y1) = span(1, self.rows);
        for y in y0..y1 {
            for x in x0..x1 {
                let cell = y * self.columns + x;
                for &i in &self.order[self.first[cell] as usize..self.first[cell + 1] as usize] {
                    let q = self.points[i as usize];
                    let d2 = (q[0] - p[0]).powi(2) + (q[1] - p[1]).powi(2);
                    if d2 <= reach * reach {
                        visit(i as usize, d2);
                    }
                }
            }
        }
    }

    /// The nearest point within `reach` of `p` and its squared distance.
    pub(crate) fn nearest(&self, p: [f64; 2], reach: f64) -> Option<(usize, f64)> {
        let mut best: Option<(usize, f64)> = None;
        self.within(p, reach, |i, d2| {
            if best.is_none_or(|(j, b)| d2 < b || (d2 == b && i < j)) {
                best = Some((i, d2));
            }
        });
        best
    }
}
