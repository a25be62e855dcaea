//! The whole answer.

use nightloom_sky::night::Span;
use serde::Serialize;

use super::ShotsError;
use super::block::{Block, BlockKind};
use super::card::{Card, card};
use super::dew::{DEW_MARGIN_C, Dew, dew};
use super::drop::{Cut, order, proposal};
use super::hours::Hours;
use super::lay::lay;
use super::power::{Power, power};
use super::settings::{Run, ShotSettings};
use crate::evening::Shows;

/// The night in order, with what it takes.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ShotList {
    /// The window for the sky frames.
    pub window: Span,
    /// What that is.
    pub window_is: String,
    /// Everything in order; nothing overlaps.
    pub blocks: Vec<Block>,
    /// Sums.
    pub totals: ShotTotals,
    /// Card space, gigabytes.
    pub card_gb: f64,
    /// What that rests on.
    pub card: Card,
    /// Batteries to bring.
    pub batteries: u32,
    /// What that rests on.
    pub power: Power,
    /// The dew point, if temperature and humidity are known.
    pub dew: Option<Dew>,
    /// Whether everything has room.
    pub fits: bool,
    /// What has the most too little room lacks so many minutes; 0 if all fits.
    pub short_by_min: f64,
    /// Minutes left in the window after the last sky frame; below zero if they run over it.
    pub spare_min: f64,
    /// What has no room, in sentences.
    pub short: Vec<String>,
    /// What to drop first, in order, with the most that each can give.
    pub drop_first: Vec<Cut>,
    /// The least to drop so that the rest fits; none if all fits, or nothing helps.
    pub proposal: Option<Vec<Cut>>,
    /// What to mind.
    pub warnings: Vec<String>,
}

/// Sums over the list.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ShotTotals {
    /// Frames of every kind.
    pub frames: u32,
    /// Sky frames.
    pub sky_frames: u32,
    /// Seconds of light from the sky.
    pub sky_s: f64,
    /// Land frames.
    pub land_frames: u32,
    /// Darks.
    pub darks: u32,
    /// Flats.
    pub flats: u32,
    /// From leaving to being back, minutes.
    pub away_min: f64,
    /// With the camera on, minutes.
    pub camera_on_min: f64,
}

/// The shot list of one night.
///
/// # Errors
/// A number that cannot be, or an exposure that is longer than the time for it.
pub fn shot_list(hours: &Hours, settings: &ShotSettings) -> Result<ShotList, ShotsError> {
    settings.check()?;
    room_for_one(hours, settings)?;
    let mut laid = lay(hours, settings);
    // Subjects in one picture if there is time for it, else one after the other.
    let apart = hours.one_by_one().filter(|_| !laid.fits() && !hours.one_by_one);
    let apart = apart.filter(|apart| lay(apart, settings).fits());
    let hours = match &apart {
        Some(apart) => {
            laid = lay(apart, settings);
            apart
        }
        None => hours,
    };
    let fits = laid.fits();
    let totals = totals(&laid.blocks);
    let card = card(totals.frames, &settings.card);
    let power = power(
        totals.camera_on_min * 60.0,
        &settings.sky,
        settings.temperature_c,
        &settings.power,
    );
    let dew = settings.air().map(dew).transpose()?;
    let short = laid.late.iter().map(|l| l.what.clone()).collect();
    Ok(ShotList {
        window: hours.sky,
        window_is: hours.sky_is.clone(),
        card_gb: card.gb,
        batteries: power.batteries,
        fits,
        short_by_min: laid.short_by_min(),
        spare_min: laid.spare_min,
        short,
        drop_first: order(settings),
        proposal: if fits { None } else { proposal(hours, settings) },
        warnings: dew
            .iter()
            .filter(|d| d.warn)
            .map(|d| dew_warning(d, settings.fahrenheit))
            .collect(),
        blocks: laid.blocks,
        totals,
        card,
        power,
        dew,
    })
}

/// An exposure longer than its window is a slip, and no drop helps.
fn room_for_one(hours: &Hours, settings: &ShotSettings) -> Result<(), ShotsError> {
    let longer = |field: &'static str, run: &Run, room: &str, span: &Span| {
        if run.frames == 0 || run.exposure_s / 60.0 <= span.minutes() {
            return Ok(());
        }
        Err(ShotsError::TooLong {
            field,
            exposure_min: run.exposure_s / 60.0,
            room: room.into(),
            room_min: span.minutes(),
        })
    };
    let window = format!("the window for it ({})", hours.sky_is);
    longer("sky", &settings.sky, &window, &hours.sky)?;
    longer("land", &settings.land, "the whole night", &hours.night)?;
    longer("flat", &settings.flats, "the whole night", &hours.night)
}

fn dew_warning(dew: &Dew, fahrenheit: bool) -> String {
    let shows = Shows {
        fahrenheit,
        ..Shows::default()
    };
    format!(
        "only {} above the dew point, less than {}: heat the lens from the start and look at the glass at every re-check",
        shows.warmer(dew.margin_c),
        shows.warmer(DEW_MARGIN_C)
    )
}

fn totals(blocks: &[Block]) -> ShotTotals {
    let count = |kind: BlockKind| blocks.iter().filter(|b| b.kind == kind).map(|b| b.count).sum();
    let sky = blocks.iter().filter(|b| b.kind == BlockKind::Sky);
    let on =
        |b: &&Block| b.count > 0 || matches!(b.kind, BlockKind::Recheck | BlockKind::Nudge | BlockKind::Turn);
    let away = blocks.first().zip(blocks.last());
    ShotTotals {
        frames: blocks.iter().map(|b| b.count).sum(),
        sky_frames: count(BlockKind::Sky),
        sky_s: sky
            .map(|b| f64::from(b.count) * b.exposure_s.unwrap_or(0.0))
            .sum(),
        land_frames: count(BlockKind::Land),
        darks: count(BlockKind::Dark),
        flats: count(BlockKind::Flat),
        away_min: away.map_or(0.0, |(a, b)| b.to.seconds_since(a.from) / 60.0),
        camera_on_min: blocks.iter().filter(on).map(Block::minutes).sum(),
    }
}
