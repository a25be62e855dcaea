//! A developed row as a screen shows it.

use std::sync::LazyLock;

use nightloom_chart::Look;
use nightloom_raster::colour::{rec2020_to_srgb, srgb_encode};
use nightloom_stack::{ToneCurve, ToneTable};

/// The brightest red of the night look, as in the charts.
const RED_LIMIT: f32 = 200.0;
/// Steps of light: the darkest lies a twentieth of a level over the next.
const ENCODE: usize = 65_535;
/// Width of the stripes that mark what is clipped, pixels.
const STRIPE: usize = 3;
/// Bins of a histogram.
pub const HISTOGRAM_BINS: usize = 64;

/// Tables from linear Rec. 2020 to the bytes of a screen (sRGB, IEC 61966-2-1).
pub(super) struct Screen {
    tone: ToneTable,
    matrix: [[f32; 3]; 3],
    encode: &'static [u8],
}

/// The standard's own curve, the same for every picture.
static CURVE: LazyLock<Vec<u8>> = LazyLock::new(|| {
    let light = |k: usize| k as f32 / ENCODE as f32;
    (0..=ENCODE)
        .map(|k| (srgb_encode(light(k)) * 255.0 + 0.5) as u8)
        .collect()
});

/// How a screen shows it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shows {
    /// By day or in red light.
    pub look: Look,
    /// Whether what is clipped is striped.
    pub marks: bool,
}

/// Counts of what is shown.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Tally {
    /// Pixels by display value from 0 to 1, for red, green and blue of sRGB.
    pub bins: [Vec<u32>; 3],
    /// Pixels of which nothing is left: black throughout.
    pub black: u64,
    /// Pixels with a channel at its end.
    pub white: u64,
    /// All pixels.
    pub all: u64,
}

impl Default for Tally {
    fn default() -> Self {
        Self {
            bins: std::array::from_fn(|_| vec![0; HISTOGRAM_BINS]),
            black: 0,
            white: 0,
            all: 0,
        }
    }
}

impl Tally {
    /// Both together.
    pub(super) fn and(mut self, other: &Self) -> Self {
        for (own, more) in self.bins.iter_mut().flatten().zip(other.bins.iter().flatten()) {
            *own += more;
        }
        self.black += other.black;
        self.white += other.white;
        self.all += other.all;
        self
    }
}

impl Screen {
    pub(super) fn of(curve: &ToneCurve) -> Self {
        Self {
            tone: ToneTable::new(curve),
            matrix: rec2020_to_srgb().map(|row| row.map(|v| v as f32)),
            encode: &CURVE,
        }
    }

    /// One row as the build writes it, in place.
    pub(super) fn encode(&self, red: &mut [f32], green: &mut [f32], blue: &mut [f32]) {
        self.tone.apply_row(red, green, blue);
    }

    /// Red, green, blue and opacity of one row, whose number `y` is.
    pub(super) fn row(
        &self,
        [r, g, b]: &[Vec<f32>; 3],
        y: usize,
        shows: Shows,
        out: &mut [u8],
        tally: &mut Tally,
    ) {
        for (x, pixel) in out.chunks_exact_mut(4).enumerate() {
            let light = self.tone.shown_light([r[x], g[x], b[x]]);
            let mut high = false;
            let bytes: [u8; 3] = std::array::from_fn(|c| {
                let [p, q, s] = self.matrix[c];
                let v = p * light[0] + q * light[1] + s * light[2];
                high |= v >= 1.0;
                self.encode[(v.clamp(0.0, 1.0) * ENCODE as f32 + 0.5) as usize]
            });
            let low = bytes == [0; 3];
            tally.black += u64::from(low);
            tally.white += u64::from(high);
            for (bins, v) in tally.bins.iter_mut().zip(bytes) {
                bins[usize::from(v) * HISTOGRAM_BINS / 256] += 1;
            }
            let striped = shows.marks && (high || low);
            let bytes = match (striped, ((x + y) / STRIPE).is_multiple_of(2)) {
                (true, odd) if high => [if odd { 0 } else { 255 }; 3],
                (true, odd) => [if odd { 0 } else { 150 }; 3],
                (false, _) => bytes,
            };
            let bytes = match shows.look {
                Look::Day => bytes,
                Look::Red => {
                    let [r, g, b] = bytes.map(f32::from);
                    let grey = (0.3 * r + 0.6 * g + 0.1 * b) / 255.0;
                    [(RED_LIMIT * grey) as u8, 0, 0]
                }
            };
            pixel[..3].copy_from_slice(&bytes);
            pixel[3] = 255;
        }
        tally.all += r.len() as u64;
    }
}
