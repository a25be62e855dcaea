//! Chebyshev sums read straight from the embedded file, piece by piece.

use nalgebra::Vector3;

/// Made by `data/make_ephemeris.py`, which describes the format.
static BYTES: &[u8] = include_bytes!("../../data/ephemeris.bin");

/// More orders than any series has.
const MOST_ORDERS: usize = 17;

/// One body's series: pieces of equal length, each three sums (x, y, z) of the same degree.
#[derive(Debug)]
pub(super) struct Series {
    /// Offset of the first piece in the file, bytes.
    pub(super) at: usize,
    /// Number of pieces.
    pub(super) pieces: usize,
    /// Length of a piece, days.
    pub(super) days: f64,
    /// Unit of the coefficients, kilometres.
    pub(super) quantum_km: f64,
    /// Bytes of a coefficient, order by order.
    pub(super) widths: &'static [u8],
}

/// Position in kilometres and velocity in kilometres a day, ICRS axes.
#[derive(Clone, Copy, Debug)]
pub(super) struct State {
    pub(super) position: Vector3<f64>,
    pub(super) velocity: Vector3<f64>,
}

impl Series {
    /// Position `days` after the file's beginning, kilometres.
    pub(super) fn position(&self, days: f64) -> Vector3<f64> {
        let (piece, x) = self.locate(days);
        let mut polynomials = [1.0; MOST_ORDERS];
        fill_first_kind(&mut polynomials[..self.widths.len()], x);
        self.sum(piece, &polynomials) * self.quantum_km
    }

    /// Position and velocity `days` after the file's beginning.
    pub(super) fn state(&self, days: f64) -> State {
        let (piece, x) = self.locate(days);
        let orders = self.widths.len();
        let mut polynomials = [1.0; MOST_ORDERS];
        fill_first_kind(&mut polynomials[..orders], x);
        let mut slopes = [0.0; MOST_ORDERS];
        fill_slopes(&mut slopes[..orders], x);
        State {
            position: self.sum(piece, &polynomials) * self.quantum_km,
            velocity: self.sum(piece, &slopes) * (self.quantum_km * 2.0 / self.days),
        }
    }

    /// The piece that holds `days`, and where in it, −1 to 1.
    fn locate(&self, days: f64) -> (usize, f64) {
        let piece = ((days / self.days) as usize).min(self.pieces - 1);
        (piece, 2.0 * (days / self.days - piece as f64) - 1.0)
    }

    fn sum(&self, piece: usize, polynomials: &[f64; MOST_ORDERS]) -> Vector3<f64> {
        let stride: usize = self.widths.iter().map(|&w| usize::from(w)).sum();
        let mut at = self.at + 3 * stride * piece;
        let mut axis = || {
            let mut total = 0.0;
            for (&width, polynomial) in self.widths.iter().zip(polynomials) {
                total += coefficient(at, width) * polynomial;
                at += usize::from(width);
            }
            total
        };
        Vector3::new(axis(), axis(), axis())
    }
}

/// A signed little-endian integer of `width` bytes, 1 to 4. The file ends with bytes to spare.
fn coefficient(at: usize, width: u8) -> f64 {
    let unused = 32 - 8 * u32::from(width);
    let word = [BYTES[at], BYTES[at + 1], BYTES[at + 2], BYTES[at + 3]];
    f64::from((i32::from_le_bytes(word) << unused) >> unused)
}

/// T0(x), T1(x), …
fn fill_first_kind(values: &mut [f64], x: f64) {
    values[0] = 1.0;
    values[1] = x;
    for n in 2..values.len() {
        values[n] = 2.0 * x * values[n - 1] - values[n - 2];
    }
}

/// T0′(x), T1′(x), …: n times the polynomial of the second kind of order n − 1.
fn fill_slopes(values: &mut [f64], x: f64) {
    let (mut before, mut second_kind) = (0.0, 1.0);
    values[0] = 0.0;
    for (n, value) in values.iter_mut().enumerate().skip(1) {
        *value = n as f64 * second_kind;
        (before, second_kind) = (second_kind, 2.0 * x * second_kind - before);
    }
}
