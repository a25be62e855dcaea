//! The panorama that the sky frames make.

use clap::Args;
use nightloom_outing::evening::Evening;
use nightloom_outing::framing::{Panorama, PanoramaPace, ToHold, covering, hold, panorama};
use nightloom_outing::typed;
use nightloom_sky::Angle;

use super::args::Asked;
use crate::charts::{Drawn, Frames, aim, enough, frames, framing, overlap};
use crate::failure::Failure;
use crate::told::{sensor, time_alone};

/// The sensor that is taken when none is told.
const USUAL_SENSOR: &str = "36x24";

/// How the frames lie beside each other.
#[derive(Args, Debug)]
pub(super) struct PanoramaArgs {
    /// Take the sky frames as a panorama: frames across and rows up, like 5x2, or auto for the fewest that hold the
    /// subjects and the ridge. --sky-frames is their number at each stand, 1 when not given.
    #[arg(long, value_name = "CxR", value_parser = frames)]
    pub(super) panorama: Option<Frames>,
    /// What a frame has in common with its neighbour, in per cent.
    #[arg(long, value_name = "PERCENT", default_value = "30", value_parser = overlap, allow_hyphen_values = true, requires = "panorama")]
    overlap: f64,
    /// The camera is held upright.
    #[arg(long, requires = "panorama")]
    portrait: bool,
    /// Focal length in mm; the rig's when not given.
    #[arg(long, value_name = "MM", value_parser = typed::focal_mm, requires = "panorama")]
    focal: Option<f64>,
    /// Width and height of the sensor in mm, or a format's name; the rig's, or else 36x24, when not given.
    #[arg(long, value_name = "WxH", requires = "panorama")]
    sensor: Option<String>,
    /// Azimuth and altitude of the panorama's middle in degrees; so that it holds the subjects and the ridge below them
    /// when not given.
    #[arg(long, value_name = "AZ,ALT", value_parser = aim, requires = "panorama")]
    aim: Option<(f64, f64)>,
    /// Turning the head to the next frame, with settling.
    #[arg(
        long,
        value_name = "TIME",
        default_value = "15s",
        allow_hyphen_values = true,
        requires = "panorama"
    )]
    head_takes: String,
}

impl PanoramaArgs {
    pub(super) fn turn_s(&self) -> Result<f64, Failure> {
        time_alone("--head-takes", &self.head_takes)
    }

    /// The panorama frame by frame, if one is asked for.
    pub(super) fn of(
        &self,
        drawn: &Drawn<'_>,
        evening: &Evening,
        asked: &Asked,
    ) -> Result<Option<Panorama>, Failure> {
        let Some(wanted_frames) = self.panorama else {
            return Ok(None);
        };
        let focal = self.focal.or(asked.rig.focal_mm).ok_or_else(|| {
            Failure::said(
                "--panorama needs the focal length; give --focal, like --focal 24, or --rig and a name",
            )
        })?;
        let format = self.sensor.as_deref().or(asked.rig.sensor.as_deref());
        let size_mm = sensor(format.unwrap_or(USUAL_SENSOR))?;
        let mut framing = framing(focal, size_mm, self.portrait, self.overlap);
        let (places, _) = drawn.places(drawn.moment());
        if places.is_empty() && self.aim.is_none() {
            return Err(Failure::said(
                "--panorama does not know where to point; give --subject, like --subject \"Milky Way core\", or --aim 180,20",
            ));
        }
        let skyline = &evening.standpoint.skyline;
        let to_hold = ToHold {
            subjects: &places,
            skyline,
            focal_mm: Some(focal),
        };
        framing.frames = match wanted_frames {
            Frames::Fixed(frames) => frames,
            Frames::Auto => enough(covering(framing, &to_hold), &framing)?,
        };
        if let Some((azimuth, altitude)) = self.aim {
            (framing.azimuth, framing.altitude) = (Angle::from_deg(azimuth), Angle::from_deg(altitude));
        }
        let held = hold(framing, &to_hold, self.aim.is_some());
        let sky = &asked.settings.sky;
        let pace = PanoramaPace {
            frames_each: sky.frames,
            exposure_s: sky.exposure_s,
            gap_s: sky.gap_s,
            turn_s: self.turn_s()?,
        };
        let mut made = panorama(&held.framing, &pace, evening.standpoint.site.latitude);
        if !places.is_empty() {
            made.words.push(held.words);
        }
        Ok(Some(made))
    }
}
