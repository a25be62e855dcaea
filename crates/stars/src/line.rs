//! A line of light over the frame.

/// One line being put together.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Line {
    pub(crate) x: f64,
    pub(crate) y: f64,
    pub(crate) angle: f64,
    pub(crate) half: f64,
    /// Variance across, square pixels.
    pub(crate) across: f64,
    pub(crate) snr: f32,
    pub(crate) pieces: usize,
}
