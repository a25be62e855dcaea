//! What the sheet says.

use jiff::civil::Date;
use nightloom_sky::night::Span;
use serde::Serialize;

use super::faults::FAULTS;
use super::fold::{MOST, folded};
use super::ladders::{self, LadderOf};
use super::moments::{self, Moment};
use super::plain::plain;
use super::pole_help;
use super::pole_table::PoleTable;
use super::words::{self, fill};
use super::zone::{Offset, SiteClock};
use super::{NightFault, Planned, SheetError};
use crate::evening::hours;
use crate::framing::{Panorama, PanoramaFrame};
use crate::hash_bytes;
use crate::shots::{
    Block, BlockKind, CAUTIONS, Cut, FlatLight, LandLightWanted, ShotSettings, ShotTotals, short_seconds,
};

/// Everything on the sheet.
#[derive(Serialize)]
pub struct Content {
    /// Tells this sheet from others: the same content has the same name.
    pub id: String,
    /// The outing's name.
    pub title: String,
    /// The two dates, in words.
    pub night_of: String,
    /// The date on which the night begins.
    pub evening: Date,
    /// The place, in words.
    pub place: String,
    /// The subjects' names.
    pub subject: Option<String>,
    /// The zone, in words.
    pub zone: String,
    /// Its offsets from UTC through the night.
    pub offsets: Vec<Offset>,
    /// Tells instants in the zone.
    #[serde(skip)]
    pub clock: SiteClock,
    /// Noon to noon.
    pub night: Span,
    /// When sky frames can be taken.
    pub window: Span,
    /// The same, in words.
    pub window_told: String,
    /// Whether the plan fits.
    pub fits: bool,
    /// What has no room, in sentences.
    pub short: Vec<String>,
    /// What to mind.
    pub warnings: Vec<String>,
    /// The shot list.
    pub steps: Vec<SheetStep>,
    /// The panorama's frames to tick, in their order; empty where none is asked for.
    pub panorama: Vec<String>,
    /// Its size, order and the way of the sky, in sentences.
    pub panorama_told: Vec<String>,
    /// What happens in the sky.
    pub moments: Vec<Moment>,
    /// Sums over the list.
    pub totals: ShotTotals,
    /// The same, in sentences.
    pub sums: Vec<String>,
    /// What to drop if time runs short, in order.
    pub drop_first: Vec<Cut>,
    /// Equivalents of the exposures.
    pub ladders: Vec<LadderOf>,
    /// Where the pole star stands.
    pub pole: PoleTable,
    /// How to find the pole.
    pub pole_help: Vec<String>,
    /// What test frames show.
    pub faults: &'static [NightFault],
    /// What to pack.
    pub pack: Vec<String>,
    /// The set-up, in order.
    pub set_up: Vec<String>,
    /// What is looked at again.
    pub recheck: Vec<String>,
    /// How often.
    pub recheck_when: String,
    /// Said on every sheet.
    pub cautions: Vec<String>,
}

/// One line of the shot list.
#[derive(Serialize)]
pub struct SheetStep {
    /// The line.
    #[serde(flatten)]
    pub block: Block,
    /// What it is, in words.
    pub words: &'static str,
    /// Frames and settings in words; empty where none are taken.
    pub detail: String,
    /// Whether it can be put off by minutes; what waits for a light in the sky cannot.
    pub moves: bool,
}

impl Content {
    /// The sheet of a plan.
    ///
    /// # Errors
    /// A list too long for a sheet, or settings that cannot be.
    pub fn of(planned: &Planned) -> Result<Self, SheetError> {
        let Planned {
            evening,
            night,
            settings,
            list,
            panorama,
        } = planned;
        let clock = SiteClock::new(&evening.zone.zone);
        let span = Span {
            from: night.window.from,
            to: night.window.to,
        };
        let names: Vec<String> = night.subjects.iter().map(|s| plain(&s.name)).collect();
        let subject = Some(names.join(", ")).filter(|names| !names.is_empty());
        let blocks = folded(&list.blocks, settings.nudge_every);
        if blocks.len() > MOST {
            return Err(SheetError::TooManyLines {
                lines: blocks.len(),
                most: MOST,
            });
        }
        let mut content = Self {
            id: String::new(),
            title: title(evening.settings.outing.name.as_deref()),
            night_of: night_of(night.window.evening),
            evening: night.window.evening,
            place: evening.told(),
            zone: clock.told(&evening.zone.name, span),
            offsets: clock.offsets(span),
            night: span,
            window: list.window,
            window_told: window_told(&clock, &list.window, &plain(&list.window_is)),
            fits: list.fits,
            short: list.short.iter().map(|s| sentence(&plain(s))).collect(),
            warnings: list.warnings.iter().map(|w| sentence(w)).collect(),
            steps: blocks.iter().map(|block| step(block, settings)).collect(),
            panorama: panorama.as_ref().map_or(Vec::new(), panorama_ticks),
            panorama_told: panorama.as_ref().map_or(Vec::new(), panorama_told),
            moments: moments::of(night),
            totals: list.totals.clone(),
            sums: sums(planned, &clock),
            drop_first: list.drop_first.clone(),
            ladders: ladders::of(settings, &list.blocks)?,
            pole: PoleTable::over(&evening.standpoint, span)?,
            pole_help: pole_help::of(planned)?,
            faults: FAULTS,
            pack: pack(planned),
            set_up: set_up(settings),
            recheck: owned(words::RECHECK),
            recheck_when: recheck_when(settings),
            cautions: cautions(),
            subject,
            clock,
        };
        if !evening.skyline_known {
            content.warnings.push(words::say::NO_SKYLINE.into());
        }
        content.id = content.name();
        Ok(content)
    }

    /// Sixteen digits of the content's hash.
    fn name(&self) -> String {
        let bytes = serde_json::to_vec(self).unwrap_or_default();
        hash_bytes(&bytes).to_string().chars().take(16).collect()
    }

    /// From leaving to being back.
    pub fn busy(&self) -> Span {
        let ends = self.steps.first().zip(self.steps.last());
        ends.map_or(self.window, |(first, last)| Span {
            from: first.block.from,
            to: last.block.to,
        })
    }

    /// When one is back, if all goes by the list, in a sentence.
    pub fn back(&self) -> Option<String> {
        let last = self.steps.last()?;
        Some(fill(
            words::say::BACK,
            &[("at", &self.clock.short(last.block.to))],
        ))
    }

    /// Whether the plan has no room, in a sentence.
    pub fn no_room(&self, short_by_min: f64) -> String {
        fill(
            words::say::NOT_FIT,
            &[("min", &format!("{:.0}", short_by_min.ceil()))],
        )
    }
}

/// With a capital letter and a full stop.
fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().into_iter().flat_map(char::to_uppercase);
    let whole: String = first.chain(letters).collect();
    whole.trim_end_matches('.').to_owned() + "."
}

fn title(name: Option<&str>) -> String {
    let name = name.map(plain).filter(|n| !n.is_empty());
    name.unwrap_or_else(|| words::TITLE.into())
}

fn night_of(evening: Date) -> String {
    let from = evening.strftime("%-d %B %Y").to_string();
    let to = evening
        .tomorrow()
        .map_or(String::new(), |d| d.strftime("%-d %B %Y").to_string());
    fill(words::NIGHT_OF, &[("from", &from), ("to", &to)])
}

fn window_told(clock: &SiteClock, window: &Span, is: &str) -> String {
    let with = [
        ("from", &*clock.short(window.from)),
        ("to", &clock.short(window.to)),
        ("long", &hours(window.minutes())),
        ("is", is),
    ];
    fill(words::say::WINDOW, &with)
}

fn step(block: &Block, settings: &ShotSettings) -> SheetStep {
    use LandLightWanted::{Dawn, Dusk, Moon};
    let waits = match block.kind {
        BlockKind::Land => matches!(settings.land_light, Dusk | Dawn | Moon),
        BlockKind::Flat => settings.flat_light == FlatLight::Dawn,
        _ => false,
    };
    SheetStep {
        moves: !waits,
        words: block.kind.words(),
        detail: block.detail(),
        block: block.clone(),
    }
}

fn panorama_ticks(panorama: &Panorama) -> Vec<String> {
    let of = |f: &PanoramaFrame| {
        let with = [
            ("n", &*f.number.to_string()),
            ("pan", &format!("{:.0}", f.pan_deg)),
            ("az", &format!("{:.0}", f.azimuth_deg)),
            ("alt", &format!("{:.0}", f.altitude_deg)),
        ];
        fill(words::say::PANORAMA_FRAME, &with)
    };
    panorama.frames.iter().map(of).collect()
}

fn panorama_told(panorama: &Panorama) -> Vec<String> {
    let [wide, tall] = panorama.field_deg;
    let with = [
        ("columns", &*panorama.columns.to_string()),
        ("rows", &panorama.rows.to_string()),
        ("wide", &format!("{wide:.0}")),
        ("tall", &format!("{tall:.0}")),
        ("percent", &format!("{:.0}", panorama.overlap_percent)),
    ];
    let mut told = vec![fill(words::say::PANORAMA, &with)];
    told.extend(panorama.words.iter().cloned());
    told
}

fn sums(planned: &Planned, clock: &SiteClock) -> Vec<String> {
    let list = &planned.list;
    let totals = &list.totals;
    let with = [
        ("sky", &*totals.sky_frames.to_string()),
        ("light", &format!("{:.0}", totals.sky_s / 60.0)),
        ("frames", &totals.frames.to_string()),
        ("gb", &format!("{:.1}", list.card_gb)),
    ];
    let mut sums = vec![fill(words::say::SUMS, &with)];
    if list.spare_min >= 0.0 {
        sums.push(fill(words::say::SPARE, &[("min", &hours(list.spare_min))]));
    }
    if let Some(last) = list.blocks.last() {
        sums.push(fill(words::say::BACK, &[("at", &clock.short(last.to))]));
        sums.push(fill(words::say::AWAY, &[("long", &hours(totals.away_min))]));
    }
    sums.push(fill(
        words::say::CARD,
        &[
            ("gb", &format!("{:.1}", list.card_gb)),
            ("basis", &list.card.basis),
        ],
    ));
    let charges = format!("{:.1}", list.power.charges);
    sums.push(fill(
        words::say::BATTERIES,
        &[("charges", &charges), ("basis", &list.power.basis)],
    ));
    let shows = planned.evening.shows;
    sums.push(match &list.dew {
        Some(dew) => {
            let (at, margin) = (shows.temperature(dew.dew_point_c), shows.warmer(dew.margin_c));
            fill(words::say::DEW, &[("at", &at), ("margin", &margin)])
        }
        None => words::say::NO_DEW.into(),
    });
    sums
}

fn owned(texts: &[&str]) -> Vec<String> {
    texts.iter().map(|t| (*t).to_owned()).collect()
}

fn pack(planned: &Planned) -> Vec<String> {
    let (settings, list) = (&planned.settings, &planned.list);
    let mut items = owned(words::pack::FIRST);
    items.extend(owned(words::pack::CAMERA));
    let gb = format!("{:.0}", list.card_gb.ceil().max(1.0));
    let frames = list.totals.frames.to_string();
    items.push(fill(words::pack::CARD, &[("gb", &gb), ("frames", &frames)]));
    items.push(match list.batteries {
        0 | 1 => words::pack::BATTERIES_ONE.into(),
        n => fill(words::pack::BATTERIES, &[("n", &n.to_string())]),
    });
    if settings.flats.frames > 0 {
        let light = match settings.flat_light {
            FlatLight::Panel => words::pack::PANEL,
            FlatLight::Dawn => words::pack::CLOTH,
        };
        items.push(light.into());
    }
    items
}

fn set_up(settings: &ShotSettings) -> Vec<String> {
    let sky = &settings.sky;
    let mut exposure = vec![short_seconds(sky.exposure_s)];
    exposure.extend(sky.f_number.map(|n| format!("f/{n}")));
    exposure.extend(sky.iso.map(|iso| format!("ISO {iso}")));
    let exposure = exposure.join(", ");
    let filled = words::SET_UP
        .iter()
        .map(|item| fill(item, &[("exposure", &exposure)]));
    filled.collect()
}

fn recheck_when(settings: &ShotSettings) -> String {
    if settings.recheck_every_s <= 0.0 {
        return words::say::RECHECK_NONE.into();
    }
    let min = format!("{:.0}", settings.recheck_every_s / 60.0);
    fill(words::say::RECHECK, &[("min", &min)])
}

/// Law and site first; then cold, dark, ground and road; beams last, with the way without one first.
fn cautions() -> Vec<String> {
    [&CAUTIONS[..], words::GROUND, words::BEAM]
        .concat()
        .into_iter()
        .map(str::to_owned)
        .collect()
}
