//! Which frames are flats, darks and biases, and which make pairs.

use std::collections::BTreeMap;

use super::UnusedFrame;
use super::frames::Seen;

/// Hot pixels and dark current show from this exposure on, seconds.
pub(super) const HOT_FROM_S: f64 = 1.0;

/// From this share of saturation on a frame is lit.
const LIT: f64 = 0.03;
/// A short exposure above this share of saturation is not dark either.
const DARK: f64 = 0.005;
/// Shorter exposures than this, in seconds, gather no dark current worth a look.
const SHORT_S: f64 = 1.0;
/// How far two times or f-numbers may differ and still be the same setting.
const SAME: f64 = 0.03;
/// How far the levels of two flats of a pair may differ: lamps and twilight change.
const SAME_LEVEL: f64 = 0.05;

/// Frames of one sensor at one ISO, sorted.
#[derive(Clone, Debug)]
pub(super) struct Sorted {
    /// Any one of them, for what all have in common.
    pub(super) like: Seen,
    /// Lit frames that have no saturated half, in groups of one exposure and level.
    pub(super) flats: Vec<Vec<Seen>>,
    /// Unlit frames by exposure, shortest first.
    pub(super) unlit: Vec<Unlit>,
    /// The highest level at which pixels pile up in any frame, DN above black.
    pub(super) piled_dn: Option<f64>,
}

/// Unlit frames of one exposure time.
#[derive(Clone, Debug)]
pub(super) struct Unlit {
    pub(super) exposure_s: f64,
    pub(super) frames: Vec<Seen>,
}

/// One list per camera, size, filters, numbers and ISO, in a fixed order.
pub(super) fn by_sensor(seen: Vec<Seen>) -> Vec<Vec<Seen>> {
    let mut groups: BTreeMap<String, Vec<Seen>> = BTreeMap::new();
    for frame in seen {
        let m = &frame.meta;
        let iso = m.iso.unwrap_or(0.0);
        let key = format!(
            "{:?} {:?} {:?} {:?} {:?} {:?} {iso:012.1}",
            m.make, m.model, m.serial, frame.size, frame.cfa, frame.span_dn
        );
        groups.entry(key).or_default().push(frame);
    }
    groups.into_values().collect()
}

/// Sorts the frames of one sensor (at least one).
pub(super) fn sort(frames: Vec<Seen>, left_out: &mut Vec<UnusedFrame>) -> Sorted {
    let like = frames[0].clone();
    let piled_dn = frames.iter().filter_map(|f| f.piled_dn).reduce(f64::max);
    let (mut lit, mut unlit) = (Vec::new(), Vec::new());
    for frame in frames {
        let exposure = frame.meta.exposure_s;
        match (exposure, frame.level) {
            (_, level) if level >= LIT => lit.push(frame),
            (None, _) => refuse(
                left_out,
                frame,
                "its exposure time is not in the file, and a dark needs one",
            ),
            (Some(t), level) if level > DARK && t < SHORT_S => refuse(
                left_out,
                frame,
                &format!(
                    "at {:.1} % of saturation it is too bright for a dark and too dim for a flat; flats \
                     belong at about half of saturation",
                    level * 100.0
                ),
            ),
            (Some(_), _) => unlit.push(frame),
        }
    }
    Sorted {
        like,
        flats: flats(lit),
        unlit: by_exposure(unlit),
        piled_dn,
    }
}

fn refuse(left_out: &mut Vec<UnusedFrame>, frame: Seen, reason: &str) {
    left_out.push(UnusedFrame {
        path: frame.path,
        reason: reason.to_owned(),
    });
}

/// Whether two figures are the same setting.
fn same(a: Option<f64>, b: Option<f64>, within: f64) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() <= within * a.abs().max(b.abs()),
        (None, None) => true,
        _ => false,
    }
}

/// Groups of one exposure, aperture and level, each in the order in which they were taken.
fn flats(mut lit: Vec<Seen>) -> Vec<Vec<Seen>> {
    let order = |f: &Seen| {
        (
            f.meta.exposure_s.unwrap_or(0.0),
            f.meta.f_number.unwrap_or(0.0),
            f.level,
        )
    };
    lit.sort_by(|a, b| {
        let (a, b) = (order(a), order(b));
        a.0.total_cmp(&b.0)
            .then(a.1.total_cmp(&b.1))
            .then(a.2.total_cmp(&b.2))
    });
    let mut groups: Vec<Vec<Seen>> = Vec::new();
    for frame in lit {
        let like = |g: &Vec<Seen>| {
            let first = &g[0];
            same(first.meta.exposure_s, frame.meta.exposure_s, SAME)
                && same(first.meta.f_number, frame.meta.f_number, SAME)
                && same(Some(first.level), Some(frame.level), SAME_LEVEL)
        };
        match groups.last_mut().filter(|g| like(g)) {
            Some(group) => group.push(frame),
            None => groups.push(vec![frame]),
        }
    }
    groups.iter_mut().for_each(|g| in_order_taken(g));
    groups
}

fn by_exposure(mut unlit: Vec<Seen>) -> Vec<Unlit> {
    let time = |f: &Seen| f.meta.exposure_s.unwrap_or(0.0);
    unlit.sort_by(|a, b| time(a).total_cmp(&time(b)));
    let mut groups: Vec<Unlit> = Vec::new();
    for frame in unlit {
        let exposure_s = time(&frame);
        match groups
            .last_mut()
            .filter(|g| same(Some(g.exposure_s), Some(exposure_s), SAME))
        {
            Some(group) => group.frames.push(frame),
            None => groups.push(Unlit {
                exposure_s,
                frames: vec![frame],
            }),
        }
    }
    groups.iter_mut().for_each(|g| in_order_taken(&mut g.frames));
    groups
}

fn in_order_taken(frames: &mut [Seen]) {
    frames.sort_by(|a, b| (&a.meta.taken_local, &a.path).cmp(&(&b.meta.taken_local, &b.path)));
}
