//! `nightloom shots`.

use clap::{Args, ValueEnum};
use jiff::civil::{Date, Time};
use nightloom_optics::{StopsError, Written};
use nightloom_outing::shots::{
    Block, Cut, FlatLight, Hours, LandLightWanted, Run, ShotList, ShotSettings, ShotsError, shot_list,
};
use nightloom_sky::Instant;
use nightloom_sky::night::{Night, Span};
use serde_json::{Value, json};

use crate::cli::Common;
use crate::evening::{Evening, EveningError, PlaceArgs, clock_short, hours, line};
use crate::{Trouble, out};

/// Samples of the night's light: one in five minutes.
const SAMPLES: usize = 289;

/// Said beside every list: law and site first, then cold, dark and the road.
const CAUTIONS: [&str; 5] = [
    "Local law and the site's rules come first: closures, night access, lights, wildlife.",
    "Cold and dark slow the head: do the sums before, keep warm, eat and drink, know the ground by day.",
    "Carry two lights and a charged phone; keep from edges, water and roads while looking at a screen.",
    "Leave this plan with someone, with a time to turn back by, and turn back then.",
    "Do not drive tired: sleep first, or let someone else drive.",
];

/// `nightloom shots`.
#[derive(Args, Debug)]
pub(crate) struct ShotsArgs {
    #[command(flatten)]
    place: PlaceArgs,
    /// The date on which the night begins, by the site's clock.
    #[arg(long, value_name = "YYYY-MM-DD")]
    date: Option<Date>,
    /// A subject by name, HIP and a number, or RA,DEC in ICRS degrees: sky frames while it stands over the skyline.
    #[arg(long, value_name = "S")]
    subject: Option<String>,
    /// Take sky frames with the moon up too.
    #[arg(long)]
    moonlit: bool,
    /// Not away from home before this time, by the site's clock.
    #[arg(long, value_name = "HH:MM")]
    leave: Option<Time>,
    /// Back at the latest by this time, by the site's clock.
    #[arg(long, value_name = "HH:MM")]
    back: Option<Time>,
    #[command(flatten)]
    frames: FrameArgs,
    #[command(flatten)]
    pace: PaceArgs,
    #[command(flatten)]
    rough: RoughArgs,
    #[command(flatten)]
    pub(crate) common: Common,
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
    /// Number of sky frames; 12 when neither this nor the total is given.
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
    /// Exposure of a land frame, as 8s or "8s f/4 ISO100".
    #[arg(
        long,
        value_name = "SETTINGS",
        default_value = "8s",
        allow_hyphen_values = true
    )]
    land_exposure: String,
    /// Number of land frames.
    #[arg(long, value_name = "N", default_value_t = 4)]
    land_frames: u32,
    /// Light of the land frames.
    #[arg(long, value_name = "LIGHT", value_enum, default_value_t)]
    land_light: LandLightArg,
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
    #[arg(long, value_name = "LIGHT", value_enum, default_value_t)]
    flat_light: FlatLightArg,
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
    /// The temperature when you counted them, °C.
    #[arg(
        long,
        value_name = "C",
        default_value_t = 20.0,
        allow_negative_numbers = true,
        requires = "frames_per_charge"
    )]
    counted_at: f64,
    /// Temperature in the night, °C.
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    temperature: Option<f64>,
    /// Relative humidity in the night, percent; with the temperature it gives the dew point.
    #[arg(long, value_name = "PERCENT", requires = "temperature")]
    humidity: Option<f64>,
}

/// Light of the land frames.
#[derive(ValueEnum, Clone, Copy, Debug, Default)]
enum LandLightArg {
    /// Evening twilight.
    #[default]
    Dusk,
    /// Morning twilight.
    Dawn,
    /// The moon.
    Moon,
    /// The night's own, after the sky frames.
    Night,
}

/// Light of the flats.
#[derive(ValueEnum, Clone, Copy, Debug, Default)]
enum FlatLightArg {
    /// An evenly lit panel.
    #[default]
    Panel,
    /// The morning sky.
    Dawn,
}

impl From<LandLightArg> for LandLightWanted {
    fn from(light: LandLightArg) -> Self {
        match light {
            LandLightArg::Dusk => Self::Dusk,
            LandLightArg::Dawn => Self::Dawn,
            LandLightArg::Moon => Self::Moon,
            LandLightArg::Night => Self::Night,
        }
    }
}

impl From<FlatLightArg> for FlatLight {
    fn from(light: FlatLightArg) -> Self {
        match light {
            FlatLightArg::Panel => Self::Panel,
            FlatLightArg::Dawn => Self::Dawn,
        }
    }
}

/// No shot list.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ShotsTrouble {
    #[error(transparent)]
    Text(#[from] StopsError),
    #[error(transparent)]
    Shots(#[from] ShotsError),
    /// Something else than a time, or no time, where one is wanted.
    #[error("{field}: {text} is not a time alone; write it like 90s, 25min or 1/4")]
    NotATime { field: &'static str, text: String },
    /// Exposure settings without a time.
    #[error("{field}: {text} has no time; write it like 90s, or \"90s f/2.8 ISO1600\"")]
    NoTime { field: &'static str, text: String },
    /// The evening's hours are turned round.
    #[error(
        "--leave {leave} is not before --back {back} in the night from noon to noon; give an earlier time to leave or a later one to be back"
    )]
    Turned { leave: Time, back: Time },
}

pub(crate) fn run(args: &ShotsArgs) -> Result<Value, Trouble> {
    let settings = args.settings()?;
    let evening = args.place.resolve()?;
    let (night, found) = hours_of(args, &evening)?;
    let list = found.and_then(|hours| shot_list(&hours, &settings));
    let list = match list {
        Ok(list) => list,
        Err(error @ ShotsError::NoWindow { .. }) => {
            let sentence = error.to_string();
            let json = json!({
                "site": evening.json(), "evening": night.window.evening, "fits": false, "blocks": [],
                "short": [&sentence],
            });
            return Err(Trouble::No { json, sentence });
        }
        Err(error) => return Err(ShotsTrouble::from(error).into()),
    };
    let mut json = out::value(&list);
    json["site"] = evening.json();
    json["evening"] = json!(night.window.evening);
    json["cautions"] = json!(CAUTIONS);
    if !args.common.json {
        tell(&evening, &night, &list);
    }
    if list.fits {
        return Ok(json);
    }
    let sentence = no(&list);
    Err(Trouble::No { json, sentence })
}

/// The night asked for, and its hours if there are any for sky frames.
fn hours_of(args: &ShotsArgs, evening: &Evening) -> Result<(Night, Result<Hours, ShotsError>), Trouble> {
    let date = args.date.or(evening.settings.outing.evening);
    let date = date.ok_or(EveningError::NoDate)?;
    let asked: Vec<String> = args.subject.iter().cloned().collect();
    let subjects = evening.subjects(&asked).map_err(EveningError::from)?;
    let nights = evening.nights(date, date).map_err(EveningError::from)?;
    let sky = nights.sky(date).map_err(EveningError::from)?;
    let night = sky.night(&subjects).map_err(EveningError::from)?;
    let mut hours = Hours::of(&night, &sky.samples(SAMPLES, None), args.moonlit);
    if let Ok(hours) = &mut hours {
        hours.night = args.away(evening, &night)?;
    }
    Ok((night, hours))
}

impl ShotsArgs {
    /// From leaving at the earliest to being back at the latest.
    fn away(&self, evening: &Evening, night: &Night) -> Result<Span, ShotsTrouble> {
        let window = &night.window;
        let at = |time: Time| {
            let noon = jiff::civil::time(12, 0, 0, 0);
            let date = if time < noon {
                window.evening.tomorrow()
            } else {
                Ok(window.evening)
            };
            let zone = &evening.zone.zone;
            let zoned = date.and_then(|d| zone.to_zoned_datetime(d.to_datetime(time)));
            zoned.ok().map(|z| Instant::from_timestamp(z.timestamp()))
        };
        let span = Span {
            from: self.leave.and_then(at).unwrap_or(window.from),
            to: self.back.and_then(at).unwrap_or(window.to),
        };
        match (self.leave, self.back) {
            (Some(leave), Some(back)) if span.from >= span.to => Err(ShotsTrouble::Turned { leave, back }),
            _ => Ok(span),
        }
    }

    fn settings(&self) -> Result<ShotSettings, ShotsTrouble> {
        let (frames, pace, rough) = (&self.frames, &self.pace, &self.rough);
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
            sky: frames.sky()?,
            land: frames.run("--land-exposure", &frames.land_exposure, frames.land_frames)?,
            land_light: frames.land_light.into(),
            darks: frames.darks,
            flats: frames.run("--flat-exposure", &frames.flat_exposure, frames.flats)?,
            flat_light: frames.flat_light.into(),
            temperature_c: rough.temperature,
            humidity_percent: rough.humidity,
            ..ShotSettings::default()
        };
        settings.card.megapixels = rough.megapixels;
        settings.card.bits = rough.bits;
        settings.card.mb_per_frame = rough.mb_per_frame;
        settings.power.frames_per_charge = rough.frames_per_charge;
        settings.power.counted_at_c = rough.counted_at;
        Ok(settings)
    }
}

impl FrameArgs {
    fn sky(&self) -> Result<Run, ShotsTrouble> {
        let one = self.run(
            "--sky-exposure",
            &self.sky_exposure,
            self.sky_frames.unwrap_or(12),
        )?;
        let Some(total) = &self.sky_total else {
            return Ok(one);
        };
        let frames = (seconds("--sky-total", total)? / one.exposure_s - 1e-9).ceil();
        // A saturating cast; too many frames are refused by their number.
        Ok(one.with_frames(frames as u32))
    }

    fn run(&self, field: &'static str, text: &str, frames: u32) -> Result<Run, ShotsTrouble> {
        let written = Written::parse(field, text)?;
        let no_time = || ShotsTrouble::NoTime {
            field,
            text: text.into(),
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

/// A time alone. Nought is a pause too, though no exposure.
fn seconds(field: &'static str, text: &str) -> Result<f64, ShotsTrouble> {
    if ["0", "0s", "0min", "0h"].contains(&text.trim()) {
        return Ok(0.0);
    }
    let written = Written::parse(field, text)?;
    match written {
        Written {
            seconds: Some(seconds),
            f_number: None,
            iso: None,
            attachments,
        } if attachments.is_empty() => Ok(seconds),
        _ => Err(ShotsTrouble::NotATime {
            field,
            text: text.into(),
        }),
    }
}

fn no(list: &ShotList) -> String {
    let by = format!("the plan does not fit, by {:.0} min", list.short_by_min.ceil());
    let why = list.short.join("; ");
    let way_out = match &list.proposal {
        Some(cuts) => {
            let cuts: Vec<String> = cuts.iter().map(|c| format!("{} of the {}", c.frames, c.what.words())).collect();
            format!("it fits without {}", cuts.join(" and "))
        }
        None => "fewer frames alone do not make it fit: shorten the exposures or the pauses, choose another light, or another night".into(),
    };
    format!("{by} ({why}); {way_out}")
}

fn tell(evening: &Evening, night: &Night, list: &ShotList) {
    let zone = &evening.zone.zone;
    let at = |t| clock_short(zone, t);
    line(&format!(
        "The night of {} at {}",
        night.window.evening,
        evening.told()
    ));
    line(&evening.zone_told(night.window.from, night.window.to));
    let window = &list.window;
    line(&format!(
        "Window for the sky: {} to {}, {} ({})",
        at(window.from),
        at(window.to),
        hours(window.minutes()),
        list.window_is
    ));
    line("");
    line(&format!(
        "{:<7}{:<7}{:<17}{:>6}{:>10}{:>8}  {}",
        "from", "to", "what", "frames", "exposure", "gap", "note"
    ));
    for block in &list.blocks {
        line(&format!("{:<7}{:<7}{}", at(block.from), at(block.to), row(block)));
    }
    line("");
    tell_sums(list);
    if !list.drop_first.is_empty() {
        line("");
        line("If time runs short, drop in this order (common practice):");
        list.drop_first.iter().for_each(tell_cut);
    }
    line("");
    CAUTIONS.iter().for_each(|caution| line(caution));
}

fn row(block: &Block) -> String {
    let count = if block.count > 0 {
        block.count.to_string()
    } else {
        String::new()
    };
    let exposure = block.exposure_s.map_or(String::new(), short_seconds);
    let gap = block
        .gap_s
        .filter(|_| block.count > 1)
        .map_or(String::new(), short_seconds);
    format!(
        "{:<17}{count:>6}{exposure:>10}{gap:>8}  {}",
        block.kind.words(),
        block.note
    )
}

/// `90 s`, or `1/4 s` where that is how it is written.
fn short_seconds(seconds: f64) -> String {
    let whole = (1.0 / seconds).round();
    if seconds < 0.3 && (whole * seconds - 1.0).abs() < 1e-6 {
        return format!("1/{whole:.0} s");
    }
    format!("{} s", (seconds * 100.0).round() / 100.0)
}

fn tell_sums(list: &ShotList) {
    let totals = &list.totals;
    let row = |what: &str, text: String| line(&format!("{what:<12}{text}"));
    row(
        "sky",
        format!(
            "{} frames, {:.1} min of light",
            totals.sky_frames,
            totals.sky_s / 60.0
        ),
    );
    let spare = list.spare_min;
    let left = if spare < 0.0 {
        "over the window"
    } else {
        "left in the window"
    };
    row("in hand", format!("{} {left}", hours(spare.abs())));
    row("away", hours(totals.away_min));
    row(
        "card",
        format!(
            "{:.1} GB for {} frames ({})",
            list.card_gb, totals.frames, list.card.basis
        ),
    );
    row(
        "batteries",
        format!(
            "{}, {:.1} used ({})",
            list.batteries, list.power.charges, list.power.basis
        ),
    );
    if let Some(dew) = &list.dew {
        row(
            "dew point",
            format!("{:.1} °C, {:.1} °C below the air", dew.dew_point_c, dew.margin_c),
        );
    }
    list.warnings
        .iter()
        .for_each(|warning| row("mind", warning.clone()));
}

fn tell_cut(cut: &Cut) {
    line(&format!(
        "  {:<12}up to {:>3}, {:>5.1} min: {}",
        cut.what.words(),
        cut.frames,
        cut.saves_min,
        cut.why
    ));
}
