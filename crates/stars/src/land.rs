//! Where one frame shows land.

/// A coarse mask of land over a frame, in square cells.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LandMask {
    /// Side of a cell, pixels.
    pub cell_px: usize,
    /// Cells across.
    pub columns: usize,
    /// Cells down.
    pub rows: usize,
    /// Whether each cell is land, row after row.
    pub land: Vec<bool>,
}

impl LandMask {
    /// A mask without land for a frame of `width` × `height` pixels.
    pub fn all_sky(width: usize, height: usize, cell_px: usize) -> Self {
        let cell_px = cell_px.max(1);
        let (columns, rows) = (width.div_ceil(cell_px), height.div_ceil(cell_px));
        Self {
            cell_px,
            columns,
            rows,
            land: vec![false; columns * rows],
        }
    }

    /// Whether the pixel position (x, y) is on land. Outside the frame the nearest cell answers.
    pub fn is_land(&self, x: f64, y: f64) -> bool {
        let cell =
            |v: f64, n: usize| (((v + 0.5) / self.cell_px as f64).max(0.0) as usize).min(n.saturating_sub(1));
        let index = cell(y, self.rows) * self.columns + cell(x, self.columns);
        self.land.get(index).copied().unwrap_or(false)
    }

    /// The part of the frame that is sky, 0 to 1.
    pub fn sky_fraction(&self) -> f64 {
        if self.land.is_empty() {
            return 1.0;
        }
        self.land.iter().filter(|&&land| !land).count() as f64 / self.land.len() as f64
    }

    /// The same mask with land grown by `cells` in every direction.
    #[must_use]
    pub fn grown(&self, cells: usize) -> Self {
        let mut out = self.clone();
        for row in 0..self.rows {
            for column in 0..self.columns {
                if !self.land[row * self.columns + column] {
                    continue;
                }
                for r in row.saturating_sub(cells)..(row + cells + 1).min(self.rows) {
                    let from = r * self.columns;
                    out.land
                        [from + column.saturating_sub(cells)..from + (column + cells + 1).min(self.columns)]
                        .fill(true);
                }
            }
        }
        out
    }
}

/// How land is recognised.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct LandFinderSettings {
    /// Whether to look for land at all.
    pub look: bool,
    /// Side of a mask cell, pixels.
    pub cell_px: usize,
    /// Cells by which found land is grown into the sky, so that no smeared edge is left in.
    pub margin_cells: usize,
    /// Stars without which nothing is said about land.
    pub min_stars: usize,
}

impl Default for LandFinderSettings {
    fn default() -> Self {
        Self {
            look: true,
            cell_px: 16,
            margin_cells: 1,
            min_stars: 25,
        }
    }
}
