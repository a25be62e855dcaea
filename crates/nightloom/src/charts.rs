//! Charts of a night written to files: the strip, the view over the skyline, the year.

use std::path::PathBuf;

use clap::Args;
use nightloom_chart::{
    Look, NightStrip, NightView, StarsOver, SubjectWay, ViewWindow, night_strip, night_view, two_nights,
    view_window,
};
use nightloom_optics::Lens;
use nightloom_outing::evening::Evening;
use nightloom_outing::framing::{Framing, Held, Places, ToHold, covering, hold};
use nightloom_outing::typed::{self, MomentTyped};
use nightloom_sky::night::{Night, NightSample, NightSky};
use nightloom_sky::subjects::{Subject, milky_way::Arch};
use nightloom_sky::{Angle, Instant};

use crate::failure::Failure;
use crate::out;
use crate::told::{RigArgs, sensor};

/// The chart's grid over the night: every five minutes of 24 hours.
const SAMPLES: usize = 289;
/// The sensor that is taken when none is told.
const USUAL_SENSOR: &str = "36x24";
/// A pixel only to count in; no chart depends on it.
const PIXEL_MM: f64 = 0.006;

/// Which charts to write, and how.
#[derive(Args, Clone, Debug)]
pub(crate) struct ChartArgs {
    /// Write the night as a strip, as SVG, PNG or PDF by the ending of the name.
    #[arg(long, value_name = "FILE", value_parser = crate::out::chart_name)]
    pub(crate) strip: Option<PathBuf>,
    /// Write the view over the skyline, as SVG, PNG or PDF by the ending of the name; with --focal also what the lens takes in.
    #[arg(long, value_name = "FILE", value_parser = crate::out::chart_name)]
    pub(crate) view: Option<PathBuf>,
    /// Red on black instead of black on white.
    #[arg(long)]
    pub(crate) red: bool,
    /// Focal length in mm, for the view.
    #[arg(long, value_name = "MM", value_parser = typed::focal_mm)]
    pub(crate) focal: Option<f64>,
    /// Width and height of the sensor in mm, or a format's name, for the view; the rig's, or else 36x24, when not given.
    #[arg(long, value_name = "WxH")]
    pub(crate) sensor: Option<String>,
    #[command(flatten)]
    pub(crate) rig: RigArgs,
    /// Azimuth and altitude of the picture's middle in degrees; so that it holds the subjects and the ridge below them
    /// when not given.
    #[arg(long, value_name = "AZ,ALT", value_parser = aim)]
    pub(crate) aim: Option<(f64, f64)>,
    /// The camera is held upright.
    #[arg(long)]
    pub(crate) portrait: bool,
    /// Frames across and rows up, for a panorama, like 5x2; auto for the fewest that hold the subjects and the ridge.
    #[arg(long, value_name = "CxR", default_value = "1x1", value_parser = frames)]
    pub(crate) frames: Frames,
    /// The moment that the view shows, by the site's clock: 23:40, or 2026-08-12T21:40:00Z; that for which the picture is aimed
    /// when not given.
    #[arg(long, value_name = "T", value_parser = typed::moment)]
    pub(crate) view_at: Option<MomentTyped>,
    /// What a frame has in common with its neighbour, in per cent.
    #[arg(long, value_name = "PERCENT", default_value = "30", value_parser = overlap, allow_hyphen_values = true)]
    pub(crate) overlap: f64,
}

pub(crate) fn overlap(text: &str) -> Result<f64, String> {
    match typed::per_cent(text) {
        Ok(overlap) if overlap <= 90.0 => Ok(overlap),
        Ok(_) => Err("expected per cent from 0 to 90, like 30".into()),
        Err(error) => Err(error.to_string()),
    }
}

pub(crate) fn aim(text: &str) -> Result<(f64, f64), String> {
    const EXPECTED: &str = "expected azimuth and altitude in degrees, like 205,22";
    let (azimuth, altitude) = text.split_once(',').ok_or(EXPECTED)?;
    match (azimuth.trim().parse::<f64>(), altitude.trim().parse::<f64>()) {
        (Ok(azimuth), Ok(altitude)) if azimuth.is_finite() && (-90.0..=90.0).contains(&altitude) => {
            Ok((azimuth.rem_euclid(360.0), altitude))
        }
        _ => Err(EXPECTED.into()),
    }
}

/// How many frames make the picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Frames {
    /// As few as hold everything.
    Auto,
    /// Across and up.
    Fixed([usize; 2]),
}

pub(crate) fn frames(text: &str) -> Result<Frames, String> {
    if text.trim().eq_ignore_ascii_case("auto") {
        return Ok(Frames::Auto);
    }
    let parts = text.split_once(['x', 'X', '×', '*']);
    let parsed = parts.and_then(|(across, up)| Some((across.trim().parse().ok()?, up.trim().parse().ok()?)));
    match parsed {
        Some((across @ 1..=60, up @ 1..=20)) => Ok(Frames::Fixed([across, up])),
        _ => Err("expected frames across by rows up, like 5x2, at most 60x20, or auto".into()),
    }
}

impl ChartArgs {
    /// The same without the strip.
    pub(crate) fn without_strip(&self) -> Self {
        Self {
            strip: None,
            ..self.clone()
        }
    }

    pub(crate) fn look(&self) -> Look {
        Look::red(self.red)
    }

    /// Writes what was asked for, says where, and gives what the picture holds if a lens is known.
    pub(crate) fn write(
        &self,
        evening: &Evening,
        sky: &NightSky<'_>,
        night: &Night,
        subjects: &[Subject],
        json: bool,
    ) -> Result<Option<Aimed>, Failure> {
        let drawn = Drawn::of(evening, sky, night, subjects)?;
        if let Some(file) = &self.strip {
            out::chart(file, &drawn.strip(self.look()), json)?;
        }
        if let Some(file) = &self.view {
            out::chart(file, &drawn.view(self, None, self.look())?.0, json)?;
        }
        drawn.aimed(self)
    }

    /// The lens over the sensor and its focal length, if one is known, aimed nowhere yet.
    fn framing(&self, evening: &Evening) -> Result<Option<(Framing, f64)>, Failure> {
        let rig = self.rig.or(&evening.settings.rig)?;
        let Some(focal) = self.focal.or(rig.focal_mm) else {
            return Ok(None);
        };
        let format = self.sensor.as_deref().or(rig.sensor.as_deref());
        let size_mm = sensor(format.unwrap_or(USUAL_SENSOR))?;
        Ok(Some((
            framing(focal, size_mm, self.portrait, self.overlap),
            focal,
        )))
    }
}

/// One frame of a lens over a sensor, aimed nowhere yet.
pub(crate) fn framing(focal_mm: f64, size_mm: [f64; 2], portrait: bool, overlap_percent: f64) -> Framing {
    let size_px = size_mm.map(|mm| (mm / PIXEL_MM).round());
    Framing {
        lens: Lens::rectilinear(focal_mm / PIXEL_MM, size_px[0] as usize, size_px[1] as usize),
        size_px,
        portrait,
        azimuth: Angle::from_deg(180.0),
        altitude: Angle::from_deg(0.0),
        frames: [1, 1],
        overlap: overlap_percent / 100.0,
    }
}

/// What a picture holds, and when.
#[derive(Clone, Debug, serde::Serialize)]
pub(crate) struct Aimed {
    /// The moment for which it is aimed.
    pub(crate) at: Instant,
    /// Frames across and up.
    pub(crate) frames: [usize; 2],
    /// What frames have in common, per cent.
    pub(crate) overlap_percent: f64,
    /// Azimuth and altitude of each frame's middle, row by row from below, degrees.
    pub(crate) frame_aims_deg: Vec<[f64; 2]>,
    #[serde(flatten)]
    pub(crate) held: Held,
}

/// A night and what its charts are drawn from.
pub(crate) struct Drawn<'a> {
    evening: &'a Evening,
    night: &'a Night,
    subjects: &'a [Subject],
    /// Of each subject; of none once, where there is none.
    samples: Vec<Vec<NightSample>>,
    place: String,
}

impl<'a> Drawn<'a> {
    pub(crate) fn of(
        evening: &'a Evening,
        sky: &NightSky<'_>,
        night: &'a Night,
        subjects: &'a [Subject],
    ) -> Result<Self, Failure> {
        let mut samples = Vec::new();
        for subject in subjects {
            samples.push(sky.samples(SAMPLES, Some(&sky.path_of(subject)?)));
        }
        if samples.is_empty() {
            samples.push(sky.samples(SAMPLES, None));
        }
        Ok(Self {
            evening,
            night,
            subjects,
            samples,
            place: evening.told(),
        })
    }

    fn ways(&self) -> Vec<SubjectWay<'_>> {
        let both = self.subjects.iter().zip(&self.samples);
        both.map(|(subject, samples)| SubjectWay {
            name: &subject.name,
            samples,
        })
        .collect()
    }

    pub(crate) fn strip(&self, look: Look) -> String {
        night_strip(&self.as_strip(&self.ways()), look)
    }

    /// This night and another, side by side.
    pub(crate) fn strip_beside(&self, right: &Drawn<'_>, look: Look) -> String {
        let (own, other) = (self.ways(), right.ways());
        two_nights(&self.as_strip(&own), &right.as_strip(&other), look)
    }

    fn as_strip<'s>(&'s self, ways: &'s [SubjectWay<'s>]) -> NightStrip<'s> {
        NightStrip {
            night: self.night,
            samples: &self.samples[0],
            subjects: ways,
            zone: &self.evening.hours,
            place: &self.place,
        }
    }

    /// The moment that pictures are aimed for: the subject's best, or that at which several are worth most together.
    pub(crate) fn moment(&self) -> Instant {
        let first = self.night.subjects.first();
        let alone = first
            .and_then(|s| s.best_at.or(s.culmination.map(|c| c.at)))
            .unwrap_or(self.night.window.midnight);
        if self.subjects.len() < 2 {
            return alone;
        }
        let grade = |n: usize| {
            let there = self
                .samples
                .iter()
                .map(|s| s[n].subject.filter(|s| s.altitude_deg >= s.skyline_deg));
            // The one that is worth least there decides.
            there
                .map(|s| s.map_or(0.0, |s| s.grade))
                .fold(f64::INFINITY, f64::min)
        };
        let best = (0..self.samples[0].len()).max_by(|a, b| grade(*a).total_cmp(&grade(*b)));
        match best.filter(|n| grade(*n) > 0.0) {
            Some(n) => self.samples[0][n].at,
            None => alone,
        }
    }

    /// A moment by the clock that is shown.
    pub(crate) fn clock(&self, at: Instant) -> String {
        nightloom_outing::evening::clock_short(&self.evening.hours, at)
    }

    /// From its first to its last moment.
    pub(crate) fn span(&self) -> [Instant; 2] {
        [self.night.window.from, self.night.window.to]
    }

    /// The moment that the view shows, which has to be of this night.
    pub(crate) fn shown_at(&self, args: &ChartArgs) -> Result<Instant, Failure> {
        let Some(told) = &args.view_at else {
            return Ok(self.moment());
        };
        let window = &self.night.window;
        let at = told
            .instant(&self.evening.zone.zone, Some(window.evening))
            .map_err(|e| Failure::said(format!("--view-at: {e}")))?;
        match (window.from..=window.to).contains(&at) {
            true => Ok(at),
            false => Err(Failure::said(format!(
                "--view-at: expected a moment of the night of {}, from {} to {}, found {at}",
                window.evening, window.from, window.to
            ))),
        }
    }

    /// What belongs to each subject at a moment, and which of them are not over the skyline then.
    pub(crate) fn places(&self, at: Instant) -> (Places, Vec<String>) {
        let (mut up, mut down) = (Places::new(), Vec::new());
        for (subject, samples) in self.subjects.iter().zip(&self.samples) {
            let away = |s: &&NightSample| s.at.seconds_since(at).abs();
            let then = samples.iter().min_by(|a, b| away(a).total_cmp(&away(b)));
            match then.and_then(|s| s.subject) {
                Some(s) if s.altitude_deg >= s.skyline_deg => {
                    let middle = [s.azimuth_deg, s.altitude_deg].map(Angle::from_deg);
                    let radius_deg = subject.size.map_or(0.0, |(long, _)| long.deg() / 2.0);
                    up.push((subject.name.clone(), round(middle, radius_deg)));
                }
                _ => down.push(subject.name.clone()),
            }
        }
        (up, down)
    }

    /// The picture aimed so that it holds what it is to hold; none where no lens is known.
    pub(crate) fn aimed(&self, args: &ChartArgs) -> Result<Option<Aimed>, Failure> {
        let Some((mut framing, focal)) = args.framing(self.evening)? else {
            return Ok(None);
        };
        let at = self.moment();
        let (places, down) = self.places(at);
        let wanted = ToHold {
            subjects: &places,
            skyline: &self.evening.standpoint.skyline,
            focal_mm: Some(focal),
        };
        framing.frames = match args.frames {
            Frames::Fixed(frames) => frames,
            Frames::Auto => enough(covering(framing, &wanted), &framing)?,
        };
        if let Some((azimuth, altitude)) = args.aim {
            (framing.azimuth, framing.altitude) = (Angle::from_deg(azimuth), Angle::from_deg(altitude));
        }
        let mut held = hold(framing, &wanted, args.aim.is_some());
        for name in down {
            held.holds = false;
            held.words += &format!(" {name} is not over the skyline then.");
        }
        Ok(Some(Aimed {
            at,
            frames: held.framing.frames,
            overlap_percent: args.overlap,
            frame_aims_deg: held
                .framing
                .aims()
                .into_iter()
                .map(|aim| aim.map(|a| a.deg()))
                .collect(),
            held,
        }))
    }

    /// The view, and what of the sky it shows: `window`, or what is to be seen.
    pub(crate) fn view(
        &self,
        args: &ChartArgs,
        window: Option<ViewWindow>,
        look: Look,
    ) -> Result<(String, ViewWindow, Option<Framing>), Failure> {
        let at = self.shown_at(args)?;
        let standpoint = &self.evening.standpoint;
        let arch = Arch::new(&standpoint.site.ground_from_icrs(at));
        let stars = StarsOver::at(&standpoint.site, &standpoint.air_there(), at);
        let aimed = self.aimed(args)?;
        let framing = aimed.as_ref().map(|a| a.held.framing);
        let place = self.evening.shows.with_hours(&self.place);
        let ways = self.ways();
        let mut shown = NightView {
            place: &place,
            subjects: &ways,
            skyline: &self.evening.standpoint.skyline,
            zone: &self.evening.hours,
            arch: Some(&arch),
            stars: Some(&stars),
            at: Some(at),
            framing,
            note: aimed.as_ref().map(|a| a.held.words.as_str()),
            window,
        };
        let window = window.unwrap_or_else(|| view_window(&shown));
        shown.window = Some(window);
        Ok((night_view(&shown, look), window, framing))
    }
}

/// The frames that hold everything, or why there are none.
pub(crate) fn enough(found: Option<[usize; 2]>, framing: &Framing) -> Result<[usize; 2], Failure> {
    found.ok_or_else(|| {
        let [wide, tall] = framing.field_deg();
        Failure::said(format!(
            "--frames auto: no panorama of up to 12x4 frames of {wide:.0}° × {tall:.0}° holds the subjects and the ridge below them; say how many frames, like --frames 6x2, or take a shorter lens"
        ))
    })
}

/// A place, or points round it as far as the subject reaches.
fn round([azimuth, altitude]: [Angle; 2], radius_deg: f64) -> Vec<[Angle; 2]> {
    if radius_deg < 0.5 {
        return vec![[azimuth, altitude]];
    }
    let around = (0..8).map(|n| {
        let (sin, cos) = (f64::from(n) * std::f64::consts::FRAC_PI_4).sin_cos();
        let up = (altitude.deg() + radius_deg * cos).clamp(-90.0, 90.0);
        let across = radius_deg * sin / altitude.cos().abs().max(0.1);
        [
            (azimuth + Angle::from_deg(across)).wrapped_360(),
            Angle::from_deg(up),
        ]
    });
    around.collect()
}
