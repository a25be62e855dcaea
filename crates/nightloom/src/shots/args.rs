//! Options of the shot list, and the settings they come to.

use clap::Args;
use nightloom_optics::Written;
use nightloom_outing::evening::Shows;
use nightloom_outing::shots::{
    FlatLight, Hours, LandLightWanted, Run, ShotList, ShotSettings, ShotsError, shot_list,
};

use nightloom_outing::{RigSettings, typed};

use crate::failure::Failure;
use crate::kept::temperature_c;
use crate::told::{RigArgs, one_of, time_alone as seconds};

/// The light that is asked for.
#[derive(Clone, Copy, Debug)]
enum LandLight {
    /// Dusk or dawn.
    Auto,
    Of(LandLightWanted),
}

/// Light of the land frames.
const LAND_LIGHTS: [(&str, &str, LandLight); 5] = [
    (
        "auto",
        "Dusk or dawn, as less waiting for the sky frames asks",
        LandLight::Auto,
    ),
    ("dusk", "Evening twilight", LandLight::Of(LandLightWanted::Dusk)),
    ("dawn", "Morning twilight", LandLight::Of(LandLightWanted::Dawn)),
    ("moon", "The moon", LandLight::Of(LandLightWanted::Moon)),
    (
        "night",
        "The night's own, after the sky frames",
        LandLight::Of(LandLightWanted::Night),
    ),
];
/// Light of the flats.
const FLAT_LIGHTS: [(&str, &str, FlatLight); 2] = [
    ("panel", "An evenly lit panel", FlatLight::Panel),
    ("dawn", "The morning sky", FlatLight::Dawn),
];

/// Everything that is wanted of the night.
#[derive(Args, Debug)]
pub(super) struct PlanArgs {
    #[command(flatten)]
    frames: FrameArgs,
    #[command(flatten)]
    pace: PaceArgs,
    #[command(flatten)]
    rough: RoughArgs,
    #[command(flatten)]
    rig: RigArgs,
}

/// What is taken.
#[derive(Args, Debug)]
struct FrameArgs {
    /// Exposure of a sky frame, as 90s or "90s f/2.8 ISO1600".
    #[arg(
        long,
        value_name = "SETTINGS",
        default_value = "90s",
        allow_hyphen_values = true
    )]
    sky_exposure: String,
    /// Number of sky frames; 12, or 1 at each stand of a panorama, when neither this nor the total is given.
    #[arg(long, value_name = "N", conflicts_with = "sky_total")]
    sky_frames: Option<u32>,
    /// Exposure of all sky frames together, as 40min: their number comes from it.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true)]
    sky_total: Option<String>,
    /// Pause between two frames, for the camera to write.
    #[arg(long, value_name = "TIME", default_value = "4s", allow_hyphen_values = true)]
    gap: String,
    /// Test frames before the sky frames.
    #[arg(long, value_name = "N", default_value_t = 2)]
    test_frames: u32,
    /// Exposure of a land frame, as 8s or "8s f/4 ISO100"; "f/4 ISO100" alone takes the time from the light.
    #[arg(
        long,
        value_name = "SETTINGS",
        default_value = "8s",
        allow_hyphen_values = true
    )]
    land_exposure: String,
    /// Number of land frames; 4, or as many as the light asks for with --land-exposure "f/4 ISO100", when not given.
    #[arg(long, value_name = "N")]
    land_frames: Option<u32>,
    /// Light of the land frames.
    #[arg(long, value_name = "LIGHT", value_parser = one_of(&LAND_LIGHTS), default_value = "auto")]
    land_light: LandLight,
    /// Number of darks, at the sky frames' exposure and ISO.
    #[arg(long, value_name = "N", default_value_t = 6)]
    darks: u32,
    /// Number of flats.
    #[arg(long, value_name = "N", default_value_t = 6)]
    flats: u32,
    /// Exposure of a flat, as 1/4.
    #[arg(long, value_name = "TIME", default_value = "1/4", allow_hyphen_values = true)]
    flat_exposure: String,
    /// Light of the flats.
    #[arg(long, value_name = "LIGHT", value_parser = one_of(&FLAT_LIGHTS), default_value = "panel")]
    flat_light: FlatLight,
}

/// How long things take.
#[derive(Args, Debug)]
struct PaceArgs {
    /// The walk in, and back, as 25min; 0s for none.
    #[arg(
        long,
        value_name = "TIME",
        default_value = "25min",
        allow_hyphen_values = true
    )]
    walk: String,
    /// Setting up and framing.
    #[arg(
        long,
        value_name = "TIME",
        default_value = "40min",
        allow_hyphen_values = true
    )]
    set_up: String,
    /// Setting the tracker's axis.
    #[arg(
        long,
        value_name = "TIME",
        default_value = "15min",
        allow_hyphen_values = true
    )]
    align: String,
    /// Time between two re-checks of focus, axis and dew; 0s for none.
    #[arg(
        long,
        value_name = "TIME",
        default_value = "30min",
        allow_hyphen_values = true
    )]
    recheck: String,
    /// What a re-check takes.
    #[arg(long, value_name = "TIME", default_value = "3min", allow_hyphen_values = true)]
    recheck_takes: String,
    /// Sky frames between two dither nudges by hand; 0 for none.
    #[arg(long, value_name = "K", default_value_t = 4)]
    nudge_every: u32,
    /// What a nudge takes, with settling.
    #[arg(long, value_name = "TIME", default_value = "30s", allow_hyphen_values = true)]
    nudge_takes: String,
    /// Turning the camera to the land after the sky, or to the next subject.
    #[arg(long, value_name = "TIME", default_value = "2min", allow_hyphen_values = true)]
    turn_takes: String,
    /// Packing up; darks are taken meanwhile.
    #[arg(
        long,
        value_name = "TIME",
        default_value = "20min",
        allow_hyphen_values = true
    )]
    pack_up: String,
}

/// Card, batteries and dew.
#[derive(Args, Debug)]
struct RoughArgs {
    /// Millions of pixels of the sensor.
    #[arg(long, value_name = "MPX", default_value_t = 24.0)]
    megapixels: f64,
    /// Bits a pixel.
    #[arg(long, value_name = "BITS", default_value_t = 14.0)]
    bits: f64,
    /// Your own figure for one frame, megabytes; goes before pixels and bits.
    #[arg(long, value_name = "MB")]
    mb_per_frame: Option<f64>,
    /// Your own count of sky frames on one charge.
    #[arg(long, value_name = "N")]
    frames_per_charge: Option<f64>,
    /// The temperature when you counted them, like 20C or 68F.
    #[arg(
        long,
        value_name = "DEGREES",
        default_value = "20C",
        value_parser = temperature_c,
        allow_hyphen_values = true,
        requires = "frames_per_charge"
    )]
    counted_at: f64,
    /// Temperature in the night, like -5, -5C or 23F.
    #[arg(long, value_name = "DEGREES", value_parser = temperature_c, allow_hyphen_values = true)]
    temperature: Option<f64>,
    /// Relative humidity in the night, percent; with the temperature it gives the dew point.
    #[arg(long, value_name = "PERCENT", value_parser = typed::per_cent, requires = "temperature")]
    humidity: Option<f64>,
}

/// Everything that was asked for.
pub(super) struct Asked {
    pub(super) settings: ShotSettings,
    /// Aperture and ISO of the land frames, if the light is to give their time.
    land_by_light: Option<(f64, f64)>,
    /// Their number as it was asked for.
    land_frames: Option<u32>,
    /// Their light as it was asked for.
    land_light: LandLight,
    /// The rig.
    pub(super) rig: RigSettings,
}

impl Asked {
    /// The settings that one night's hours come to, and the list.
    pub(super) fn list(&self, hours: &Hours) -> Result<(ShotSettings, ShotList), ShotsError> {
        let mut settings = self.settings.clone();
        settings.land_light = match self.land_light {
            LandLight::Auto => hours.land_at_less_wait(),
            LandLight::Of(light) => light,
        };
        let mut fewer = None;
        if let Some((f_number, iso)) = self.land_by_light {
            let asks_for = hours.land_run(settings.land_light, settings.land, f_number, iso)?;
            settings.land = asks_for.unwrap_or(settings.land);
            // What is asked for stays; what the light asks for is said.
            if let Some(asked) = self.land_frames.filter(|n| *n < settings.land.frames) {
                fewer = Some(fewer_than_light(&settings.land, asked));
                settings.land.frames = asked;
            }
        }
        let mut list = shot_list(hours, &settings)?;
        list.warnings.extend(fewer);
        Ok((settings, list))
    }
}

fn fewer_than_light(asks_for: &Run, asked: u32) -> String {
    let stops = if asked == 0 {
        String::new()
    } else {
        format!(
            ", {:.1} stops more",
            (f64::from(asks_for.frames) / f64::from(asked)).log2()
        )
    };
    format!(
        "{asked} land frames are planned as asked; the light asks for {} × {:.0} s{stops}",
        asks_for.frames, asks_for.exposure_s
    )
}

impl PlanArgs {
    pub(super) fn asked(
        &self,
        of_outing: &RigSettings,
        shows: Shows,
        panorama: bool,
    ) -> Result<Asked, Failure> {
        let rig = self.rig.or(of_outing)?;
        let (frames, pace, rough) = (&self.frames, &self.pace, &self.rough);
        let (land, land_by_light) = frames.land()?;
        let mut settings = ShotSettings {
            walk_s: seconds("--walk", &pace.walk)?,
            set_up_s: seconds("--set-up", &pace.set_up)?,
            align_s: seconds("--align", &pace.align)?,
            recheck_every_s: seconds("--recheck", &pace.recheck)?,
            recheck_s: seconds("--recheck-takes", &pace.recheck_takes)?,
            nudge_every: pace.nudge_every,
            nudge_s: seconds("--nudge-takes", &pace.nudge_takes)?,
            pack_up_s: seconds("--pack-up", &pace.pack_up)?,
            test_frames: frames.test_frames,
            sky: frames.sky(if panorama { 1 } else { 12 })?,
            land,
            darks: frames.darks,
            flats: frames.run("--flat-exposure", &frames.flat_exposure, frames.flats)?,
            flat_light: frames.flat_light,
            temperature_c: rough.temperature,
            humidity_percent: rough.humidity,
            fahrenheit: shows.fahrenheit,
            ..ShotSettings::default()
        };
        settings.card.megapixels = rough.megapixels;
        settings.card.bits = rough.bits;
        settings.card.mb_per_frame = rough.mb_per_frame.or(rig.mb_per_frame);
        settings.power.frames_per_charge = rough.frames_per_charge.or(rig.frames_per_charge);
        settings.power.counted_at_c = rough.counted_at;
        settings.power.fahrenheit = shows.fahrenheit;
        settings.turn_s = seconds("--turn-takes", &pace.turn_takes)?;
        Ok(Asked {
            settings,
            land_by_light,
            land_frames: frames.land_frames,
            land_light: frames.land_light,
            rig,
        })
    }
}

impl FrameArgs {
    fn sky(&self, usual: u32) -> Result<Run, Failure> {
        let one = self.run(
            "--sky-exposure",
            &self.sky_exposure,
            self.sky_frames.unwrap_or(usual),
        )?;
        let Some(total) = &self.sky_total else {
            return Ok(one);
        };
        let frames = (seconds("--sky-total", total)? / one.exposure_s - 1e-9).ceil();
        // A saturating cast; too many frames are refused by their number.
        Ok(one.with_frames(frames as u32))
    }

    /// The land frames; with aperture and ISO alone, those too, and the time is to come from the light.
    fn land(&self) -> Result<(Run, Option<(f64, f64)>), Failure> {
        let (field, text) = ("--land-exposure", &self.land_exposure);
        let written = Written::parse(field, text)?;
        let by_light = written
            .f_number
            .zip(written.iso)
            .filter(|_| written.seconds.is_none());
        let frames = self.land_frames.unwrap_or(4);
        if by_light.is_none() {
            return Ok((self.run(field, text, frames)?, None));
        }
        let gap_s = seconds("--gap", &self.gap)?;
        let of_default = ShotSettings::default().land.exposure_s;
        Ok((Run::of(frames, of_default, gap_s), by_light))
    }

    fn run(&self, field: &'static str, text: &str, frames: u32) -> Result<Run, Failure> {
        let written = Written::parse(field, text)?;
        let no_time = || {
            Failure::said(format!(
                "{field}: {text} has no time; write it like 90s, or 90s f/2.8 ISO1600"
            ))
        };
        Ok(Run {
            frames,
            exposure_s: written.seconds.ok_or_else(no_time)?,
            gap_s: seconds("--gap", &self.gap)?,
            f_number: written.f_number,
            iso: written.iso,
        })
    }
}
