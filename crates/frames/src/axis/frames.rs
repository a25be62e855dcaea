//! The frames: read, identified, with their times, and of one lens.

use std::path::{Path, PathBuf};

use nightloom_optics::{Camera, Lens};
use nightloom_sky::{Instant, PlaceError, Site};
use nightloom_stars::axis::AxisFrame;
use nightloom_stars::{BlindIdentification, Field};

use super::{AxisAsk, AxisTrouble, observer};
use crate::around::{settings_around, site_by_file};
use crate::single::{Identified, Sought, identified};
use nightloom_outing::{ClockFrame, ClockSettings, FrameTime, Settings, SiteSettings, World, read_clock};
use nightloom_sky::Observer;

/// Focal lengths further apart than this part of themselves are two lenses.
const ONE_LENS: f64 = 0.015;
/// Pitch where nothing tells it: only the focal length in millimetres rests on it.
const USUAL_PITCH_UM: f64 = 6.0;

/// A frame that can be used.
pub(super) struct Known {
    pub(super) name: String,
    pub(super) time: FrameTime,
    pub(super) field: Field,
    pub(super) blind: BlindIdentification,
    pub(super) pitch_um: f64,
    pub(super) then: bool,
}

impl Known {
    pub(super) fn middle(&self) -> Instant {
        self.time.middle()
    }

    pub(super) fn lens(&self) -> Lens {
        self.blind.found.lens
    }

    /// The width where the frame is a mirror image.
    pub(super) fn flipped(&self) -> Option<usize> {
        self.blind.mirrored.then_some(self.field.width)
    }

    pub(super) fn camera(&self, lens: &Lens) -> Camera {
        Camera {
            lens: *lens,
            width_px: self.field.width as f64,
            height_px: self.field.height as f64,
            pitch_um: self.pitch_um,
        }
    }

    pub(super) fn axis_frame(&self, at: &Observer, seconds: f64) -> AxisFrame {
        let (found, exposure_s) = (&self.blind.found, self.time.exposure_s);
        AxisFrame::new(found, &self.field.stars, self.flipped(), at, seconds, exposure_s)
    }
}

/// All that was found out of the frames, in the order of their times; those taken later at the end.
pub(super) struct Gathered {
    pub(super) site: Site,
    pub(super) known: Vec<Known>,
    /// Name and why.
    pub(super) left_out: Vec<(String, String)>,
    pub(super) notes: Vec<String>,
}

/// Reads and identifies all frames. One that cannot be read is left out, unless none can.
pub(super) fn gather(ask: &AxisAsk, world: &dyn World) -> Result<Gathered, AxisTrouble> {
    let paths: Vec<(&PathBuf, bool)> = (ask.frames.iter().map(|p| (p, false)))
        .chain(ask.then.iter().map(|p| (p, true)))
        .collect();
    if !ask.at.is_empty() && ask.at.len() != paths.len() {
        return Err(AxisTrouble::Times {
            frames: paths.len(),
            got: ask.at.len(),
        });
    }
    let first = ask.frames.first().map(|f| settings_around(f)).transpose()?;
    let settings = first.unwrap_or_default();
    let (mut seen, mut left_out, mut unreadable) = (Vec::new(), Vec::new(), None);
    for (n, (path, then)) in paths.iter().enumerate() {
        if world.is_cancelled() {
            break;
        }
        match identified(path, &ask.lens, world) {
            Ok(found) => seen.push((n, *path, *then, found)),
            Err(error) => {
                left_out.push((name(path), error.to_string()));
                unreadable.get_or_insert(error);
            }
        }
    }
    if let (Some(error), true) = (unreadable, seen.is_empty()) {
        return Err(error.into());
    }
    let site = site(ask, &settings, seen.iter().map(|s| (name(s.1), &s.3)))?;
    let (times, notes) = times(ask, &settings, &seen, world);
    let mut gathered = Gathered {
        site,
        known: Vec::new(),
        left_out,
        notes,
    };
    for ((_, path, then, found), time) in seen.into_iter().zip(times) {
        gathered.add(path, then, found, time);
    }
    gathered
        .known
        .sort_by(|a, b| a.then.cmp(&b.then).then(a.time.start.cmp(&b.time.start)));
    gathered.keep_one_lens();
    Ok(gathered)
}

fn name(path: &Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |n| n.to_string_lossy().into_owned(),
    )
}

fn site<'a>(
    ask: &AxisAsk,
    settings: &Settings,
    mut frames: impl Iterator<Item = (String, &'a Identified)>,
) -> Result<Site, AxisTrouble> {
    let told = frames.find_map(|(name, f)| Some((name, site_by_file(&f.meta)?)));
    let given = ask.site.or(settings.site.place);
    let site = given.or(told.as_ref().map(|t| t.1)).ok_or(AxisTrouble::NoPlace)?;
    site.check().map_err(PlaceError::from)?;
    if let (Some(given), Some((frame, told))) = (given, told) {
        let km = EARTH_KM * apart(&given, &told);
        if km > SAME_PLACE_KM {
            let words = |site: &Site| format!("{:.3}, {:.3}", site.latitude.deg(), site.longitude.deg());
            return Err(AxisTrouble::Elsewhere {
                frame,
                given: words(&given),
                told: words(&told),
                km,
            });
        }
    }
    Ok(site)
}

/// Mean radius of the Earth (IUGG).
const EARTH_KM: f64 = 6371.0;
/// Receivers err by metres and hands by a digit of arcminutes; half a degree of place is half a degree of pole.
const SAME_PLACE_KM: f64 = 50.0;

/// Between two places, radians along the great circle.
fn apart(a: &Site, b: &Site) -> f64 {
    let way = |s: &Site| {
        let ((sin, cos), (east, north)) = (s.latitude.rad().sin_cos(), s.longitude.rad().sin_cos());
        nalgebra::Vector3::new(cos * north, cos * east, sin)
    };
    way(a).angle(&way(b))
}

type Seen<'a> = (usize, &'a PathBuf, bool, Identified);

fn times(
    ask: &AxisAsk,
    settings: &Settings,
    seen: &[Seen<'_>],
    world: &dyn World,
) -> (Vec<Option<FrameTime>>, Vec<String>) {
    if !ask.at.is_empty() {
        let time = |s: &Seen<'_>| {
            Some(FrameTime {
                start: ask.at[s.0],
                exposure_s: s.3.meta.exposure_s.unwrap_or(0.0),
            })
        };
        return (seen.iter().map(time).collect(), Vec::new());
    }
    let names: Vec<String> = seen.iter().map(|s| name(s.1)).collect();
    let frames: Vec<ClockFrame<'_>> = seen
        .iter()
        .zip(&names)
        .map(|(s, name)| ClockFrame {
            name,
            meta: &s.3.meta,
            starry: false,
        })
        .collect();
    let clock = ClockSettings {
        offset_s: ask.clock_offset_s.or(settings.camera_clock.offset_s),
        error_s: ask.clock_error_s.unwrap_or(settings.camera_clock.error_s),
    };
    let site = SiteSettings {
        place: ask.site.or(settings.site.place),
        ..settings.site.clone()
    };
    let report = read_clock(&frames, &clock, &site, Some(world.now()));
    (report.times, report.notes)
}

impl Gathered {
    fn add(&mut self, path: &Path, then: bool, found: Identified, time: Option<FrameTime>) {
        let name = name(path);
        let why = format!("not identified: {}", found.sought.why().unwrap_or("no stars"));
        let Sought {
            field, found: blind, ..
        } = found.sought;
        let Some(blind) = blind else {
            self.left_out.push((name, why));
            return;
        };
        let Some(time) = time else {
            let why = "does not tell when it was taken; give the times with --at".into();
            self.left_out.push((name, why));
            return;
        };
        self.known.push(Known {
            name,
            time,
            field,
            pitch_um: found.meta.pixel_um.unwrap_or(USUAL_PITCH_UM),
            blind,
            then,
        });
    }

    /// Leaves out what was not taken with the lens of most frames.
    fn keep_one_lens(&mut self) {
        let alike = |a: &Known, b: &Known| {
            let ratio = a.lens().focal_px / b.lens().focal_px;
            (a.field.width, a.field.height) == (b.field.width, b.field.height)
                && ratio.ln().abs() < ONE_LENS
                && a.blind.mirrored == b.blind.mirrored
                && a.lens().projection == b.lens().projection
        };
        let count = |k: &Known| self.known.iter().filter(|o| alike(k, o)).count();
        // Of equally many, those of the first frame.
        let most = self.known.iter().map(count).max().unwrap_or(0);
        let Some(leader) = self.known.iter().position(|k| count(k) == most) else {
            return;
        };
        let fits: Vec<bool> = self.known.iter().map(|k| alike(k, &self.known[leader])).collect();
        let told = |k: &Known| {
            format!(
                "{} × {} px at a focal length of {:.0} px",
                k.field.width,
                k.field.height,
                k.lens().focal_px
            )
        };
        let lens = told(&self.known[leader]);
        let mut fits = fits.into_iter();
        let (keep, drop): (Vec<Known>, Vec<Known>) = std::mem::take(&mut self.known)
            .into_iter()
            .partition(|_| fits.next().unwrap_or(true));
        self.known = keep;
        for k in drop {
            let why = format!(
                "is of another lens, zoom or camera: {}, the others {lens}; the frames must be of one, untouched",
                told(&k)
            );
            self.left_out.push((k.name, why));
        }
    }
}

/// The frames as the axis needs them.
pub(super) fn axis_frames(
    known: &[Known],
    first: &Observer,
    ask: &AxisAsk,
) -> Result<Vec<AxisFrame>, AxisTrouble> {
    known
        .iter()
        .map(|k| {
            let at = observer(ask, first.site(), k.middle())?;
            Ok(k.axis_frame(&at, k.middle().seconds_since(first.instant())))
        })
        .collect()
}
