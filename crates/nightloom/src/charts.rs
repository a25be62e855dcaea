//! Charts of a night written to files: the strip, the view over the skyline, the year.

use std::path::PathBuf;

use clap::Args;
use nightloom_optics::Lens;
use nightloom_outing::chart::{
    Framing, Look, NightStrip, NightView, ViewWindow, night_strip, night_view, view_window,
};
use nightloom_outing::evening::Evening;
use nightloom_outing::typed;
use nightloom_sky::Angle;
use nightloom_sky::night::{Night, NightSample, NightSky};
use nightloom_sky::subjects::{Subject, milky_way::Arch};

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
    /// Write the night as a strip, an SVG.
    #[arg(long, value_name = "FILE")]
    pub(crate) strip: Option<PathBuf>,
    /// Write the view over the skyline, an SVG; with --focal also what the lens takes in.
    #[arg(long, value_name = "FILE")]
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
    /// Azimuth and altitude of the picture's middle in degrees; at the subject's azimuth, with a quarter of
    /// the frame below the horizon, when not given.
    #[arg(long, value_name = "AZ,ALT", value_parser = aim)]
    pub(crate) aim: Option<(f64, f64)>,
    /// The camera is held upright.
    #[arg(long)]
    pub(crate) portrait: bool,
    /// Frames across and rows up, for a panorama.
    #[arg(long, value_name = "CxR", default_value = "1x1", value_parser = frames)]
    pub(crate) frames: (usize, usize),
    /// What a frame has in common with its neighbour, in per cent.
    #[arg(long, value_name = "PERCENT", default_value = "30", value_parser = overlap, allow_hyphen_values = true)]
    pub(crate) overlap: f64,
}

fn overlap(text: &str) -> Result<f64, String> {
    match typed::per_cent(text) {
        Ok(overlap) if overlap <= 90.0 => Ok(overlap),
        Ok(_) => Err("expected per cent from 0 to 90, like 30".into()),
        Err(error) => Err(error.to_string()),
    }
}

fn aim(text: &str) -> Result<(f64, f64), String> {
    const EXPECTED: &str = "expected azimuth and altitude in degrees, like 205,22";
    let (azimuth, altitude) = text.split_once(',').ok_or(EXPECTED)?;
    match (azimuth.trim().parse::<f64>(), altitude.trim().parse::<f64>()) {
        (Ok(azimuth), Ok(altitude)) if azimuth.is_finite() && (-90.0..=90.0).contains(&altitude) => {
            Ok((azimuth.rem_euclid(360.0), altitude))
        }
        _ => Err(EXPECTED.into()),
    }
}

fn frames(text: &str) -> Result<(usize, usize), String> {
    let parts = text.split_once(['x', '×']);
    let parsed = parts.and_then(|(across, up)| Some((across.parse().ok()?, up.parse().ok()?)));
    match parsed {
        Some((across @ 1..=60, up @ 1..=20)) => Ok((across, up)),
        _ => Err("expected frames across by rows up, like 5x2, at most 60x20".into()),
    }
}

impl ChartArgs {
    fn look(&self) -> Look {
        Look::red(self.red)
    }

    /// Writes what was asked for; says where.
    pub(crate) fn write(
        &self,
        evening: &Evening,
        sky: &NightSky<'_>,
        night: &Night,
        subjects: &[Subject],
        json: bool,
    ) -> Result<(), Failure> {
        if self.strip.is_none() && self.view.is_none() {
            return Ok(());
        }
        let drawn = Drawn::of(evening, sky, night, subjects)?;
        if let Some(file) = &self.strip {
            out::write(file, drawn.strip(self.look()).as_bytes(), json)?;
        }
        if let Some(file) = &self.view {
            out::write(file, drawn.view(self, None, self.look())?.0.as_bytes(), json)?;
        }
        Ok(())
    }

    /// The camera's frame, if a focal length is known.
    fn framing(&self, evening: &Evening, azimuth_deg: f64) -> Result<Option<Framing>, Failure> {
        let rig = self.rig.or(&evening.settings.rig)?;
        let Some(focal) = self.focal.or(rig.focal_mm) else {
            return Ok(None);
        };
        let format = self.sensor.as_deref().or(rig.sensor.as_deref());
        let size_px = sensor(format.unwrap_or(USUAL_SENSOR))?.map(|mm| (mm / PIXEL_MM).round());
        let lens = Lens::rectilinear(focal / PIXEL_MM, size_px[0] as usize, size_px[1] as usize);
        let mut framing = Framing {
            lens,
            size_px,
            portrait: self.portrait,
            azimuth: Angle::from_deg(azimuth_deg),
            altitude: Angle::from_deg(0.0),
            frames: [self.frames.0, self.frames.1],
            overlap: self.overlap / 100.0,
        };
        let quarter = framing.field_deg()[1] / 4.0;
        let (azimuth, altitude) = self.aim.unwrap_or((azimuth_deg, quarter));
        framing.azimuth = Angle::from_deg(azimuth);
        framing.altitude = Angle::from_deg(altitude);
        Ok(Some(framing))
    }
}

/// A night and what its charts are drawn from.
pub(crate) struct Drawn<'a> {
    evening: &'a Evening,
    night: &'a Night,
    subjects: &'a [Subject],
    samples: Vec<NightSample>,
    place: String,
}

impl<'a> Drawn<'a> {
    pub(crate) fn of(
        evening: &'a Evening,
        sky: &NightSky<'_>,
        night: &'a Night,
        subjects: &'a [Subject],
    ) -> Result<Self, Failure> {
        let path = subjects.first().map(|s| sky.path_of(s)).transpose()?;
        Ok(Self {
            evening,
            night,
            subjects,
            samples: sky.samples(SAMPLES, path.as_ref()),
            place: evening.told(),
        })
    }

    pub(crate) fn strip(&self, look: Look) -> String {
        let strip = NightStrip {
            night: self.night,
            samples: &self.samples,
            zone: &self.evening.hours,
            place: &self.place,
        };
        night_strip(&strip, look)
    }

    /// The view, and what of the sky it shows: `window`, or what is to be seen.
    pub(crate) fn view(
        &self,
        args: &ChartArgs,
        window: Option<ViewWindow>,
        look: Look,
    ) -> Result<(String, ViewWindow, Option<Framing>), Failure> {
        let first = self.night.subjects.first();
        let at = first
            .and_then(|s| s.best_at.or(s.culmination.map(|c| c.at)))
            .unwrap_or(self.night.window.midnight);
        let arch = Arch::new(&self.evening.standpoint.site.ground_from_icrs(at));
        let away = |s: &&NightSample| s.at.seconds_since(at).abs();
        let then = self.samples.iter().min_by(|a, b| away(a).total_cmp(&away(b)));
        let azimuth = then
            .and_then(|s| s.subject.as_ref())
            .map_or(180.0, |s| s.azimuth_deg);
        let framing = args.framing(self.evening, azimuth)?;
        let place = self.evening.shows.with_hours(&self.place);
        let mut shown = NightView {
            place: &place,
            subject: self.subjects.first().map(|s| s.name.as_str()),
            skyline: &self.evening.standpoint.skyline,
            samples: &self.samples,
            zone: &self.evening.hours,
            arch: Some(&arch),
            at: Some(at),
            framing,
            window,
        };
        let window = window.unwrap_or_else(|| view_window(&shown));
        shown.window = Some(window);
        Ok((night_view(&shown, look), window, framing))
    }
}
