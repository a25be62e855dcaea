//! Words that keep out of each other's way, and numbers as photographers write them.

use super::svg::Sheet;
use nightloom_outing::short;

/// Height of a line of small text with its air.
const LINE: f64 = 13.0;
/// Mean width of a small character, somewhat generous.
const CHARACTER: f64 = 5.9;

/// Where words stand from their place.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    /// They begin there.
    Start,
    /// Their middle is there.
    Middle,
    /// They end there.
    End,
}

/// Rectangles of a sheet that are written on.
#[derive(Default)]
pub(super) struct Taken {
    boxes: Vec<[f64; 4]>,
}

impl Taken {
    /// Nothing may be written on left, top, right, bottom.
    pub(super) fn keep(&mut self, rect: [f64; 4]) {
        self.boxes.push(rect);
    }

    /// Whether a rectangle is still free.
    pub(super) fn free(&self, [left, top, right, bottom]: [f64; 4]) -> bool {
        self.boxes
            .iter()
            .all(|b| right <= b[0] || b[2] <= left || bottom <= b[1] || b[3] <= top)
    }

    /// Writes small words where they are free, and says whether they were.
    pub(super) fn write(&mut self, sheet: &mut Sheet, at: [f64; 2], side: Side, words: &str) -> bool {
        let rect = rect(at, side, words);
        if !self.free(rect) {
            return false;
        }
        self.keep(rect);
        let class = match side {
            Side::Start => "small halo",
            Side::Middle => "mid small halo",
            Side::End => "end small halo",
        };
        sheet.words(at, class, words);
        true
    }
}

/// What small words cover: left, top, right, bottom.
pub(super) fn rect([x, y]: [f64; 2], side: Side, words: &str) -> [f64; 4] {
    let wide = CHARACTER * words.chars().count() as f64;
    let left = match side {
        Side::Start => x,
        Side::Middle => x - wide / 2.0,
        Side::End => x - wide,
    };
    [left, y - LINE + 3.0, left + wide, y + 3.0]
}

/// A time as it is written on cameras and watches.
pub(super) fn time(seconds: f64) -> String {
    match seconds {
        s if s < 0.29 => format!("1/{} s", short(1.0 / s)),
        s if s < 600.0 => format!("{} s", short(s)),
        // 2 h, but 128 min: the series doubles minutes.
        s if s >= 3600.0 && s % 360.0 == 0.0 => format!("{} h", short(s / 3600.0)),
        s => format!("{} min", short(s / 60.0)),
    }
}

/// A number rounded down to two figures; 0 for what is none.
pub(super) fn two_figures(value: f64) -> f64 {
    if !value.is_finite() || value <= 0.0 {
        return 0.0;
    }
    let unit = 10f64.powf(value.log10().floor() - 1.0);
    (value / unit).floor() * unit
}

/// A step of 1, 2 or 5 times a power of ten, with which a span has at most `most` of them.
pub(super) fn round_step(span: f64, most: f64) -> f64 {
    let least = (span / most).max(f64::MIN_POSITIVE);
    let power = 10f64.powf(least.log10().floor());
    let factor = [1.0, 2.0, 5.0].into_iter().find(|f| f * power >= least);
    factor.unwrap_or(10.0) * power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round() {
        let close = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-12;
        for (span, step) in [
            (10.0, 2.0),
            (0.9, 0.2),
            (26.0, 5.0),
            (5.1, 1.0),
            (0.004, 0.0005 * 2.0),
        ] {
            assert!(
                close(round_step(span, 6.0), step),
                "{span}: {}",
                round_step(span, 6.0)
            );
        }
    }

    #[test]
    fn times_as_written() {
        let shown = [1.0 / 60.0, 0.5, 15.0, 240.0, 960.0, 5400.0, 7680.0].map(time);
        assert_eq!(
            shown,
            ["1/60 s", "0.5 s", "15 s", "240 s", "16 min", "1.5 h", "128 min"]
        );
    }

    #[test]
    fn no_words_upon_words() {
        let mut taken = Taken::default();
        taken.keep(rect([0.0, 0.0], Side::Start, "four"));
        assert!(!taken.free(rect([10.0, 5.0], Side::Middle, "on it")));
        assert!(taken.free(rect([0.0, 14.0], Side::Start, "below")));
        assert!(taken.free(rect([-1.0, 0.0], Side::End, "before")));
    }
}
