//! One sensor at one ISO: from sorted frames to figures.

use nightloom_optics::sensor::{
    DarkCurrent, DarkLevel, Measured, Transfer, TransferError, TransferPoint, TransferSettings, dark_current,
    dark_current_from_noise, in_electrons, photon_transfer,
};
use nightloom_raster::{Cfa, Plane};
use nightloom_stack::{
    HotSettings, PairPatch, find_hot_pixels, lower_of_both, pair_patches, place_levels, sensor_places,
};

use super::frames::{self, Seen};
use super::sort::{HOT_FROM_S, Sorted, Unlit};
use super::words;
use super::{
    Channel, DarkCurrentReport, FramesUsed, HotReport, Saturation, SensorAtIso, SensorError, UnusedFrame,
};
use nightloom_outing::World;
/// The noise's dark current counts when it is above the level's by so many errors and …
const HIDDEN_SIGMA: f64 = 3.0;
/// … so many times as large.
const HIDDEN_RATIO: f64 = 2.0;
/// What is collected before anything is solved.
#[derive(Default)]
struct Gathered {
    /// Pairs of the shortest unlit exposure; levels above the file's black.
    unlit: Vec<PairPatch>,
    /// Pairs of flats.
    lit: Vec<PairPatch>,
    /// Levels of all unlit frames above the zero frame, with their place.
    levels: Vec<(usize, DarkLevel)>,
    /// Variances of all unlit pairs, with their exposure.
    variances: Vec<(f64, f64, usize)>,
    /// Level of the zero frame by place, DN above the file's black.
    zero_dn: Vec<f64>,
    hot: Option<HotReport>,
    used: FramesUsed,
}

/// Decodes, and leaves out with the reason what will not decode a second time.
struct Reader<'a> {
    world: &'a dyn World,
    left_out: &'a mut Vec<UnusedFrame>,
}

impl Reader<'_> {
    fn read(&mut self, frame: &Seen, stage: &str) -> Result<Option<Plane>, SensorError> {
        frames::show(self.world, stage, 0, 1, &frame.path)?;
        Ok(frames::plane(&frame.path, self.world)
            .map_err(|reason| {
                self.left_out.push(UnusedFrame {
                    path: frame.path.clone(),
                    reason,
                });
            })
            .ok())
    }
}

pub(super) fn measure(
    sorted: &Sorted,
    world: &dyn World,
    left_out: &mut Vec<UnusedFrame>,
) -> Result<SensorAtIso, SensorError> {
    let mut reader = Reader { world, left_out };
    let mut gathered = Gathered::default();
    unlit(sorted, &mut reader, &mut gathered)?;
    flats(sorted, &mut reader, &mut gathered)?;
    Ok(solve(sorted, &gathered))
}

/// Everything that darks and biases tell.
fn unlit(sorted: &Sorted, reader: &mut Reader<'_>, out: &mut Gathered) -> Result<(), SensorError> {
    const STAGE: &str = "Measuring darks";
    let Some(shortest) = sorted.unlit.first() else {
        return Ok(());
    };
    out.used.biases = shortest.frames.len();
    out.used.darks = sorted.unlit[1..].iter().map(|g| g.frames.len()).sum();
    let Some(zero) = mean_of(&shortest.frames, reader)? else {
        return Ok(());
    };
    let black = Plane::filled(zero.width(), zero.height(), 0.0);
    let like = &sorted.like;
    out.zero_dn = place_levels(&like.readout(&zero), &black)
        .iter()
        .map(|l| l.level_dn)
        .collect();
    drop(black);
    let longest = sorted.unlit.last().map_or(0.0, |g| g.exposure_s);
    for (k, group) in sorted.unlit.iter().enumerate() {
        let mut before: Option<Plane> = None;
        for frame in &group.frames {
            let Some(plane) = reader.read(frame, STAGE)? else {
                continue;
            };
            note_levels(out, like, group, &plane, &zero);
            let Some(other) = before.take() else {
                before = Some(plane);
                continue;
            };
            let patches = pair_patches(&like.readout(&other), &like.readout(&plane));
            let variance = |p: &PairPatch| (group.exposure_s, p.variance_dn2, p.samples);
            out.variances.extend(patches.iter().map(variance));
            if k == 0 {
                out.used.bias_pairs += 1;
                out.unlit.extend(patches);
            }
            if group.exposure_s >= longest.max(HOT_FROM_S) && out.hot.is_none() {
                out.hot = Some(hot(&other, &plane, &zero, group.exposure_s));
            }
        }
    }
    Ok(())
}

fn note_levels(out: &mut Gathered, like: &Seen, group: &Unlit, plane: &Plane, zero: &Plane) {
    let levels = place_levels(&like.readout(plane), zero);
    out.levels.extend(levels.iter().enumerate().map(|(place, l)| {
        let level = DarkLevel {
            exposure_s: group.exposure_s,
            level_dn: l.level_dn,
            error_dn: l.error_dn,
        };
        (place, level)
    }));
}

fn mean_of(frames: &[Seen], reader: &mut Reader<'_>) -> Result<Option<Plane>, SensorError> {
    let mut sum: Option<(Plane, f32)> = None;
    for frame in frames {
        let Some(plane) = reader.read(frame, "Averaging the shortest darks")? else {
            continue;
        };
        match &mut sum {
            Some((sum, n)) => {
                let values = sum.data_mut().iter_mut().zip(plane.data());
                values.for_each(|(s, v)| *s += v);
                *n += 1.0;
            }
            None => sum = Some((plane, 1.0)),
        }
    }
    Ok(sum.map(|(mut sum, n)| {
        sum.data_mut().iter_mut().for_each(|v| *v /= n);
        sum
    }))
}

fn hot(a: &Plane, b: &Plane, zero: &Plane, exposure_s: f64) -> HotReport {
    let found = find_hot_pixels(&lower_of_both(a, b, zero), &HotSettings::default());
    let count = found.places.len() as f64;
    HotReport {
        count: Measured {
            value: count,
            error: count.sqrt(),
        },
        share: count / (a.width() * a.height()).max(1) as f64,
        exposure_s,
    }
}

fn flats(sorted: &Sorted, reader: &mut Reader<'_>, out: &mut Gathered) -> Result<(), SensorError> {
    for group in &sorted.flats {
        out.used.flats += group.len();
        let mut before: Option<Plane> = None;
        for frame in group {
            // One that has no partner need not be decoded.
            if group.len() < 2 {
                continue;
            }
            let Some(plane) = reader.read(frame, "Measuring flats")? else {
                continue;
            };
            match before.take() {
                Some(other) => {
                    out.used.flat_pairs += 1;
                    let like = &sorted.like;
                    out.lit
                        .extend(pair_patches(&like.readout(&other), &like.readout(&plane)));
                }
                None => before = Some(plane),
            }
        }
    }
    Ok(())
}

/// From what was gathered to figures, and to sentences about what is missing.
fn solve(sorted: &Sorted, gathered: &Gathered) -> SensorAtIso {
    let like = &sorted.like;
    let saturation = Saturation {
        level_dn: sorted.piled_dn.unwrap_or_else(|| f64::from(like.span_dn[0])),
        seen: sorted.piled_dn.is_some(),
    };
    let levels: Vec<DarkLevel> = gathered.levels.iter().map(|l| l.1).collect();
    let grown = dark_current(&levels);
    let transfer = transfer(gathered, None, grown.as_ref(), saturation);
    let solved = transfer.as_ref().ok();
    let mut answer = SensorAtIso {
        camera: camera(like),
        iso: like.meta.iso,
        size_px: [like.size.0, like.size.1],
        gain_e_per_dn: solved.map(|t| t.gain_e_per_dn),
        read_noise_e: solved.map(|t| t.read_noise_e),
        full_well_e: solved.map(|t| t.full_well_e),
        saturation,
        dark: solved.and_then(|t| dark(sorted, gathered, grown.as_ref(), t)),
        hot: gathered.hot,
        channels: channels(like, gathered, grown.as_ref(), saturation),
        chi2_per_freedom: solved.map(|t| t.chi2_per_freedom),
        frames: gathered.used,
        missing: Vec::new(),
        notes: Vec::new(),
    };
    answer.missing = words::missing(sorted, &answer, transfer.as_ref().err());
    answer.notes = words::notes(sorted, &answer, solved, grown.as_ref());
    answer
}

fn camera(like: &Seen) -> Option<String> {
    let words: Vec<&str> = [&like.meta.make, &like.meta.model]
        .into_iter()
        .filter_map(|w| w.as_deref())
        .collect();
    (!words.is_empty()).then(|| words.join(" "))
}

/// Photon transfer of all places together, or of one.
fn transfer(
    gathered: &Gathered,
    place: Option<usize>,
    grown: Option<&DarkCurrent>,
    saturation: Saturation,
) -> Result<Transfer, TransferError> {
    // The zero frame has some exposure time; the level of none is a little below it.
    let no_time = grown.map_or(0.0, |g| g.zero_dn.value);
    let points = |patches: &[PairPatch]| -> Vec<TransferPoint> {
        let wanted = patches.iter().filter(|p| place.is_none_or(|k| p.place == k));
        wanted
            .map(|p| TransferPoint {
                level_dn: p.level_dn - gathered.zero_dn.get(p.place).copied().unwrap_or(0.0) - no_time,
                variance_dn2: p.variance_dn2,
                samples: p.samples,
            })
            .collect()
    };
    photon_transfer(
        &points(&gathered.lit),
        &points(&gathered.unlit),
        saturation.level_dn,
        &TransferSettings::default(),
    )
}

fn channels(
    like: &Seen,
    gathered: &Gathered,
    grown: Option<&DarkCurrent>,
    saturation: Saturation,
) -> Vec<Channel> {
    let (cfa, places) = (like.cfa, sensor_places(like.cfa));
    if places == 1 {
        return Vec::new();
    }
    let channel = |place: usize| {
        let t = transfer(gathered, Some(place), grown, saturation).ok()?;
        Some(Channel {
            name: place_name(cfa, place),
            gain_e_per_dn: t.gain_e_per_dn,
            read_noise_e: t.read_noise_e,
            full_well_e: t.full_well_e,
        })
    };
    let mut all: Vec<Channel> = (0..places).filter_map(channel).collect();
    // R, G1, G2, B whatever the order of the filters.
    let rank = |c: &Channel| "RGB".find(&c.name[..1]);
    all.sort_by_key(rank);
    all
}

/// R, B, and G1 and G2 for the greens of the upper and the lower row; R, G, B in a cell of 6 × 6.
fn place_name(cfa: Cfa, place: usize) -> String {
    if cfa.side() == 6 {
        return ["R", "G", "B"][place].into();
    }
    match cfa.cell()[place] {
        0 => "R".into(),
        2 => "B".into(),
        _ => format!("G{}", place / 2 + 1),
    }
}

fn dark(
    sorted: &Sorted,
    gathered: &Gathered,
    grown: Option<&DarkCurrent>,
    transfer: &Transfer,
) -> Option<DarkCurrentReport> {
    let gain = transfer.gain_e_per_dn;
    let by_level = in_electrons(grown?.rate_dn_per_s, gain);
    let by_noise = dark_current_from_noise(&gathered.variances, gain.value).map(|d| in_electrons(d, gain));
    let hidden = by_noise.filter(|n| {
        let apart = n.value - by_level.value;
        apart > HIDDEN_SIGMA * n.error.hypot(by_level.error) && n.value > HIDDEN_RATIO * by_level.value
    });
    Some(DarkCurrentReport {
        e_per_s: hidden.unwrap_or(by_level),
        from_noise: hidden.is_some(),
        longest_s: sorted.unlit.last()?.exposure_s,
    })
}
