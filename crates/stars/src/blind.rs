//! Which stars of the sky a frame shows, nothing known but their places in it.
//!
//! Figures of four stars are looked up in the catalogue's by shape (after Lang et al. 2010, AJ 139,
//! 1782). As wide fields bend shapes, the frame is unprojected for a ladder of focal lengths and all
//! shapes are true angles. Each likeness gives an attitude and a focal length; those that a look at the
//! other bright stars bears out are refined and judged as in [`crate::identify`]. The brightest stars
//! are tried first, the mirrored frame after the upright one.

use std::f64::consts::{FRAC_PI_2, PI};

use nalgebra::{Matrix3, Rotation3, Vector3};
use nightloom_optics::{Lens, Projection};
use nightloom_sky::{Instant, Site};
use rayon::prelude::*;

use crate::asterisms::{Depth, Figure, depths, figure, threes};
use crate::identify::{Search, apparent};
use crate::matching::log_odds;
use crate::near::NearGrid;
use crate::pose::Pose;
use crate::{Identification, IdentifySettings, Star, Stop};

/// How a frame is identified without knowing anything of it.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct BlindSettings {
    /// Least and largest focal length, as a part of half the frame's diagonal. The default holds fields
    /// from 2.4° to 128° across the diagonal; below 5°, few parts of the sky have the stars.
    pub focal_range: [f64; 2],
    /// Projection of the lens.
    pub projection: Projection,
    /// Whether the frame may be a mirror image.
    pub mirrored: bool,
    /// Brightest stars that figures are made of; the time of a search in vain grows with their number.
    pub brightest: usize,
    /// Natural logarithm of the odds against chance above which an answer counts.
    pub min_log_odds: f64,
    /// Where the camera stood, if the instant is to the minute; refraction is then taken into the
    /// catalogue's directions.
    pub site: Option<Site>,
    /// The lens, if earlier frames showed it: the search then holds to it, with `focal_range` and `projection` of no
    /// account. Of the frame as it is, not as a mirror image.
    pub lens: Option<Lens>,
}

impl Default for BlindSettings {
    fn default() -> Self {
        Self {
            focal_range: [0.48, 49.0],
            projection: Projection::Rectilinear,
            mirrored: true,
            brightest: 38,
            min_log_odds: 20.0,
            site: None,
            lens: None,
        }
    }
}

/// A frame identified blindly.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct BlindIdentification {
    /// Attitude, lens and matches. Where `mirrored`, of the frame flipped left to right:
    /// x becomes width − 1 − x.
    pub found: Identification,
    /// Whether the frame is a mirror image of the sky.
    pub mirrored: bool,
    /// Bound on the chance that an answer this good comes from stars strewn at random, all attitudes
    /// tried counted in.
    pub false_alarm: f64,
    /// Attitudes that were looked at.
    pub tried: usize,
    /// Where the camera stood, if refraction is taken out.
    pub site: Option<Site>,
    /// The instant that the catalogue's stars were taken at.
    pub instant: Instant,
    width: usize,
}

impl BlindIdentification {
    /// The ICRS direction that a pixel of the frame as it is looks along; `None` outside the lens's image.
    pub fn direction(&self, pixel: [f64; 2]) -> Option<Vector3<f64>> {
        let seen = self.found.lens.unproject(self.on_lens(pixel))?;
        Some(self.found.attitude.inverse() * seen.into_inner())
    }

    /// Seen minus computed of each matched star: its place and the difference, pixels of the frame as it is.
    pub fn residuals(&self, stars: &[Star]) -> Vec<[[f64; 2]; 2]> {
        let directions = apparent(self.site, self.instant);
        self.found
            .matches
            .iter()
            .filter_map(|&(star, known)| {
                let seen = [stars.get(star)?.x, stars[star].y];
                let computed = self
                    .found
                    .lens
                    .project(&(self.found.attitude * directions[known]?))?;
                let computed = self.on_lens(computed);
                Some([seen, [seen[0] - computed[0], seen[1] - computed[1]]])
            })
            .collect()
    }

    /// A pixel of the frame as the lens has it: flipped where `mirrored`.
    pub(crate) fn on_lens(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        if self.mirrored {
            [self.width as f64 - 1.0 - x, y]
        } else {
            [x, y]
        }
    }
}

/// Step of the ladder of focal lengths by the tangent of half the field's diagonal: bounds.
const TANGENTS: [f64; 17] = [
    0.02, 0.035, 0.065, 0.12, 0.20, 0.28, 0.38, 0.48, 0.58, 0.70, 0.84, 1.0, 1.2, 1.44, 1.73, 2.08, 2.5,
];
/// Half the step about a lens that is known: focusing and warmth change it less.
const KNOWN_STEP: f64 = 0.01;
/// Brightest stars that figures are made of, pass by pass, and whether mirrored.
const PASSES: [(usize, bool); 6] = [
    (14, false),
    (14, true),
    (24, false),
    (24, true),
    (38, false),
    (38, true),
];
/// Nearest neighbours of a star of the frame that it makes figures with. The catalogue's make them with six, and of a frame's stars
/// down to one brightness no more stand between; two are left for points that are no stars. All fours of the brightest 38 are
/// nine times as many to try and bring no frame more: 200 of 200 simulated fields either way.
const NEAR: usize = 8;
/// Difference of a code up to which two figures may be one, before distortion is known.
const CODE_REACH: f32 = 0.016;
/// How far a figure's size may be off beyond the ladder's step, natural logarithm.
const SIZE_SLACK: f64 = 0.04;
/// Stars a likeness is looked at with, and how many of them decide whether to look on.
const LOOKED: usize = 40;
const FIRST_LOOK: usize = 14;
/// Reach of a look, as a part of the frame's angular diagonal.
const LOOSE: f64 = 0.012;
/// Catalogue stars per frame that a look compares with.
const LOOK_DEPTH: f64 = 100.0;
/// Log odds of a look from which on an attitude is refined.
const WORTH: f64 = 4.0;
/// Attitudes refined in a pass, and at a time.
const REFINED: usize = 24;
const AT_A_TIME: usize = 4;
/// Stars of the figure an attitude came from: they agree by construction.
const FREE: usize = 4;

/// Identifies the stars of a frame, brightest first, against the embedded catalogue (V < 8), from
/// their places and the order of their brightness alone.
///
/// `size_px` is the frame's width and height; the lens's axis must be near its middle. `instant` is
/// for proper motion (a decade off does not matter). `None` where no answer is surer than chance.
/// The first call makes the table of figures (0.5 s or so); later ones find it made.
pub fn identify_blind(
    stars: &[Star],
    size_px: [usize; 2],
    settings: &BlindSettings,
    instant: Instant,
) -> Option<BlindIdentification> {
    identify_blind_unless(stars, size_px, settings, instant, &|| false)
}

/// The same, given up with `None` once `stop` says so, within some tenths of a second.
pub fn identify_blind_unless(
    stars: &[Star],
    size_px: [usize; 2],
    settings: &BlindSettings,
    instant: Instant,
    stop: Stop<'_>,
) -> Option<BlindIdentification> {
    if stars.len() < 6 {
        return None;
    }
    let directions = apparent(settings.site, instant);
    let flipped: Vec<Star> = stars
        .iter()
        .map(|s| Star {
            x: size_px[0] as f64 - 1.0 - s.x,
            ..*s
        })
        .collect();
    let mut tried = 0;
    let mut done = [0; 2];
    for (bright, mirrored) in PASSES {
        if (mirrored && !settings.mirrored) || bright > settings.brightest {
            continue;
        }
        let from = std::mem::replace(&mut done[usize::from(mirrored)], bright);
        let blind = Blind {
            stars: if mirrored { &flipped } else { stars },
            size_px,
            settings,
            directions: &directions,
            stop,
        };
        if let Some(found) = blind.pass(from..bright, &mut tried) {
            return Some(BlindIdentification {
                false_alarm: (-found.log_odds).exp(),
                found,
                mirrored,
                tried,
                site: settings.site,
                instant,
                width: size_px[0],
            });
        }
    }
    None
}

/// Solves a frame that was identified once more with refraction taken out, now that place and time are
/// known: attitude and lens then apply to directions as the air lifts them, and its bending is no longer in
/// the distortion. `None` where the stars do not bear it out.
pub fn identify_again(
    stars: &[Star],
    known: &BlindIdentification,
    site: Site,
    instant: Instant,
) -> Option<BlindIdentification> {
    let settings = IdentifySettings {
        focal_tolerance: 0.02,
        site: Some(site),
        ..IdentifySettings::default()
    };
    let directions = apparent(Some(site), instant);
    let upright: Vec<Star> = stars
        .iter()
        .map(|s| Star {
            x: known.on_lens([s.x, s.y])[0],
            ..*s
        })
        .collect();
    let start = Pose {
        attitude: known.found.attitude,
        lens: known.found.lens,
    };
    let search = Search::new(&upright, &start.lens, &settings, &directions)?;
    let (odds, pose, reach) = search.refine(start)?;
    let enough = odds > settings.min_log_odds;
    let found = enough.then(|| search.conclude(pose, reach, odds)).flatten()?;
    Some(BlindIdentification {
        found: Identification {
            log_odds: known.found.log_odds,
            ..found
        },
        site: Some(site),
        instant,
        ..known.clone()
    })
}

/// One way up of the frame.
struct Blind<'a> {
    stars: &'a [Star],
    size_px: [usize; 2],
    settings: &'a BlindSettings,
    directions: &'a [Option<Vector3<f64>>],
    stop: Stop<'a>,
}

/// A step of the ladder of focal lengths.
struct Rung<'a> {
    lens: Lens,
    /// Half the step, natural logarithm of the focal length.
    half_step: f64,
    depths: Vec<&'a Depth>,
    look: NearGrid,
    /// The chance that a star hits within the reach of a look.
    chance: f64,
    /// Hits among the first stars without which a look ends.
    enough_at_first: usize,
}

/// An attitude worth refining.
#[derive(Clone, Copy)]
struct Candidate {
    worth: f64,
    pose: Pose,
}

impl Blind<'_> {
    /// Looks at figures whose faintest star is in `range`, brightest first.
    fn pass(&self, range: std::ops::Range<usize>, tried: &mut usize) -> Option<Identification> {
        let range = range.start..range.end.min(self.stars.len());
        let half = 0.5 * (self.size_px[0] as f64).hypot(self.size_px[1] as f64);
        let looks: Vec<(usize, Vec<Candidate>)> = self
            .ladder(half)
            .par_iter()
            .map(|(lens, half_step)| {
                let rung = self.rung(half, *lens, *half_step, range.end);
                self.climb(&rung, range.clone())
            })
            .collect();
        *tried += looks.iter().map(|l| l.0).sum::<usize>();
        let mut candidates: Vec<Candidate> = looks.into_iter().flat_map(|l| l.1).collect();
        candidates.sort_by(|a, b| b.worth.total_cmp(&a.worth));
        candidates.truncate(REFINED);
        let trials = (*tried).max(1) as f64;
        candidates.chunks(AT_A_TIME).find_map(|few| {
            let answers: Vec<Option<Identification>> =
                few.par_iter().map(|c| self.refine(c, trials.ln())).collect();
            answers
                .into_iter()
                .flatten()
                .max_by(|a, b| a.log_odds.total_cmp(&b.log_odds))
        })
    }

    /// The lenses to look through, each with half the step to the next, natural logarithm of the focal length.
    fn ladder(&self, half_px: f64) -> Vec<(Lens, f64)> {
        if let Some(lens) = self.settings.lens {
            return vec![(lens, KNOWN_STEP)];
        }
        let [width, height] = self.size_px;
        let [short, long] = self.settings.focal_range;
        TANGENTS
            .windows(2)
            .filter(|t| 1.0 / t[0] > short && 1.0 / t[1] < long)
            .map(|t| {
                let mut lens = Lens::rectilinear(half_px / (t[0] * t[1]).sqrt(), width, height);
                lens.projection = self.settings.projection;
                (lens, 0.5 * (t[1] / t[0]).ln())
            })
            .collect()
    }

    fn rung(&self, half_px: f64, lens: Lens, half_step: f64, bright: usize) -> Rung<'static> {
        let (sky, diagonal) = self.extent(&lens, half_px);
        let reach = LOOSE * diagonal;
        let count = ((LOOK_DEPTH / sky) as usize).clamp(100, self.directions.len());
        let look: Vec<Vector3<f64>> = self.directions.iter().take(count).flatten().copied().collect();
        Rung {
            lens,
            half_step,
            depths: depths()
                .iter()
                .filter(|d| {
                    let held = d.stars as f64 * sky;
                    held > 2.0 && held < 3.0 * bright as f64
                })
                .collect(),
            look: NearGrid::new(&look, reach),
            // Where the sky has few stars that are bright enough, they may all be among the others.
            enough_at_first: if count == self.directions.len() { 0 } else { 2 },
            chance: (0.25 * count as f64 * reach * reach).clamp(0.005, 0.5),
        }
    }

    /// The part of the sky in the frame, about, and its angular diagonal, radians.
    fn extent(&self, lens: &Lens, half_px: f64) -> (f64, f64) {
        let [width, height] = self.size_px.map(|n| n as f64);
        let corner = [lens.centre_px[0] - half_px, lens.centre_px[1]];
        let off = lens
            .angle_off_axis(corner)
            .map_or(FRAC_PI_2, |a| a.rad().min(FRAC_PI_2));
        // A rectangle fills this part of the circle about it.
        let share = width * height / (PI * half_px * half_px);
        (0.5 * (1.0 - off.cos()) * share, 2.0 * off)
    }

    /// Every figure of the brightest stars at one focal length.
    fn climb(&self, rung: &Rung<'_>, range: std::ops::Range<usize>) -> (usize, Vec<Candidate>) {
        let eyes = Eyes::new(self, rung, range.end);
        let (mut tried, mut candidates) = (0, Vec::new());
        for faintest in range.start.max(3)..eyes.seen.len() {
            if (self.stop)() {
                break;
            }
            for key in neighbourly(&eyes.seen, faintest) {
                if let Some(shape) = figure(&eyes.seen, key) {
                    eyes.compare(&shape, &mut tried, &mut candidates);
                }
            }
        }
        candidates.sort_by(|a, b| b.worth.total_cmp(&a.worth));
        candidates.truncate(REFINED);
        (tried, candidates)
    }

    fn refine(&self, candidate: &Candidate, trials: f64) -> Option<Identification> {
        if (self.stop)() {
            return None;
        }
        let settings = IdentifySettings {
            focal_tolerance: 0.3,
            min_log_odds: self.settings.min_log_odds,
            site: self.settings.site,
        };
        let mut search = Search::new(self.stars, &candidate.pose.lens, &settings, self.directions)?;
        search.free = FREE;
        let (odds, pose, reach) = search.refine(candidate.pose)?;
        let odds = odds - trials;
        (odds > settings.min_log_odds)
            .then(|| search.conclude(pose, reach, odds))
            .flatten()
    }
}

/// Fours of stars, brightest first in the list, that the catalogue's figures can hold: their faintest is `faintest`, and
/// one of them has the others among its nearest of all that are no fainter.
fn neighbourly(stars: &[Vector3<f64>], faintest: usize) -> Vec<[u16; 4]> {
    let mut keys = Vec::new();
    for hub in 0..=faintest {
        let mut near: Vec<(f64, u16)> = (0..=faintest)
            .filter(|n| *n != hub)
            .map(|n| ((stars[n] - stars[hub]).norm_squared(), n as u16))
            .collect();
        near.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        near.truncate(NEAR);
        let with = threes(hub as u16, &near).into_iter();
        // In the order of a key the faintest comes last.
        keys.extend(with.filter(|key| usize::from(key[3]) == faintest));
    }
    keys.sort_unstable();
    keys.dedup();
    keys
}

/// The frame's stars at one rung.
struct Eyes<'a> {
    rung: &'a Rung<'a>,
    directions: &'a [Option<Vector3<f64>>],
    /// The brightest as unit vectors at the rung's focal length and at one a little longer.
    seen: Vec<Vector3<f64>>,
    longer: Vec<Vector3<f64>>,
    views: Vec<SkyThroughLens>,
}

/// The stars looked at as one focal length shows them.
struct SkyThroughLens {
    lens: Lens,
    stars: Vec<Vector3<f64>>,
}

/// By how much `Eyes::longer` is longer, natural logarithm.
const LONGER: f64 = 0.02;
/// Steps of focal length within a rung, natural logarithm: a quarter of it is far less than a look's reach.
const VIEW_STEP: f64 = 0.005;

impl<'a> Eyes<'a> {
    fn new(blind: &Blind<'a>, rung: &'a Rung<'a>, bright: usize) -> Self {
        let longer = scaled(&rung.lens, LONGER);
        let views = (1.1 * rung.half_step / VIEW_STEP).ceil() as i32;
        let mut lenses: Vec<Lens> = (-views..=views)
            .map(|n| scaled(&rung.lens, f64::from(n) * VIEW_STEP))
            .collect();
        lenses.extend([rung.lens, longer]);
        let stars = blind.stars.iter().take(LOOKED.max(bright));
        let mut seen: Vec<Vec<Vector3<f64>>> = vec![Vec::new(); lenses.len()];
        for p in stars.map(|s| [s.x, s.y]) {
            // A star counts where every lens shows it.
            let all: Option<Vec<Vector3<f64>>> = lenses
                .iter()
                .map(|lens| lens.unproject(p).map(|d| d.into_inner()))
                .collect();
            if let Some(all) = all {
                seen.iter_mut().zip(all).for_each(|(list, d)| list.push(d));
            }
        }
        let mut brightest = || {
            let mut list = seen.pop().unwrap_or_default();
            list.truncate(bright);
            list
        };
        let (longer, middle) = (brightest(), brightest());
        let views = lenses
            .into_iter()
            .zip(seen)
            .map(|(lens, stars)| SkyThroughLens { lens, stars });
        Self {
            rung,
            directions: blind.directions,
            seen: middle,
            longer,
            views: views.collect(),
        }
    }

    /// As a focal length shows the stars that is longer than the rung's by `log`, natural logarithm.
    fn view(&self, log: f64) -> &SkyThroughLens {
        let middle = (self.views.len() / 2) as f64;
        let at = (middle + log / VIEW_STEP).round().clamp(0.0, 2.0 * middle);
        &self.views[at as usize]
    }

    /// Looks the figure up at every depth.
    fn compare(&self, seen: &Figure, tried: &mut usize, candidates: &mut Vec<Candidate>) {
        let [a, b] = [0, 1].map(|k| usize::from(seen.corners[k]));
        // How the figure shrinks as the focal length grows: not at all far off a wide lens's axis.
        let growth = ((self.longer[a] - self.longer[b]).norm() / f64::from(seen.size)).ln() / LONGER;
        let slack = self.rung.half_step * growth.abs() + SIZE_SLACK;
        for depth in &self.rung.depths {
            let size = f64::from(seen.size);
            if size * slack.exp() < f64::from(depth.sizes[0])
                || size / slack.exp() > f64::from(depth.sizes[1])
            {
                continue;
            }
            depth.like(&seen.code, CODE_REACH, |known| {
                let ratio = (f64::from(known.size) / size).ln();
                if ratio.abs() > slack {
                    return;
                }
                *tried += 1;
                let step = if growth.abs() > 0.3 { ratio / growth } else { 0.0 };
                candidates.extend(self.look(seen, known, self.view(step)));
            });
        }
    }

    /// How many other bright stars the attitude explains.
    fn look(&self, seen: &Figure, known: &Figure, view: &SkyThroughLens) -> Option<Candidate> {
        let corner = |k: usize| view.stars[usize::from(seen.corners[k])];
        let star = |k: usize| self.directions[usize::from(known.corners[k])];
        let attitude = Rotation3::from_matrix_unchecked(
            frame(&corner(0), &corner(1)) * frame(&star(0)?, &star(1)?).transpose(),
        );
        let back = attitude.inverse();
        let (mut looked, mut hits) = (0, 0);
        for (n, star) in view.stars.iter().take(LOOKED).enumerate() {
            if seen.corners.contains(&(n as u16)) {
                continue;
            }
            looked += 1;
            hits += usize::from(self.rung.look.any(&(back * star)));
            if n + 1 == FIRST_LOOK && hits < self.rung.enough_at_first {
                return None;
            }
        }
        let worth = log_odds(looked, hits, self.rung.chance);
        (worth > WORTH).then_some(Candidate {
            worth,
            pose: Pose {
                attitude,
                lens: view.lens,
            },
        })
    }
}

fn scaled(lens: &Lens, log: f64) -> Lens {
    Lens {
        focal_px: lens.focal_px * log.exp(),
        ..*lens
    }
}

/// Axes made of two directions: their middle, from one to the other, and square to both.
fn frame(a: &Vector3<f64>, b: &Vector3<f64>) -> Matrix3<f64> {
    let middle = (a + b).normalize();
    let along = (b - a).normalize();
    Matrix3::from_columns(&[middle, along, middle.cross(&along)])
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightloom_fit::Random;

    #[test]
    fn fours_of_neighbours_are_few_and_none_is_lost_among_few() {
        let mut random = Random::new(3);
        let stars: Vec<Vector3<f64>> = (0..76)
            .map(|_| Vector3::new(random.between(-0.3, 0.3), random.between(-0.2, 0.2), 1.0).normalize())
            .collect();
        let count = |to: usize| (3..to).map(|n| neighbourly(&stars, n).len()).sum::<usize>();
        // All fours of nine.
        assert_eq!(count(9), 126);
        let (some, twice) = (count(38), count(76));
        assert!(some < 73_815 / 6, "{some} of 73815 fours of 38");
        // In proportion to the stars, not to their fourth power.
        assert!(twice < 3 * some, "{some}, {twice}");
        for key in neighbourly(&stars, 30) {
            assert!(key.windows(2).all(|k| k[0] < k[1]) && key[3] == 30, "{key:?}");
        }
    }
}
