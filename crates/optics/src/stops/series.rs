//! The third-stop series: what a mark on the camera says, and what it stands for.

/// One of the three settings of an exposure.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Setting {
    /// The time the shutter is open, seconds.
    Time,
    /// The relative aperture N.
    Aperture,
    /// The ISO speed.
    Iso,
}

/// Two numbers this close, relative to each other, are the same mark.
const SAME_MARK: f64 = 1e-6;

/// Marks per stop.
const THIRDS: i32 = 3;

/// From 1/32000 s. Those below a quarter of a second are denominators.
const FRACTIONS: [f64; 40] = [
    32000., 25600., 20000., 16000., 12800., 10000., 8000., 6400., 5000., 4000., 3200., 2500., 2000., 1600.,
    1250., 1000., 800., 640., 500., 400., 320., 250., 200., 160., 125., 100., 80., 60., 50., 40., 30., 25.,
    20., 15., 13., 10., 8., 6., 5., 4.,
];
const SECONDS: [f64; 17] = [
    0.3, 0.4, 0.5, 0.6, 0.8, 1., 1.3, 1.6, 2., 2.5, 3.2, 4., 5., 6., 8., 10., 13.,
];
/// Bulb times are doubled from these.
const BULB: [f64; 3] = [15., 20., 25.];
/// Third of the first fraction, 1/32000 s, and of the first bulb time, counted from 1 s.
const FIRST_TIME: i32 = -45;
const FIRST_BULB: i32 = 12;
/// 25·2¹¹ s, the last mark within a day.
const LAST_TIME: i32 = 47;

/// From f/0.7.
const F_NUMBERS: [f64; 40] = [
    0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1,
    8.0, 9.0, 10., 11., 13., 14., 16., 18., 20., 22., 25., 29., 32., 36., 40., 45., 51., 57., 64.,
];
const FIRST_F: i32 = -3;

/// From ISO 6.
const ISOS: [f64; 58] = [
    6., 8., 10., 12., 16., 20., 25., 32., 40., 50., 64., 80., 100., 125., 160., 200., 250., 320., 400., 500.,
    640., 800., 1000., 1250., 1600., 2000., 2500., 3200., 4000., 5000., 6400., 8000., 10000., 12800., 16000.,
    20000., 25600., 32000., 40000., 51200., 64000., 80000., 102400., 128000., 160000., 204800., 256000.,
    320000., 409600., 512000., 640000., 819200., 1024000., 1280000., 1638400., 2048000., 2560000., 3276800.,
];
const FIRST_ISO: i32 = -12;

/// A place in a series is a whole number of thirds of a stop from 1 s, f/1 or ISO 100.
///
/// What it stands for exactly is 2^(n/3) s, f/2^(n/6) or ISO 100·2^(n/3) (APEX; ISO 2720, ISO 12232,
/// from memory). What is written for it on cameras is the rounded, marked value: f/2.8 for 2.828…,
/// 1/60 s for 1/64 s, 15 s for 16 s. Times from 15 s on double as 15, 30, 60, 120, 240 s: common
/// practice, no source.
impl Setting {
    /// The first and the last place that has a mark.
    pub fn ends(self) -> (i32, i32) {
        match self {
            Self::Time => (FIRST_TIME, LAST_TIME),
            Self::Aperture => (FIRST_F, FIRST_F + F_NUMBERS.len() as i32 - 1),
            Self::Iso => (FIRST_ISO, FIRST_ISO + ISOS.len() as i32 - 1),
        }
    }

    /// What is written for a place; `None` beyond the ends of the series.
    pub fn marked(self, third: i32) -> Option<f64> {
        let at = |table: &[f64], first: i32| {
            let n = usize::try_from(third.checked_sub(first)?).ok()?;
            table.get(n).copied()
        };
        match self {
            Self::Aperture => at(&F_NUMBERS, FIRST_F),
            Self::Iso => at(&ISOS, FIRST_ISO),
            Self::Time if (FIRST_BULB..=LAST_TIME).contains(&third) => {
                let (octave, within) = ((third - FIRST_BULB) / THIRDS, (third - FIRST_BULB) % THIRDS);
                Some(BULB[within as usize] * 2f64.powi(octave))
            }
            Self::Time => at(&FRACTIONS, FIRST_TIME)
                .map(|denominator| 1.0 / denominator)
                .or_else(|| at(&SECONDS, FIRST_TIME + FRACTIONS.len() as i32)),
        }
    }

    /// What a place stands for.
    pub fn exact(self, third: i32) -> f64 {
        match self {
            Self::Time => (f64::from(third) / 3.0).exp2(),
            Self::Aperture => (f64::from(third) / 6.0).exp2(),
            Self::Iso => 100.0 * (f64::from(third) / 3.0).exp2(),
        }
    }

    /// The place whose mark is `written`; `None` if that is no mark.
    pub fn place_of(self, written: f64) -> Option<i32> {
        let place = self.nearest(written)?;
        let mark = self.marked(place)?;
        ((written / mark - 1.0).abs() < SAME_MARK).then_some(place)
    }

    /// The place whose mark is nearest to a value, in stops. `None` for what is not positive.
    pub fn nearest(self, value: f64) -> Option<i32> {
        if !(value.is_finite() && value > 0.0) {
            return None;
        }
        let thirds = match self {
            Self::Time => value.log2() * 3.0,
            Self::Aperture => value.log2() * 6.0,
            Self::Iso => (value / 100.0).log2() * 3.0,
        };
        let (first, last) = self.ends();
        let about = thirds.round().clamp(f64::from(first), f64::from(last)) as i32;
        // Marks are rounded by up to 0.15 stop, so the nearest one may be next door.
        let off = |place: i32| self.marked(place).map(|m| (value / m).log2().abs());
        (about - 1..=about + 1)
            .filter_map(|place| Some((place, off(place)?)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(place, _)| place)
    }

    /// All marks, in the order of the numbers.
    pub fn marks(self) -> Vec<f64> {
        let (first, last) = self.ends();
        (first..=last).filter_map(|place| self.marked(place)).collect()
    }

    /// What a value stands for: the exact value behind a mark, or itself where it is none.
    pub fn meant(self, written: f64) -> f64 {
        self.place_of(written).map_or(written, |place| self.exact(place))
    }

    /// Stops of light gained in going from one value to another, taken as exact numbers.
    pub fn stops_between(self, from: f64, to: f64) -> f64 {
        match self {
            Self::Time | Self::Iso => (to / from).log2(),
            Self::Aperture => 2.0 * (from / to).log2(),
        }
    }

    /// The value that is `stops` brighter, taken as an exact number.
    pub fn brighter(self, value: f64, stops: f64) -> f64 {
        match self {
            Self::Time | Self::Iso => value * stops.exp2(),
            Self::Aperture => value * (-stops / 2.0).exp2(),
        }
    }

    /// The value that is `stops` brighter as the trade writes it: from mark to mark where the
    /// value is one and the way is a whole number of thirds, else as an exact number.
    pub fn brighter_marked(self, value: f64, stops: f64) -> f64 {
        let thirds = (stops * 3.0).round();
        let whole = (stops * 3.0 - thirds).abs() < SAME_MARK;
        let sign = if self == Self::Aperture { -1.0 } else { 1.0 };
        self.place_of(value)
            .filter(|_| whole && thirds.abs() < 1000.0)
            .and_then(|place| self.marked(place + (sign * thirds) as i32))
            .unwrap_or_else(|| self.brighter(value, stops))
    }
}
