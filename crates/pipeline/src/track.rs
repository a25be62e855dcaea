//! The tracked frames against each other: lens, rotations, verdicts, and which sky it is.

use nalgebra::{Rotation3, Unit, Vector3};
use nightloom_optics::Lens;
use nightloom_sky::{Air, Angle, Instant, Site};
use nightloom_stars::{
    BlindSettings, Field, FrameQuality, Ground, Identification, IdentifySettings, JudgeSettings,
    RegisterSettings, Registration, Stop, Verdict, about_middle, identify_blind_unless, identify_unless,
    judge, register_from_ground_unless, register_unless,
};

use super::canvas::{CanvasAir, SkyCamera};
use super::inventory::Item;
use super::lens_guess::guess_lens;
use super::place::Overhead;
use super::prepare::Prepared;
use super::setting::Setting;
use super::times::Times;
use nightloom_journal::{Bench, BuildError, StepKey};
use nightloom_outing::{Digest, FrameTime, Settings};
use serde::{Deserialize, Serialize};

/// Temperature of the night air where nobody said, °C; 10 °C more or less changes refraction by 4 %.
const NIGHT_C: f64 = 5.0;

/// Settings that a third as many frames share as the commonest are tries; one that is worth less than half of a
/// usual frame brings less than its other sky light disturbs.
const FEW: usize = 3;
const WORTH_OF_A_TRY: f32 = 0.5;

/// Version of the step; raise it when the same frames would be registered, identified or judged otherwise.
const VERSION: u32 = 4;
/// Its name in the journal.
const STEP: &str = "track";

/// The registered set of tracked frames.
#[derive(Serialize, Deserialize)]
pub(super) struct Tracked {
    /// Lens, rotations and residuals; one frame entry for each prepared frame.
    pub(super) registration: Registration,
    /// What the figures say of each prepared frame.
    pub(super) verdicts: Vec<Verdict>,
    /// The reference frame identified in the catalogue.
    pub(super) identified: Option<Identification>,
    /// North celestial pole in the reference camera's frame, where identified.
    pub(super) pole: Option<Unit<Vector3<f64>>>,
    /// Air and zenith, where refraction was taken out.
    pub(super) overhead: Option<Overhead>,
    /// Light that one part of saturation is worth in each prepared frame.
    pub(super) units: Vec<f64>,
    /// Where the camera stood, if that and the hour are known.
    pub(super) site: Option<Site>,
}

impl Tracked {
    /// Indices of the prepared frames that go into the stack.
    pub(super) fn used(&self) -> impl Iterator<Item = usize> + '_ {
        self.verdicts
            .iter()
            .enumerate()
            .filter(|(_, v)| v.use_it)
            .map(|(i, _)| i)
    }
    /// Starlight of a frame over that of the reference, both in light.
    pub(super) fn transparency(&self, frame: usize) -> Option<f32> {
        transparency(&self.registration, &self.units, frame)
    }
    /// The lens of the tracked frames.
    pub(super) fn lens(&self) -> &Lens {
        &self.registration.lens
    }
    /// A tracked frame's camera.
    pub(super) fn camera(&self, frame: usize) -> SkyCamera<'_> {
        SkyCamera {
            frame,
            rotation: self.rotation(frame),
            lens: self.lens(),
        }
    }
    /// Refraction on a canvas that shows the sky of a moment.
    pub(super) fn canvas_air(&self, shown: Option<Instant>) -> Option<CanvasAir> {
        let frames = self.registration.air.clone()?;
        Some(CanvasAir {
            frames,
            shown: self.overhead?.at(shown?),
        })
    }
    /// Reference camera to a frame's camera; every used frame has one.
    pub(super) fn rotation(&self, frame: usize) -> Rotation3<f64> {
        self.registration.frames[frame]
            .rotation
            .unwrap_or_else(Rotation3::identity)
    }
}

/// Registers, judges and identifies the tracked frames.
pub(super) fn track(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &[Item],
    frames: &[Prepared],
    times: &Times,
    told: &[Option<f64>],
) -> Result<Tracked, BuildError> {
    bench.show("Registering sky frames", 0.0, "")?;
    // All are of one camera and lens.
    let facts = &frames[frames.len() / 2].facts;
    let guess = guess_lens(&settings.rig, &facts.meta, facts.field.width, facts.field.height);
    if !guess.told {
        bench.warn_once("Neither the frames nor outing.toml tell the focal length; a 24 mm view was assumed to begin with. Set rig.focal_mm and rig.pixel_um.");
    }
    let key = key(settings, items, frames, times, told);
    if let Some(tracked) = bench.kept_in_file::<Tracked>(STEP, key)? {
        return Ok(tracked);
    }
    let fields: Vec<&Field> = frames.iter().map(|f| &f.facts.field).collect();
    let wanted = settings
        .sky
        .reference
        .as_ref()
        .and_then(|name| frames.iter().position(|f| &items[f.item].name == name));
    let mut lens = guess.lens;
    let world = bench.world;
    let stop = || world.is_cancelled();
    let registered = |reference, lens: &Lens, settings: &RegisterSettings| {
        register_unless(&fields, reference, lens, settings, &stop).ok_or(BuildError::Cancelled)
    };
    let usual = RegisterSettings::default();
    let mut registration = registered(wanted, &lens, &usual)?;
    let when = times.reference_hint();
    let seen = lens_by_stars(&fields, &registration, &lens, when, &stop);
    bench.go_on()?;
    if let Some(seen) = seen {
        let off = seen.focal_px / lens.focal_px - 1.0;
        if guess.told && off.abs() > CONTRADICTS {
            bench.warn(format!(
                "The stars show a focal length of {:.0} px where the files or outing.toml tell {:.0} px ({:+.0} %); the stars' \
                 was taken. Correct rig.focal_mm or rig.pixel_um.",
                seen.focal_px,
                lens.focal_px,
                100.0 * off
            ));
        }
        lens = seen;
        registration = registered(wanted, &lens, &usual)?;
    }
    if let Some(better) =
        better_reference(settings, items, frames, &registration, told).filter(|_| wanted.is_none())
    {
        registration = registered(Some(better), &lens, &usual)?;
    }
    bench.show("Identifying the sky", 0.6, "")?;
    let reference = registration.reference;
    let site = site_of(settings, frames).filter(|_| times.absolute);
    let identifying = IdentifySettings {
        site,
        ..IdentifySettings::default()
    };
    let moment = times.sky[reference].as_ref().map_or(when, FrameTime::middle);
    let expected = about_middle(&registration.lens, fields[reference]);
    let identified = identify_unless(&fields[reference].stars, &expected, &identifying, moment, &stop);
    bench.go_on()?;
    if let Some(found) = &identified {
        // The catalogue shows the lens over the whole frame, which frames that hardly move cannot.
        let settings = RegisterSettings {
            focal_sigma: 0.0005,
            ..usual
        };
        let refined = registered(Some(reference), &found.lens, &settings)?;
        if refined.rms_px <= registration.rms_px * 1.02 {
            registration = refined;
        }
    }
    let mut tracked = Tracked {
        registration,
        verdicts: Vec::new(),
        identified,
        pole: None,
        overhead: None,
        units: Vec::new(),
        site,
    };
    tracked.pole = tracked
        .identified
        .as_ref()
        .map(|found| Unit::new_normalize(found.attitude * pole_of_date(when)));
    if let Some(site) = site {
        tracked.take_refraction_out(&fields, site, times, &stop);
        bench.go_on()?;
    }
    tracked.units = units(&tracked.registration, told);
    tracked.verdicts = verdicts(settings, items, frames, &tracked.registration, &tracked.units);
    bench.keep_in_file(STEP, key, &tracked)?;
    Ok(tracked)
}

/// How far stars and files may differ over the focal length before it is said, as a part of it: engraved values are
/// rounded, and lenses breathe.
const CONTRADICTS: f64 = 0.03;

/// The lens as the reference's stars show it, nothing told, where the lens told cannot be the frames': through it the
/// sky is not known.
fn lens_by_stars(
    fields: &[&Field],
    registration: &Registration,
    told: &Lens,
    when: Instant,
    stop: Stop<'_>,
) -> Option<Lens> {
    let field = fields.get(registration.reference)?;
    let known = [registration.lens, *told];
    let settings = IdentifySettings::default();
    let through = |lens: &Lens| identify_unless(&field.stars, lens, &settings, when, stop).is_some();
    if known.iter().any(through) || stop() {
        return None;
    }
    let blind = BlindSettings {
        mirrored: false,
        ..BlindSettings::default()
    };
    let size = [field.width, field.height];
    identify_blind_unless(&field.stars, size, &blind, when, stop).map(|b| b.found.lens)
}

/// Everything that registration, identification and verdicts rest on: the frames in their order with what the photographer
/// says of them, what is told of rig and site, the clock as it was read, and the units.
fn key(
    settings: &Settings,
    items: &[Item],
    frames: &[Prepared],
    times: &Times,
    told: &[Option<f64>],
) -> Digest {
    let reference = settings.sky.reference.as_ref();
    let key = StepKey::new(STEP, VERSION)
        .settings(&(&settings.rig, &settings.sky, &settings.site))
        .settings(&(&times.sky, &times.land, times.absolute))
        .settings(told);
    let with = |key: StepKey, f: &Prepared| {
        let item = &items[f.item];
        key.input("frame", f.key)
            .settings(&(item.insisted, reference == Some(&item.name)))
    };
    frames.iter().fold(key, with).finish()
}

/// The frames' units; of a frame whose file does not tell its own, by its stars against those of the frames that
/// do: the same stars give the same light.
fn units(registration: &Registration, told: &[Option<f64>]) -> Vec<f64> {
    let flux = |i: usize| {
        registration.frames[i]
            .flux_ratio
            .filter(|r| *r > 0.0)
            .map(f64::from)
    };
    let mut per_reference: Vec<f64> = told
        .iter()
        .enumerate()
        .filter_map(|(i, u)| Some((*u)? * flux(i)?))
        .collect();
    per_reference.sort_unstable_by(f64::total_cmp);
    let reference = per_reference.get(per_reference.len() / 2).copied();
    let usual = super::units::common(told.iter().flatten().copied());
    let own =
        |(i, unit): (usize, &Option<f64>)| unit.or_else(|| Some(reference? / flux(i)?)).unwrap_or(usual);
    told.iter().enumerate().map(own).collect()
}

fn transparency(registration: &Registration, units: &[f64], frame: usize) -> Option<f32> {
    let ratio = registration.frames[frame].flux_ratio?;
    Some(ratio * (units[frame] / units[registration.reference]) as f32)
}

/// A frame to register to instead, where the reference turns out to be one that is left out.
fn better_reference(
    settings: &Settings,
    items: &[Item],
    frames: &[Prepared],
    registration: &Registration,
    told: &[Option<f64>],
) -> Option<usize> {
    let judged = verdicts(settings, items, frames, registration, &units(registration, told));
    if judged[registration.reference].use_it {
        return None;
    }
    let away = |i: usize| i.abs_diff(frames.len() / 2);
    (0..frames.len())
        .filter(|&i| judged[i].use_it)
        .min_by_key(|&i| away(i))
}

/// The site of the settings, or the one the first frame's GPS tells.
fn site_of(settings: &Settings, frames: &[Prepared]) -> Option<Site> {
    let gps = || {
        let meta = &frames.iter().find(|f| f.facts.meta.gps_deg.is_some())?.facts.meta;
        let [latitude, longitude] = meta.gps_deg?.map(Angle::from_deg);
        Some(Site {
            latitude,
            longitude,
            elevation_m: meta.gps_elevation_m.unwrap_or(0.0),
        })
    };
    settings.site.place.or_else(gps)
}

impl Tracked {
    /// Registers anew with refraction modelled, and keeps that if the stars agree better.
    fn take_refraction_out(&mut self, fields: &[&Field], site: Site, times: &Times, stop: Stop<'_>) {
        let Some(instants) = times.sky_middles() else {
            return;
        };
        let plain = &self.registration;
        let air = Air::at_elevation(site.elevation_m, NIGHT_C);
        let ground = Ground {
            site,
            air,
            instants: &instants,
        };
        let settings = RegisterSettings {
            focal_sigma: 0.01,
            ..RegisterSettings::default()
        };
        let home = Some(plain.reference);
        let lifted = register_from_ground_unless(fields, home, &plain.lens, &settings, &ground, stop);
        let Some(mut lifted) = lifted else { return };
        if lifted.rms_px > plain.rms_px * 1.02 || self.identified.is_none() {
            return;
        }
        let Some(path) = &mut lifted.air else { return };
        let reference = lifted.reference;
        let when = instants[reference];
        // The lens's middle has moved, and a camera's axes with it: pole and zenith must be told in the new ones.
        let told = self.identified.as_ref();
        let attitude = told.and_then(|found| {
            found.attitude_through(&fields[reference].stars, &lifted.lens, Some(site), when)
        });
        if let Some(attitude) = attitude {
            let up = |at: &Instant| attitude * (site.ground_from_icrs(*at).inverse() * Vector3::z());
            path.zeniths = instants.iter().map(up).collect();
            self.pole = Some(Unit::new_normalize(attitude * pole_of_date(when)));
        }
        let zenith = path.zeniths[reference];
        let Some(pole) = self.pole else { return };
        self.overhead = Some(Overhead {
            air,
            instant: when,
            zenith,
            pole,
        });
        self.registration = lifted;
    }
}

/// The celestial pole of date among the stars: the zenith of the Earth's pole.
fn pole_of_date(when: Instant) -> Vector3<f64> {
    let pole = Site {
        latitude: Angle::from_deg(90.0),
        longitude: Angle::from_deg(0.0),
        elevation_m: 0.0,
    };
    pole.ground_from_icrs(when).inverse() * Vector3::z()
}

fn verdicts(
    settings: &Settings,
    items: &[Item],
    frames: &[Prepared],
    registration: &Registration,
    units: &[f64],
) -> Vec<Verdict> {
    let common = super::units::common(units.iter().copied());
    let sharp = frames
        .get(registration.reference)
        .map_or(0.0, |f| f.facts.field.fwhm_px);
    let quality = |(i, f): (usize, &Prepared)| {
        let plain = FrameQuality::of(&f.facts.field, Some(&registration.frames[i]));
        let plain = plain.in_unit((units[i] / common) as f32);
        // Frames that reach fainter show other stars: only the same stars' widths compare.
        let same = registration.frames[i].width_ratio.filter(|_| sharp > 0.0);
        FrameQuality {
            fwhm_px: same.map_or(plain.fwhm_px, |ratio| sharp * ratio),
            flux_ratio: transparency(registration, units, i),
            ..plain
        }
    };
    let qualities: Vec<FrameQuality> = frames.iter().enumerate().map(quality).collect();
    let mut verdicts = judge(&qualities, &JudgeSettings::default());
    let tries = tries(frames);
    let alone = frames.len() == 1;
    for (i, verdict) in verdicts.iter_mut().enumerate() {
        let field = &frames[i].facts.field;
        let registered = alone || i == registration.reference || registration.frames[i].rotation.is_some();
        let refuse = |reason: String| Verdict {
            use_it: false,
            reason,
            weight: 0.0,
            fault: None,
        };
        if !registered {
            let why = registration.frames[i].reason.clone().unwrap_or_default();
            *verdict = refuse(format!("it could not be registered: {why}"));
        } else if items[frames[i].item].insisted {
            verdict.use_it = true;
            verdict.weight = verdict.weight.max(0.1);
            verdict.reason = format!("kept by outing.toml; the check says: {}", verdict.reason);
        } else if alone {
            *verdict = Verdict {
                use_it: true,
                reason: "the only sky frame".into(),
                weight: 1.0,
                fault: None,
            };
        } else if field.stars.len() < settings.sky.min_stars {
            *verdict = refuse(format!(
                "{} stars, at least {} are asked for",
                field.stars.len(),
                settings.sky.min_stars
            ));
        } else if f64::from(field.elongation) > settings.sky.max_elongation {
            *verdict = refuse(format!(
                "stars are {:.1} times longer than wide, at most {:.1} is asked for",
                field.elongation, settings.sky.max_elongation
            ));
        } else if verdict.use_it && tries[i] && verdict.weight < WORTH_OF_A_TRY {
            *verdict = refuse(format!(
                "a try before the set: taken at {} and worth {:.2} of a usual frame",
                frames[i].facts.setting().exposure_words(),
                verdict.weight
            ));
        }
    }
    verdicts
}

/// Which frames were taken at a setting that few share: tries of the exposure, not a bracket.
fn tries(frames: &[Prepared]) -> Vec<bool> {
    let settings: Vec<Setting> = frames.iter().map(|f| f.facts.setting()).collect();
    let count = |s: &Setting| settings.iter().filter(|o| o.same(s)).count();
    let most = settings.iter().map(count).max().unwrap_or(0);
    settings.iter().map(|s| FEW * count(s) <= most).collect()
}
