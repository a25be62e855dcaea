//! The aim that holds the subjects and the ridge below them.

use nightloom_sky::{Angle, Skyline};
use serde::Serialize;

use super::Framing;
use crate::short;

/// What is held is this share of the frame's shorter side from its edges, or more (common practice, no source).
const MARGIN: f64 = 0.04;
/// Land in the picture where there is room to choose: a quarter of its height (common practice, no source).
const LAND: f64 = 0.25;
/// Altitudes tried, degrees: first and last, and the steps of the two rounds.
const ALTITUDES: [f64; 2] = [-20.0, 90.0];
const STEPS: [f64; 2] = [1.0, 0.05];
/// Focal lengths tried where one is too long: down to this share of it.
const SHORTEST: f64 = 0.2;
/// Less than this outside is rounding, degrees.
const ROUNDING_DEG: f64 = 0.01;

/// Subjects by name, each with the places of what belongs to it: azimuth and apparent altitude.
pub type Places = Vec<(String, Vec<[Angle; 2]>)>;

/// What a picture is to hold at one moment.
#[derive(Clone, Copy, Debug)]
pub struct ToHold<'a> {
    /// Each subject's name, and the places of what belongs to it: azimuth and apparent altitude.
    pub subjects: &'a [(String, Vec<[Angle; 2]>)],
    /// The land's edge.
    pub skyline: &'a Skyline,
    /// The lens's focal length in millimetres, to name a shorter one by.
    pub focal_mm: Option<f64>,
}

/// How well a picture holds what it is to hold.
#[derive(Clone, Debug, Serialize)]
pub struct Held {
    /// The picture as it is aimed.
    #[serde(skip)]
    pub framing: Framing,
    /// Azimuth and altitude of its middle, degrees.
    pub aim_deg: [f64; 2],
    /// Whether it holds all subjects and the ridge below each of them.
    pub holds: bool,
    /// How far the farthest subject lies outside, degrees; 0 when all are in.
    pub subject_outside_deg: f64,
    /// How far the ridge below a subject lies outside, degrees; 0 when it is in.
    pub ridge_outside_deg: f64,
    /// Part of the picture's height that the land takes at its middle, 0 to 1.
    pub land_share: f64,
    /// All that in a sentence or two.
    pub words: String,
}

/// Aims a picture at what it is to hold; one that is `aimed` stays as it is, and is judged.
///
/// The azimuth is midway between the outermost subjects. Of the altitudes at which everything is in, each thing
/// `MARGIN` from the edges, it takes the one nearest to a quarter of land; where there is none, the subjects go before
/// the ridge, and the words say by how much something lies outside and what would help.
pub fn hold(framing: Framing, wanted: &ToHold<'_>, aimed: bool) -> Held {
    let search = Search::new(wanted);
    let framing = if aimed { framing } else { search.aim(framing) };
    let [subject, ridge] = search.outside(&framing);
    let holds = subject.max(ridge) <= ROUNDING_DEG;
    let [low, high] = framing.altitudes_deg();
    let edge = wanted.skyline.altitude(framing.azimuth).deg();
    let land_share = ((edge - low) / (high - low)).clamp(0.0, 1.0);
    let words = if holds {
        format!(
            "{} are in the picture; the land fills the lowest {:.0} % of it.",
            search.names(),
            100.0 * land_share
        )
    } else {
        let lies = search.lies_outside(&framing, ridge);
        format!("{lies} {}", search.remedies(&framing, aimed))
            .trim_end()
            .to_owned()
    };
    Held {
        aim_deg: [framing.azimuth.deg(), framing.altitude.deg()],
        holds,
        subject_outside_deg: subject,
        ridge_outside_deg: ridge,
        land_share,
        words,
        framing,
    }
}

pub(super) struct Search<'a> {
    wanted: &'a ToHold<'a>,
    /// The ridge below each of the subjects' points.
    ridge: Vec<[Angle; 2]>,
    azimuth: Angle,
}

impl<'a> Search<'a> {
    pub(super) fn new(wanted: &'a ToHold<'a>) -> Self {
        let places = wanted.subjects.iter().flat_map(|(_, places)| places);
        let ridge: Vec<[Angle; 2]> = places
            .map(|[azimuth, _]| [*azimuth, wanted.skyline.altitude(*azimuth)])
            .collect();
        let azimuth = middle(&ridge);
        Self {
            wanted,
            ridge,
            azimuth,
        }
    }

    /// How far the farthest subject and the farthest piece of ridge lie outside.
    fn outside(&self, framing: &Framing) -> [f64; 2] {
        let eyes = framing.eyes(MARGIN);
        let subjects = self.wanted.subjects.iter().flat_map(|(_, places)| places);
        let most = |places: &mut dyn Iterator<Item = &[Angle; 2]>| {
            places.map(|place| eyes.outside_deg(*place)).fold(0.0, f64::max)
        };
        [most(&mut { subjects }), most(&mut self.ridge.iter())]
    }

    /// The same picture where it holds most.
    fn aim(&self, mut framing: Framing) -> Framing {
        framing.azimuth = self.azimuth;
        let ridge =
            self.ridge.iter().map(|place| place[1].deg()).sum::<f64>() / self.ridge.len().max(1) as f64;
        framing.altitude = Angle::from_deg(0.0);
        let [low, high] = framing.altitudes_deg();
        let liked = ridge - low - LAND * (high - low);
        let [first, last] = ALTITUDES;
        let coarse = self.best_altitude(framing, [first, last], STEPS[0], liked);
        let near = [coarse - STEPS[0], coarse + STEPS[0]];
        framing.altitude = Angle::from_deg(self.best_altitude(framing, near, STEPS[1], liked));
        framing
    }

    fn best_altitude(&self, mut framing: Framing, [from, to]: [f64; 2], step: f64, liked: f64) -> f64 {
        let count = ((to - from) / step).round() as usize;
        let tried = (0..=count).map(|n| from + step * n as f64).filter(|a| *a <= 90.0);
        let best = tried.min_by_key(|altitude| {
            framing.altitude = Angle::from_deg(*altitude);
            let [subject, ridge] = self
                .outside(&framing)
                .map(|deg| (deg / ROUNDING_DEG).round() as i64);
            // Where the subjects cannot all be in, the ridge counts as much as they.
            let outside = if subject == 0 {
                (0, ridge)
            } else {
                (1, subject + ridge)
            };
            (outside, ((altitude - liked).abs() * 1000.0).round() as i64)
        });
        best.unwrap_or(liked)
    }

    pub(super) fn fits(&self, framing: Framing) -> bool {
        self.outside(&self.aim(framing))
            .iter()
            .all(|deg| *deg <= ROUNDING_DEG)
    }

    /// All that the picture is to hold.
    fn names(&self) -> String {
        let subjects = self.wanted.subjects.iter().map(|(name, _)| name.clone());
        listed(subjects.chain(["the ridge below".to_owned()]))
    }

    fn lies_outside(&self, framing: &Framing, ridge: f64) -> String {
        let eyes = framing.eyes(MARGIN);
        let mut parts: Vec<String> = Vec::new();
        for (name, places) in self.wanted.subjects {
            let outside = places.iter().map(|p| eyes.outside_deg(*p)).fold(0.0, f64::max);
            if outside > ROUNDING_DEG {
                parts.push(format!("{name} {outside:.1}°"));
            }
        }
        if ridge > ROUNDING_DEG {
            parts.push(format!("the ridge {ridge:.1}°"));
        }
        let [wide, tall] = framing.field_deg();
        let what = match framing.frames {
            [1, 1] => format!("One frame of {wide:.0}° × {tall:.0}°"),
            [columns, rows] => format!("{columns} × {rows} frames of {wide:.0}° × {tall:.0}°"),
        };
        format!(
            "{what} cannot hold {} at once: outside the picture {} {}.",
            self.names(),
            if parts.len() == 1 { "lies" } else { "lie" },
            listed(parts.into_iter())
        )
    }

    /// What would hold everything, in a sentence; empty if nothing that is tried does.
    fn remedies(&self, framing: &Framing, aimed: bool) -> String {
        let mut ways = Vec::new();
        if aimed && self.fits(*framing) {
            let best = self.aim(*framing);
            ways.push(format!(
                "aimed at {:.0},{:.0}",
                best.azimuth.deg(),
                best.altitude.deg()
            ));
        }
        let turned = Framing {
            portrait: !framing.portrait,
            ..*framing
        };
        if ways.is_empty() && self.fits(turned) {
            ways.push(
                if turned.portrait {
                    "with the camera upright"
                } else {
                    "with the camera level"
                }
                .into(),
            );
        }
        if let (Some(share), Some(focal)) = (self.shorter(framing), self.wanted.focal_mm) {
            let mm = (focal * share).floor();
            ways.push(format!("with a lens of {} mm or shorter", short(mm)));
        }
        if let Some([columns, rows]) = self.more_frames(framing) {
            ways.push(format!(
                "in {columns} × {rows} frames (--frames {columns}x{rows})"
            ));
        }
        match ways.split_last() {
            None => String::new(),
            Some((last, [])) => format!("It fits {last}."),
            Some((last, others)) => format!("It fits {}, or {last}.", others.join(", ")),
        }
    }

    /// The longest focal length that holds everything, as a share of this one.
    fn shorter(&self, framing: &Framing) -> Option<f64> {
        let with = |share: f64| {
            let mut shorter = *framing;
            shorter.lens.focal_px *= share;
            shorter
        };
        if !self.fits(with(SHORTEST)) || self.fits(*framing) {
            return None;
        }
        let (mut fits, mut too_long) = (SHORTEST, 1.0);
        for _ in 0..8 {
            let share = (fits + too_long) / 2.0;
            if self.fits(with(share)) {
                fits = share;
            } else {
                too_long = share;
            }
        }
        Some(fits)
    }

    /// The fewest frames that hold everything, up to four times three.
    fn more_frames(&self, framing: &Framing) -> Option<[usize; 2]> {
        let mut all: Vec<[usize; 2]> = (1..=4).flat_map(|c| (1..=3).map(move |r| [c, r])).collect();
        all.sort_by_key(|[c, r]| (c * r, *r));
        let now = framing.frames;
        all.into_iter()
            .filter(|frames| frames[0] * frames[1] > now[0] * now[1])
            .find(|frames| {
                self.fits(Framing {
                    frames: *frames,
                    ..*framing
                })
            })
    }
}

/// Midway between the outermost azimuths, on the side where they are.
fn middle(places: &[[Angle; 2]]) -> Angle {
    let (sin, cos) = places.iter().fold((0.0, 0.0), |(sin, cos), [azimuth, _]| {
        (sin + azimuth.sin(), cos + azimuth.cos())
    });
    let mean = Angle::from_rad(f64::atan2(sin, cos));
    let apart = places
        .iter()
        .map(|[azimuth, _]| (*azimuth - mean).wrapped_180().deg());
    let (least, most) = apart.fold((0.0, 0.0), |(least, most): (f64, f64), a| {
        (least.min(a), most.max(a))
    });
    (mean + Angle::from_deg((least + most) / 2.0)).wrapped_360()
}

/// `a`, `a and b`, `a, b and c`.
fn listed(names: impl Iterator<Item = String>) -> String {
    let names: Vec<String> = names.collect();
    match names.split_last() {
        None => "nothing".into(),
        Some((last, [])) => last.clone(),
        Some((last, others)) => format!("{} and {last}", others.join(", ")),
    }
}
