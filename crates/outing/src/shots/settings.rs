//! What is wanted of the night.

use serde::Serialize;

use super::ShotsError;
use super::card::CardSettings;

/// More frames of one kind than this are a slip.
const MOST_FRAMES: u32 = 2000;
/// No part of a night is longer, seconds.
const DAY_S: f64 = 86_400.0;

/// Temperature at which a battery is taken to give all it has, °C.
pub(super) const WARM_C: f64 = 20.0;

/// What a charge is worth.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PowerSettings {
    /// Hours of exposing on one charge at 20 °C. Cameras differ by a factor of two (common practice, no source).
    pub hours_per_charge: f64,
    /// The photographer's own count of sky frames on one charge; goes before the hours.
    pub frames_per_charge: Option<f64>,
    /// The air's temperature when that was counted, °C.
    pub counted_at_c: f64,
    /// Temperatures are told in °F instead of °C.
    pub fahrenheit: bool,
}

impl Default for PowerSettings {
    /// 3 hours; own figures counted at 20 °C.
    fn default() -> Self {
        Self {
            hours_per_charge: 3.0,
            frames_per_charge: None,
            counted_at_c: WARM_C,
            fahrenheit: false,
        }
    }
}

/// Equal frames one after another.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Run {
    /// How many.
    pub frames: u32,
    /// Exposure of each, seconds.
    pub exposure_s: f64,
    /// From the end of one to the beginning of the next, seconds.
    pub gap_s: f64,
    /// Relative aperture, if it is known.
    pub f_number: Option<f64>,
    /// ISO speed, if it is known.
    pub iso: Option<f64>,
}

impl Run {
    /// Of frames and seconds alone.
    pub fn of(frames: u32, exposure_s: f64, gap_s: f64) -> Self {
        Self {
            frames,
            exposure_s,
            gap_s,
            f_number: None,
            iso: None,
        }
    }

    /// From the first beginning to the last end, seconds; 0 without frames.
    pub fn length_s(&self) -> f64 {
        let gaps = f64::from(self.frames.saturating_sub(1));
        f64::from(self.frames) * self.exposure_s + gaps * self.gap_s
    }

    /// The same with another number of frames.
    pub fn with_frames(self, frames: u32) -> Self {
        Self { frames, ..self }
    }

    fn check(&self, [frames, exposure, gap]: [&'static str; 3]) -> Result<(), ShotsError> {
        if self.frames > MOST_FRAMES {
            let found = f64::from(self.frames);
            let expected = "at most 2000, like 12";
            return Err(ShotsError::Value {
                field: frames,
                found,
                expected,
            });
        }
        if !(self.exposure_s > 0.0 && self.exposure_s <= DAY_S) {
            let found = self.exposure_s;
            let expected = "seconds above zero and at most a day, like 90";
            return Err(ShotsError::Value {
                field: exposure,
                found,
                expected,
            });
        }
        duration(gap, self.gap_s)
    }
}

/// By which light the land is taken.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LandLightWanted {
    /// Evening twilight.
    #[default]
    Dusk,
    /// Morning twilight.
    Dawn,
    /// The moon over the skyline, the sun below −18°.
    Moon,
    /// The night's own light, right after the sky frames.
    Night,
}

/// By which light the flats are taken.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FlatLight {
    /// An evenly lit panel or screen over the lens.
    #[default]
    Panel,
    /// The morning sky through a white cloth, from civil dawn to sunrise.
    Dawn,
}

/// The air near the ground.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct AirNow {
    /// Temperature, °C.
    pub temperature_c: f64,
    /// Relative humidity, percent.
    pub humidity_percent: f64,
}

impl AirNow {
    pub(super) fn check(&self) -> Result<(), ShotsError> {
        check_temperature(self.temperature_c)?;
        let found = self.humidity_percent;
        if found > 0.0 && found <= 100.0 {
            return Ok(());
        }
        let (field, expected) = ("the humidity", "a percentage above 0 and at most 100, like 80");
        Err(ShotsError::Value {
            field,
            found,
            expected,
        })
    }
}

/// Everything that is wanted, and how long things take this photographer.
///
/// The default times and numbers are common practice, no source.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ShotSettings {
    /// Walking in, and back again, seconds.
    pub walk_s: f64,
    /// Setting up and framing, seconds.
    pub set_up_s: f64,
    /// Setting the tracker's axis, seconds.
    pub align_s: f64,
    /// Test frames, as the sky frames but for their number; the gap is for looking at them.
    pub test_frames: u32,
    /// Pause after each test frame to look at it, seconds.
    pub look_s: f64,
    /// The sky frames.
    pub sky: Run,
    /// A re-check is due after so much time on the sky, seconds; none when 0.
    pub recheck_every_s: f64,
    /// What it takes, seconds.
    pub recheck_s: f64,
    /// A dither nudge after so many sky frames; none when 0.
    pub nudge_every: u32,
    /// What it takes with the settling after it, seconds.
    pub nudge_s: f64,
    /// The stands of a panorama's head in words, in their order; the sky frames are taken at each. None for one framing.
    pub stands: Vec<String>,
    /// Turning the head to the next of them with the settling after it, seconds.
    pub stand_s: f64,
    /// Turning the camera to the next subject or, after the sky, to the land, seconds.
    pub turn_s: f64,
    /// The land frames.
    pub land: Run,
    /// Their light.
    pub land_light: LandLightWanted,
    /// Dark frames; exposure, gap and ISO are the sky frames'.
    pub darks: u32,
    /// The flats.
    pub flats: Run,
    /// Their light.
    pub flat_light: FlatLight,
    /// Packing up, seconds. Darks are taken meanwhile.
    pub pack_up_s: f64,
    /// Card space.
    pub card: CardSettings,
    /// Batteries.
    pub power: PowerSettings,
    /// Temperature in the night, °C, for the batteries.
    pub temperature_c: Option<f64>,
    /// Relative humidity in the night, percent; with the temperature it gives the dew margin.
    pub humidity_percent: Option<f64>,
    /// Temperatures are told in °F instead of °C.
    pub fahrenheit: bool,
}

impl Default for ShotSettings {
    /// Twelve sky frames of 90 s, four land frames of 8 s at dusk, six darks, six flats on a panel.
    fn default() -> Self {
        Self {
            walk_s: 25.0 * 60.0,
            set_up_s: 40.0 * 60.0,
            align_s: 15.0 * 60.0,
            test_frames: 2,
            look_s: 60.0,
            sky: Run::of(12, 90.0, 4.0),
            recheck_every_s: 30.0 * 60.0,
            recheck_s: 3.0 * 60.0,
            nudge_every: 4,
            nudge_s: 30.0,
            stands: Vec::new(),
            stand_s: 15.0,
            turn_s: 0.0,
            land: Run::of(4, 8.0, 4.0),
            land_light: LandLightWanted::Dusk,
            darks: 6,
            flats: Run::of(6, 0.25, 2.0),
            flat_light: FlatLight::Panel,
            pack_up_s: 20.0 * 60.0,
            card: CardSettings::default(),
            power: PowerSettings::default(),
            temperature_c: None,
            humidity_percent: None,
            fahrenheit: false,
        }
    }
}

impl ShotSettings {
    /// The sky frames at all stands as a run.
    pub(super) fn all_sky(&self) -> Run {
        let stands = u32::try_from(self.stands.len().max(1)).unwrap_or(u32::MAX);
        self.sky.with_frames(self.sky.frames.saturating_mul(stands))
    }

    /// The test frames as a run.
    pub fn tests(&self) -> Run {
        Run {
            frames: self.test_frames,
            gap_s: self.look_s,
            ..self.sky
        }
    }

    /// The darks as a run.
    pub(crate) fn dark_run(&self) -> Run {
        Run {
            f_number: None,
            ..self.sky.with_frames(self.darks)
        }
    }

    /// The test frames with a look at each, seconds.
    pub(super) fn tests_s(&self) -> f64 {
        match self.test_frames {
            0 => 0.0,
            _ => self.tests().length_s() + self.look_s,
        }
    }

    /// Whether every number can be.
    ///
    /// # Errors
    /// The first that cannot, with an example.
    pub fn check(&self) -> Result<(), ShotsError> {
        self.sky.check([
            "the number of sky frames",
            "the sky exposure",
            "the gap between sky frames",
        ])?;
        self.land.check([
            "the number of land frames",
            "the land exposure",
            "the gap between land frames",
        ])?;
        self.flats.check([
            "the number of flats",
            "the flats' exposure",
            "the gap between flats",
        ])?;
        self.dark_run().check([
            "the number of darks",
            "the darks' exposure",
            "the gap between darks",
        ])?;
        self.tests().check([
            "the number of test frames",
            "the test exposure",
            "the look at a test frame",
        ])?;
        if self.sky.frames == 0 {
            return Err(ShotsError::Value {
                field: "the number of sky frames",
                found: 0.0,
                expected: "at least 1, like 12",
            });
        }
        duration("the walk", self.walk_s)?;
        duration("the set-up", self.set_up_s)?;
        duration("the alignment check", self.align_s)?;
        duration("the time between re-checks", self.recheck_every_s)?;
        duration("a re-check", self.recheck_s)?;
        duration("a dither nudge", self.nudge_s)?;
        duration("turning the head of a panorama", self.stand_s)?;
        duration("turning the camera", self.turn_s)?;
        self.all_sky().check([
            "the number of sky frames at all stands",
            "the sky exposure",
            "the gap between sky frames",
        ])?;
        duration("packing up", self.pack_up_s)?;
        self.check_rough()
    }

    fn check_rough(&self) -> Result<(), ShotsError> {
        let (card, power) = (&self.card, &self.power);
        above_zero("the megapixels", card.megapixels, "above zero, like 24")?;
        above_zero("the bits a pixel", card.bits, "above zero, like 14")?;
        if let Some(own) = card.mb_per_frame {
            above_zero("the megabytes a frame", own, "above zero, like 30")?;
        }
        above_zero("the hours a charge", power.hours_per_charge, "above zero, like 3")?;
        if let Some(own) = power.frames_per_charge {
            above_zero("the frames a charge", own, "above zero, like 120")?;
        }
        check_temperature(power.counted_at_c)?;
        self.temperature_c.map_or(Ok(()), check_temperature)?;
        self.air().map_or(Ok(()), |air| air.check())
    }

    /// Temperature and humidity, if both are known.
    pub fn air(&self) -> Option<AirNow> {
        Some(AirNow {
            temperature_c: self.temperature_c?,
            humidity_percent: self.humidity_percent?,
        })
    }
}

fn duration(field: &'static str, found: f64) -> Result<(), ShotsError> {
    if (0.0..=DAY_S).contains(&found) {
        return Ok(());
    }
    let expected = "seconds from 0 to a day, like 1800";
    Err(ShotsError::Value {
        field,
        found,
        expected,
    })
}

fn above_zero(field: &'static str, found: f64, expected: &'static str) -> Result<(), ShotsError> {
    if found > 0.0 && found <= 1e6 {
        return Ok(());
    }
    Err(ShotsError::Value {
        field,
        found,
        expected,
    })
}

fn check_temperature(found: f64) -> Result<(), ShotsError> {
    if (-40.0..=50.0).contains(&found) {
        return Ok(());
    }
    let (field, expected) = ("the temperature", "degrees Celsius from -40 to 50, like 5");
    Err(ShotsError::Value {
        field,
        found,
        expected,
    })
}
