//! Where writers take their rows from.

use std::io;

use crate::Plane;

/// A picture given row by row in 16-bit samples, channels interleaved: what a writer asks for
/// instead of a copy of the picture. Called from several threads and for each row once or more.
///
/// Every `Fn(usize, &mut [u16]) -> io::Result<()> + Sync` is one.
pub trait Rows16: Sync {
    /// Fills `out` (width × channels samples, 65535 for 1.0) with row `y`.
    ///
    /// # Errors
    /// When the row cannot be had (a scratch file that fails to read).
    fn row(&self, y: usize, out: &mut [u16]) -> io::Result<()>;
}

impl<F: Fn(usize, &mut [u16]) -> io::Result<()> + Sync> Rows16 for F {
    fn row(&self, y: usize, out: &mut [u16]) -> io::Result<()> {
        self(y, out)
    }
}

/// 0..1 to 0..65535, rounded to nearest; below and above are clamped, not-a-number is 0.
#[inline]
pub fn to_u16(value: f32) -> u16 {
    // `as` saturates, and the half makes it round to nearest.
    (value * 65535.0 + 0.5) as u16
}

/// 0..1 to 0..255, rounded to nearest; below and above are clamped, not-a-number is 0.
#[inline]
pub fn to_u8(value: f32) -> u8 {
    (value * 255.0 + 0.5) as u8
}

/// Planes as rows: one plane for grey, three for RGB, values 0..1 in the file's encoding.
#[derive(Clone, Copy, Debug)]
pub struct PlaneRows<'a>(pub &'a [&'a Plane]);

impl Rows16 for PlaneRows<'_> {
    fn row(&self, y: usize, out: &mut [u16]) -> io::Result<()> {
        interleave(self.0.iter().map(|p| p.row(y)), self.0.len(), out);
        Ok(())
    }
}

/// Samples of one band: enough to share among threads, little memory.
const BAND_SAMPLES: usize = 1 << 20;

/// How many rows of so many samples make a band.
pub(super) fn band_rows(row: usize) -> usize {
    (BAND_SAMPLES / row.max(1)).max(1)
}

fn interleave<'a>(rows: impl Iterator<Item = &'a [f32]>, channels: usize, out: &mut [u16]) {
    for (channel, row) in rows.enumerate() {
        put_channel(row, channel, channels, out);
    }
}

fn put_channel(row: &[f32], channel: usize, channels: usize, out: &mut [u16]) {
    for (pixel, &value) in out.chunks_exact_mut(channels).zip(row) {
        pixel[channel] = to_u16(value);
    }
}
