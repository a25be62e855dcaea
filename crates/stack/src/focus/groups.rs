//! Which frames are of equal focus, and which of the groups is worth what.

use super::detail::{BlockDetail, Energy, FocusDetail, together};

/// Detail must stand so many σ above nothing, and two details so many σ apart.
const SIGMAS: f64 = 4.0;
/// Below this difference of log energies nothing is said of focus: wind and light do as much (common
/// practice, no source); an eighth of the contrast.
const TOLERANCE: f64 = 0.3;
/// Share of the blocks that must be sharper for a focus of its own, and their least number; where a frame
/// is only ever softer, more are asked for.
const OWN_SHARE: f64 = 0.03;
const OWN_BLOCKS: usize = 3;
const SOFT_SHARE: f64 = 0.15;
/// A loss is of one direction when the directions differ by this much of it: 2 for a shake that leaves one
/// direction alone, 0 for defocus.
const ONE_DIRECTION: f64 = 1.0;
/// Told distances are of one focus when they differ by less than this, in dioptres and as a share: files
/// round them.
const SAME_DIOPTRES: f64 = 0.002;
const SAME_SHARE: f64 = 0.02;
/// Blocks with more sky than this tell how sharp the far is: sky with its stars, and the ridge.
const FAR_SKY: f64 = 0.1;

/// What a group is worth to the picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FocusStanding {
    /// Somewhere sharper than every other, or the only one.
    Sharp,
    /// Nowhere sharper than another group and softer in many places, in all directions: out of focus.
    Soft,
    /// As [`FocusStanding::Soft`], but the detail is lost along one direction: the camera shook. A shake
    /// that went round is not told from defocus.
    Shaken,
}

/// Frames of equal focus.
#[derive(Clone, Debug, PartialEq)]
pub struct FocusGroup {
    /// Their places in what was given, ascending.
    pub frames: Vec<usize>,
    /// What the group is worth.
    pub standing: FocusStanding,
    /// Whether it is the one focused farthest: by the told distances, else by the sky and the ridge. One
    /// group at most; none where neither tells.
    pub farthest: bool,
}

/// Groups frames of one tripod and one lens by focus. `distances_m` are the file's, metres, infinity
/// allowed; where two frames both have one, it decides. Two frames are of different focus when each is
/// clearly sharper than the other somewhere on land (ratios of fine detail over coarse, so that light and
/// haze do not count), or one is clearly softer in many places and nowhere sharper. A frame too noisy to
/// tell joins the frames it differs least from. The grouping does not depend on the order of the frames;
/// groups are given by their first frame.
pub fn focus_groups(details: &[FocusDetail], distances_m: &[Option<f64>]) -> Vec<FocusGroup> {
    let n = details.len();
    let told = |i: usize| distances_m.get(i).copied().flatten().filter(|d| *d > 0.0);
    let pairs: Vec<Vec<Pair>> = (0..n)
        .map(|i| {
            (0..n)
                .map(|j| Pair::of(&details[i], &details[j], told(i), told(j)))
                .collect()
        })
        .collect();
    let clusters = clusters(&pairs);
    let mut groups: Vec<FocusGroup> = clusters
        .iter()
        .map(|frames| FocusGroup {
            frames: frames.clone(),
            standing: standing(frames, &clusters, &pairs),
            farthest: false,
        })
        .collect();
    if let Some(far) = farthest(&groups, details, &told) {
        groups[far].farthest = true;
    }
    groups
}

/// How two frames compare.
#[derive(Clone, Copy, Debug, Default)]
struct Pair {
    /// Whether the told distances say it all.
    told: Option<bool>,
    /// Blocks that can be compared, and those in which the first is clearly sharper, the second.
    known: usize,
    sharper: [usize; 2],
    /// Mean excess of the differences over their errors, squared.
    apart: f64,
    /// Median loss of the softer, and how much of it is of one direction.
    one_direction: bool,
}

impl Pair {
    fn of(a: &FocusDetail, b: &FocusDetail, da: Option<f64>, db: Option<f64>) -> Self {
        let mut pair = Self {
            told: da.zip(db).map(|(p, q)| same_distance(p, q)),
            ..Self::default()
        };
        let mut losses: Vec<[f64; 3]> = Vec::new();
        let both = a.blocks.iter().zip(&b.blocks);
        for (p, q) in both.filter(|(p, q)| p.is_land() && q.is_land()) {
            let Some((ratio, error)) = compare(p, q) else {
                continue;
            };
            pair.known += 1;
            pair.apart += (ratio / error).powi(2);
            if ratio.abs() > (SIGMAS * error).max(TOLERANCE) {
                pair.sharper[usize::from(ratio < 0.0)] += 1;
                losses.extend(directions(p, q).map(|[u, v]| [u, v, ratio]));
            }
        }
        pair.apart /= pair.known.max(1) as f64;
        let median = |axis: usize| {
            let mut values: Vec<f64> = losses.iter().map(|l| l[axis] * l[2].signum()).collect();
            values.sort_by(f64::total_cmp);
            values.get(values.len() / 2).copied().unwrap_or(0.0)
        };
        pair.one_direction = median(0).hypot(median(1)) > ONE_DIRECTION * median(2) && median(2) > 0.0;
        pair
    }

    fn own(&self, side: usize) -> bool {
        let needed = OWN_BLOCKS.max((OWN_SHARE * self.known as f64).ceil() as usize);
        self.sharper[side] >= needed
    }

    /// Whether only the first (0) or the second (1) is sharper, and in many places.
    fn only(&self, side: usize) -> bool {
        let many = (SOFT_SHARE * self.known as f64).ceil() as usize;
        self.own(side) && !self.own(1 - side) && self.sharper[side] >= many
    }

    fn differ(&self) -> bool {
        match self.told {
            Some(same) => !same,
            None => (self.own(0) && self.own(1)) || self.only(0) || self.only(1),
        }
    }
}

fn same_distance(p: f64, q: f64) -> bool {
    let (p, q) = (p.recip(), q.recip());
    (p - q).abs() <= SAME_DIOPTRES.max(SAME_SHARE * p.max(q))
}

/// Logarithm of a's sharpness over b's in a block, and its error; `None` where noise hides it.
fn compare(a: &BlockDetail, b: &BlockDetail) -> Option<(f64, f64)> {
    let (fine, fine_error) = log_ratio(&together(&a.fine), &together(&b.fine))?;
    let (coarse, coarse_error) = log_ratio(&a.coarse, &b.coarse)?;
    Some((fine - coarse, fine_error.hypot(coarse_error)))
}

/// The logarithm of a ratio. Where only one shows, the other is taken at the most it can be, and the
/// result stands only if it still says the same.
fn log_ratio(a: &Energy, b: &Energy) -> Option<(f64, f64)> {
    let shows = |e: &Energy| e.value > SIGMAS * e.error;
    let most = |e: &Energy| e.value.max(0.0) + 2.0 * e.error;
    let relative = |e: &Energy| e.error / e.value;
    let (value, error) = match (shows(a), shows(b)) {
        (true, true) => ((a.value / b.value).ln(), relative(a).hypot(relative(b))),
        (true, false) => ((a.value / most(b)).ln(), relative(a)),
        (false, true) => ((most(a) / b.value).ln(), relative(b)),
        (false, false) => return None,
    };
    let consistent = (shows(a) || value < 0.0) && (shows(b) || value > 0.0);
    (consistent && value.is_finite()).then_some((value, error.max(1e-3)))
}

/// How the difference of both depends on direction: across less down, one diagonal less the other.
fn directions(a: &BlockDetail, b: &BlockDetail) -> Option<[f64; 2]> {
    let q = |d: usize| log_ratio(&a.fine[d], &b.fine[d]).map(|(v, _)| v);
    Some([q(0)? - q(1)?, q(2)? - q(3)?])
}

/// Frames joined, those most alike first, never two that differ (complete linkage, Sørensen 1948).
fn clusters(pairs: &[Vec<Pair>]) -> Vec<Vec<usize>> {
    let n = pairs.len();
    let mut clusters: Vec<Vec<usize>> = (0..n).map(|i| vec![i]).collect();
    let mut order: Vec<(usize, usize)> = (0..n).flat_map(|i| (i + 1..n).map(move |j| (i, j))).collect();
    let key = |&(i, j): &(usize, usize)| {
        let pair = &pairs[i][j];
        // What is told or known comes first.
        (pair.told.is_none(), pair.known == 0, pair.apart)
    };
    order.sort_by(|p, q| {
        let (p, q) = (key(p), key(q));
        (p.0, p.1).cmp(&(q.0, q.1)).then(p.2.total_cmp(&q.2))
    });
    for (i, j) in order {
        let find = |k: usize| clusters.iter().position(|c| c.contains(&k));
        let (Some(p), Some(q)) = (find(i), find(j)) else {
            continue;
        };
        let apart = clusters[p]
            .iter()
            .any(|u| clusters[q].iter().any(|v| pairs[*u][*v].differ()));
        if p != q && !apart {
            let moved = std::mem::take(&mut clusters[q]);
            clusters[p].extend(moved);
            clusters.remove(q);
        }
    }
    clusters.iter_mut().for_each(|c| c.sort_unstable());
    clusters.sort();
    clusters
}

fn standing(frames: &[usize], clusters: &[Vec<usize>], pairs: &[Vec<Pair>]) -> FocusStanding {
    let mut loses_to = clusters
        .iter()
        .filter(|other| *other != frames)
        .filter_map(|other| {
            let met = frames.iter().flat_map(|i| other.iter().map(|j| &pairs[*i][*j]));
            let met: Vec<&Pair> = met.collect();
            let loses = met.iter().any(|p| p.only(1)) && !met.iter().any(|p| p.own(0));
            loses.then(|| met.iter().filter(|p| p.only(1)).all(|p| p.one_direction))
        });
    match loses_to.next() {
        None => FocusStanding::Sharp,
        Some(true) => FocusStanding::Shaken,
        Some(false) => FocusStanding::Soft,
    }
}

/// The group focused farthest among the sharp ones.
fn farthest(
    groups: &[FocusGroup],
    details: &[FocusDetail],
    told: &dyn Fn(usize) -> Option<f64>,
) -> Option<usize> {
    let sharp: Vec<usize> = (0..groups.len())
        .filter(|g| groups[*g].standing == FocusStanding::Sharp)
        .collect();
    if let [only] = sharp[..] {
        return Some(only);
    }
    let distance = |g: &usize| groups[*g].frames.iter().find_map(|i| told(*i));
    let distances: Option<Vec<f64>> = sharp.iter().map(distance).collect();
    let worth = distances.map_or_else(
        || {
            let sharpness = |g: &usize| far_sharpness(&groups[*g], details);
            sharp.iter().map(sharpness).collect::<Option<Vec<f64>>>()
        },
        Some,
    )?;
    let best = (0..sharp.len()).max_by(|p, q| worth[*p].total_cmp(&worth[*q]))?;
    Some(sharp[best])
}

/// Fine detail over coarse where sky is.
fn far_sharpness(group: &FocusGroup, details: &[FocusDetail]) -> Option<f64> {
    let blocks = group.frames.iter().flat_map(|i| &details[*i].blocks);
    let (mut fine, mut coarse) = (Energy::default(), Energy::default());
    for block in blocks.filter(|b| b.sky > FAR_SKY) {
        for (sum, e) in [(&mut fine, together(&block.fine)), (&mut coarse, block.coarse)] {
            sum.value += e.value;
            sum.error = sum.error.hypot(e.error);
        }
    }
    let shows = |e: &Energy| e.value > SIGMAS * e.error;
    shows(&coarse).then(|| fine.value.max(0.0) / coarse.value)
}
