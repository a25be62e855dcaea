//! Settings that give the same exposure, and how far two exposures are apart.

use super::settings_text::{FASTEST, LONGEST_S as DAY_S};
use super::{Setting, StopsError, Written};
use crate::Exposure;

/// The three, in the order in which they are written.
const ALL: [Setting; 3] = [Setting::Time, Setting::Aperture, Setting::Iso];

/// Less than this between a value and a mark is no difference, stops.
const ON_MARK: f64 = 1e-4;

/// Stops of light gained in going from the first settings to the second, by each of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize)]
pub struct StopsBy {
    /// By time.
    pub time: f64,
    /// By aperture.
    pub aperture: f64,
    /// By ISO.
    pub iso: f64,
    /// By filters and converters.
    pub attachments: f64,
}

impl StopsBy {
    /// All together.
    pub fn sum(&self) -> f64 {
        self.time + self.aperture + self.iso + self.attachments
    }

    fn at(&mut self, setting: Setting) -> &mut f64 {
        match setting {
            Setting::Time => &mut self.time,
            Setting::Aperture => &mut self.aperture,
            Setting::Iso => &mut self.iso,
        }
    }
}

/// Settings equivalent to others, with the one that was left out worked out in three ways.
///
/// Marks and exact values are kept apart: f/2.8 stands for 2^(3/2), 15 s for 16 s. From 15 s, f/2.8,
/// ISO 6400 to f/4, ISO 800 the trade counts one stop and three and writes 240 s; the marks stand for
/// 256 s; the numbers as they are written give 15·8·(4/2.8)² = 244.9 s.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Equivalent {
    /// The setting that was worked out.
    pub solved: Setting,
    /// The settings as the trade writes them.
    pub to: Exposure,
    /// What the marks stand for; with no marks, the numbers themselves.
    pub exact: Exposure,
    /// By plain arithmetic on the numbers as written.
    pub as_written: Exposure,
    /// Stops gained on the way to `to`, counted between marks where both ends are marks. Their
    /// sum is zero.
    pub stops: StopsBy,
    /// EV100 of the first settings, from the numbers as written.
    pub ev100: f64,
    /// Mark nearest to the value worked out, where that is none itself, and the stops by which
    /// setting it makes the picture brighter.
    pub nearest_mark: Option<(f64, f64)>,
}

impl Equivalent {
    /// What a photographer should know of the setting that was worked out: that it is between the
    /// marks, or cannot be set at all. A sentence each.
    pub fn remarks(&self) -> Vec<String> {
        let mut remarks = Vec::new();
        let found = value(&self.to, self.solved);
        let (low, high) = self.solved.ends();
        let range = self.solved.marked(low).zip(self.solved.marked(high));
        match self.solved {
            Setting::Time if found > DAY_S => remarks.push("No night is that long.".into()),
            Setting::Aperture if found < FASTEST => {
                remarks.push("No lens in air is faster than f/0.5.".into());
            }
            Setting::Iso if range.is_some_and(|(low, high)| found < low / 1.1 || found > high * 1.1) => {
                remarks.push("No camera has that ISO.".into());
            }
            _ => {
                if let Some((mark, off)) = self.nearest_mark {
                    let side = if off > 0.0 { "brighter" } else { "darker" };
                    remarks.push(format!(
                        "The nearest mark is {}, {:.2} stop {side}.",
                        written(self.solved, mark),
                        off.abs()
                    ));
                }
            }
        }
        remarks
    }
}

fn written(setting: Setting, mark: f64) -> String {
    match setting {
        Setting::Time if mark < 0.29 => format!("1/{:.0} s", 1.0 / mark),
        Setting::Time => format!("{mark} s"),
        Setting::Aperture => format!("f/{mark}"),
        Setting::Iso => format!("ISO {mark}"),
    }
}

/// How two exposures differ.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Comparison {
    /// The second settings.
    pub to: Exposure,
    /// Stops gained from the first to the second, from the numbers as written.
    pub stops: StopsBy,
    /// The sum of `stops`: positive where the second is brighter.
    pub difference_stops: f64,
    /// The same counted between marks: zero for 15 s, f/2.8, ISO 6400 and 240 s, f/4, ISO 800.
    pub marked_difference_stops: f64,
    /// EV100 of the first settings, from the numbers as written.
    pub ev100: f64,
    /// EV100 of the second settings.
    pub to_ev100: f64,
}

/// How a way between two values is counted.
#[derive(Clone, Copy)]
enum Count {
    /// The numbers as written.
    Written,
    /// What the marks stand for.
    Exact,
    /// In thirds between marks; as exact numbers where an end is no mark.
    Trade,
}

impl Count {
    fn value(self, setting: Setting, written: f64) -> f64 {
        match self {
            Self::Written | Self::Trade => written,
            Self::Exact => setting.meant(written),
        }
    }

    fn between(self, setting: Setting, from: f64, to: f64) -> f64 {
        match self {
            Self::Written => setting.stops_between(from, to),
            Self::Exact | Self::Trade => setting.stops_between(setting.meant(from), setting.meant(to)),
        }
    }

    fn attachments(self, written: &Written) -> f64 {
        let each = written.attachments.iter();
        match self {
            Self::Trade => each.map(|a| a.nominal_stops()).sum(),
            Self::Written | Self::Exact => each.map(|a| a.stops()).sum(),
        }
    }

    fn apply(self, setting: Setting, from: f64, stops: f64) -> f64 {
        match self {
            Self::Trade => setting.brighter_marked(from, stops),
            _ => setting.brighter(self.value(setting, from), stops),
        }
    }

    /// Stops gained by what both sides give; zero where the second leaves it out.
    fn stops(self, from: &Exposure, before: &Written, after: &Written) -> StopsBy {
        let mut stops = StopsBy {
            attachments: self.attachments(after) - self.attachments(before),
            ..StopsBy::default()
        };
        for setting in ALL {
            if let Some(to) = after.get(setting) {
                *stops.at(setting) = self.between(setting, value(from, setting), to);
            }
        }
        stops
    }

    /// The settings with the one that was left out.
    fn solve(self, from: &Exposure, before: &Written, after: &Written, open: Setting) -> (Exposure, StopsBy) {
        let mut stops = self.stops(from, before, after);
        let needed = -stops.sum();
        *stops.at(open) = needed;
        let mut to = *from;
        for setting in ALL {
            *value_mut(&mut to, setting) = match after.get(setting) {
                Some(given) => self.value(setting, given),
                None => self.apply(setting, value(from, setting), needed),
            };
        }
        (to, stops)
    }
}

fn value(of: &Exposure, setting: Setting) -> f64 {
    match setting {
        Setting::Time => of.seconds,
        Setting::Aperture => of.f_number,
        Setting::Iso => of.iso,
    }
}

fn value_mut(of: &mut Exposure, setting: Setting) -> &mut f64 {
    match setting {
        Setting::Time => &mut of.seconds,
        Setting::Aperture => &mut of.f_number,
        Setting::Iso => &mut of.iso,
    }
}

impl Written {
    /// The exposure, if all three settings are given. `field` is what an error calls them.
    ///
    /// # Errors
    /// [`StopsError::Missing`] names the first that is not.
    pub fn complete(&self, field: &str) -> Result<Exposure, StopsError> {
        let need = |setting: Setting| {
            self.get(setting).ok_or_else(|| StopsError::Missing {
                field: field.into(),
                what: name(setting),
            })
        };
        Ok(Exposure {
            seconds: need(Setting::Time)?,
            f_number: need(Setting::Aperture)?,
            iso: need(Setting::Iso)?,
        })
    }

    /// The one setting that is left out, `None` if all are given. `field` as above.
    ///
    /// # Errors
    /// [`StopsError::TooFew`] where more than one is left out.
    pub fn left_open(&self, field: &str) -> Result<Option<Setting>, StopsError> {
        let open: Vec<Setting> = ALL.into_iter().filter(|&s| self.get(s).is_none()).collect();
        match open[..] {
            [] => Ok(None),
            [one] => Ok(Some(one)),
            _ => Err(StopsError::TooFew {
                field: field.into(),
                what: open.iter().map(|&s| name(s)).collect::<Vec<_>>().join(" and "),
            }),
        }
    }
}

fn name(setting: Setting) -> &'static str {
    match setting {
        Setting::Time => "the time",
        Setting::Aperture => "the f-number",
        Setting::Iso => "the ISO",
    }
}

/// Works out the one setting that `after` leaves out, so that both give the same exposure.
///
/// # Errors
/// Where `before` is not complete or `after` leaves out more than one. `after` complete is an
/// error too: [`compare`] is for that.
///
/// ```
/// use nightloom_optics::{Written, solve};
/// let from = Written::parse("from", "15s f/2.8 ISO6400")?;
/// let to = Written::parse("to", "f/4 ISO800")?;
/// assert_eq!(solve(&from, &to)?.to.seconds, 240.0);
/// # Ok::<(), nightloom_optics::StopsError>(())
/// ```
pub fn solve(before: &Written, after: &Written) -> Result<Equivalent, StopsError> {
    let from = before.complete("from")?;
    let Some(open) = after.left_open("to")? else {
        return Err(StopsError::Value {
            field: "to".into(),
            what: "what is to be worked out",
            found: "nothing".into(),
            expected: "one of time, f-number and ISO, left out like in \"f/4 ISO800\"",
        });
    };
    let (to, stops) = Count::Trade.solve(&from, before, after, open);
    Ok(Equivalent {
        solved: open,
        to,
        exact: Count::Exact.solve(&from, before, after, open).0,
        as_written: Count::Written.solve(&from, before, after, open).0,
        stops,
        ev100: from.ev100(),
        nearest_mark: nearest_mark(open, value(&to, open)),
    })
}

fn nearest_mark(setting: Setting, value: f64) -> Option<(f64, f64)> {
    if setting.place_of(value).is_some() {
        return None;
    }
    let mark = setting.marked(setting.nearest(value)?)?;
    let off = setting.stops_between(value, mark);
    (off.abs() > ON_MARK).then_some((mark, off))
}

/// How much brighter the second settings are than the first.
///
/// # Errors
/// Where either is not complete.
pub fn compare(before: &Written, after: &Written) -> Result<Comparison, StopsError> {
    let (from, to) = (before.complete("from")?, after.complete("to")?);
    let stops = Count::Written.stops(&from, before, after);
    Ok(Comparison {
        to,
        stops,
        difference_stops: stops.sum(),
        marked_difference_stops: Count::Trade.stops(&from, before, after).sum(),
        ev100: from.ev100(),
        to_ev100: to.ev100(),
    })
}
