//! Sky level and noise over a frame.

/// How the background is measured.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BackgroundSettings {
    /// Side of a mesh cell, pixels.
    pub mesh_px: usize,
    /// Side of the median filter over the mesh, cells (odd).
    pub filter_cells: usize,
    /// Clipping about the median, standard deviations.
    pub clip_sigma: f32,
}

impl Default for BackgroundSettings {
    fn default() -> Self {
        Self {
            mesh_px: 64,
            filter_cells: 3,
            clip_sigma: 3.0,
        }
    }
}

/// Level and noise of the sky on a mesh.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Background {
    /// Side of a mesh cell, pixels.
    pub mesh_px: usize,
    /// Cells across.
    pub columns: usize,
    /// Cells down.
    pub rows: usize,
    /// Level of each cell, row after row.
    pub level: Vec<f32>,
    /// Standard deviation of a pixel in each cell.
    pub noise: Vec<f32>,
}
