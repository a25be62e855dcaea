//! What merging a painted focus bracket keeps of the detail, and what halo and noise it leaves.
//!
//! Judged against the noise-free picture that is in focus everywhere. Light lost into or gained from the
//! neighbour within the discs of defocus is in every frame, so depth steps are kept away from by
//! [`AWAY_PX`], and the sky, which is the far frame's by contract, is not judged.

use nightloom_raster::{Plane, Rgb};
use nightloom_stack::{FocusLayer, FuseSettings, NoiseLine, fuse};

use crate::focus_scene::{Painting, SIZE, Setting};

const AWAY_PX: f64 = 5.0;
const FOCUSES: [f64; 3] = [0.0, 0.12, 0.33];
const CELL: usize = 64;
/// σ of the windows in which halos are judged: half the largest disc of defocus.
const WINDOW_PX: f64 = 4.0;

/// A merged bracket: what the weights, found with noise, make of the noise-free frames.
struct Merged {
    truth: Plane,
    frames: Vec<Plane>,
    clean: Plane,
    /// The depth of each pixel, and its distance from the next step of depth.
    depth: Vec<usize>,
    away: Vec<f64>,
    sky: Plane,
}

impl Merged {
    fn new(seed: u64, noise: f64) -> Self {
        let painting = Painting::new(seed);
        let setting = |i: usize| Setting {
            noise,
            noise_seed: seed * 10 + i as u64,
            ..Setting::at(FOCUSES[i])
        };
        let clean: Vec<Rgb> = (0..3).map(|i| painting.sharp(&setting(i), false)).collect();
        let frames: Vec<Plane> = clean.iter().map(Rgb::brightness).collect();
        // Red carries the noise-free, green the noisy brightness, and blue what makes the whole's
        // brightness the noisy one: so the weights are found with noise, and shown without.
        let pictures: Vec<Rgb> = (0..3)
            .map(|i| {
                let noisy = crate::focus_scene::noisy(clean[i].clone(), &setting(i)).brightness();
                let both = noisy.data().iter().zip(frames[i].data());
                let rest = both.map(|(n, c)| 2.0 * n - c).collect();
                let rest = Plane::from_vec(SIZE[0], SIZE[1], rest);
                Rgb::from_planes([frames[i].clone(), noisy, rest])
            })
            .collect();
        let [floor, slope] = setting(0).noise_line();
        let layers: Vec<FocusLayer<'_>> = pictures
            .iter()
            .map(|picture| FocusLayer {
                picture,
                noise: NoiseLine { floor, slope },
            })
            .collect();
        let sky = painting.sky();
        let fused = fuse(&layers, Some(&sky), 0, &FuseSettings::default()).unwrap();
        let clean = fused.planes()[0].clone();
        let depth = painting.depths();
        Self {
            truth: painting.sharp(&setting(0), true).brightness(),
            frames,
            clean,
            away: away(&depth),
            depth,
            sky,
        }
    }

    fn is_land(&self, k: usize) -> bool {
        self.sky.data()[k] < 0.02
    }

    /// Of each cell and depth beyond the steps: the slope of the merged detail on that of the frame that is
    /// in focus there.
    fn sharpness(&self) -> Vec<f64> {
        let merged = detail(&self.clean);
        let frames: Vec<Vec<f64>> = self.frames.iter().map(detail).collect();
        let mut all = Vec::new();
        for depth in 1..4 {
            let best = &frames[depth - 1];
            for cell in self.cells(|k| self.depth[k] == depth && self.away[k] > AWAY_PX) {
                all.push(slope(&merged, best, &cell));
            }
        }
        all
    }

    /// Of each cell of land, steps included: the slope of the merged detail on the truth's, over that of
    /// the frame with the most.
    fn over_best(&self) -> Vec<f64> {
        let (merged, truth) = (detail(&self.clean), detail(&self.truth));
        let frames: Vec<Vec<f64>> = self.frames.iter().map(detail).collect();
        let ratio = |cell: &Vec<usize>| {
            let best = frames.iter().map(|f| slope(f, &truth, cell));
            slope(&merged, &truth, cell) / best.fold(f64::MIN, f64::max)
        };
        self.cells(|_| true).iter().map(ratio).collect()
    }

    /// Pixels of land of each cell that has enough of them.
    fn cells(&self, wanted: impl Fn(usize) -> bool) -> Vec<Vec<usize>> {
        let columns = SIZE[0] / CELL;
        let mut cells = vec![Vec::new(); columns * (SIZE[1] / CELL)];
        for k in (0..SIZE[0] * SIZE[1]).filter(|k| self.is_land(*k) && wanted(*k)) {
            let (column, row) = (k % SIZE[0] / CELL, k / SIZE[0] / CELL);
            if column < columns {
                cells[row * columns + column].push(k);
            }
        }
        cells.retain(|c| c.len() * 8 >= CELL * CELL);
        cells
    }

    /// Differences from the truth beyond the steps, as shares of the level, in windows that do not look
    /// across, ascending: of the merged picture, and the least of the frames at each place, which no choice
    /// among them betters.
    fn halos(&self) -> [Vec<f64>; 2] {
        let far: Vec<f64> = (0..self.depth.len())
            .map(|k| f64::from(u8::from(self.away[k] > AWAY_PX && self.is_land(k))))
            .collect();
        let within = |plane: &Plane| {
            let kept = plane.data().iter().zip(&far).map(|(v, f)| f64::from(*v) * f);
            smooth(&kept.collect::<Vec<f64>>(), WINDOW_PX)
        };
        let truth = within(&self.truth);
        let off = |plane: &Plane| -> Vec<f64> {
            let both = within(plane).into_iter().zip(&truth).zip(&far);
            let judged = both.filter(|(_, f)| **f > 0.0);
            judged.map(|((v, t), _)| (v / t - 1.0).abs()).collect()
        };
        let frames: Vec<Vec<f64>> = self.frames.iter().map(off).collect();
        let least = |k: usize| frames.iter().map(|f| f[k]).fold(f64::INFINITY, f64::min);
        let mut both = [off(&self.clean), (0..frames[0].len()).map(least).collect()];
        both.iter_mut().for_each(|all| all.sort_by(f64::total_cmp));
        both
    }
}

/// Distance of each pixel from the next pixel of another depth, up to 12.
fn away(depth: &[usize]) -> Vec<f64> {
    const REACH: isize = 12;
    let [w, h] = SIZE.map(|n| n as isize);
    let mut away = vec![REACH as f64; depth.len()];
    for y in 0..h {
        for x in 0..w {
            let own = depth[(y * w + x) as usize];
            let near = [(1, 0), (0, 1)]
                .iter()
                .any(|(dx, dy)| x + dx < w && y + dy < h && depth[((y + dy) * w + x + dx) as usize] != own);
            for v in (y - REACH).max(0)..(y + REACH + 1).min(if near { h } else { 0 }) {
                for u in (x - REACH).max(0)..(x + REACH + 1).min(w) {
                    let d = ((u - x) as f64).hypot((v - y) as f64);
                    let least = &mut away[(v * w + u) as usize];
                    *least = least.min(d);
                }
            }
        }
    }
    away
}

/// What is finer than a Gaussian of 2 pixels.
fn detail(plane: &Plane) -> Vec<f64> {
    let values: Vec<f64> = plane.data().iter().map(|v| f64::from(*v)).collect();
    let smooth = smooth(&values, 2.0);
    values.iter().zip(smooth).map(|(v, s)| v - s).collect()
}

fn slope(y: &[f64], x: &[f64], cell: &[usize]) -> f64 {
    let square: f64 = cell.iter().map(|k| x[*k] * x[*k]).sum();
    cell.iter().map(|k| x[*k] * y[*k]).sum::<f64>() / square
}

/// Gaussian, the border repeated.
fn smooth(values: &[f64], sigma: f64) -> Vec<f64> {
    let [w, h] = SIZE.map(|n| n as isize);
    let reach = (4.0 * sigma).ceil() as isize;
    let weight = |i: isize| (-0.5 * (i as f64 / sigma).powi(2)).exp();
    let weights: Vec<f64> = (-reach..=reach).map(weight).collect();
    let total: f64 = weights.iter().sum();
    let pass = |values: &[f64], (dx, dy): (isize, isize)| -> Vec<f64> {
        let at = |k: isize, i: isize| {
            let (x, y) = (k % w + i * dx, k / w + i * dy);
            values[(y.clamp(0, h - 1) * w + x.clamp(0, w - 1)) as usize]
        };
        let sum = |k: isize| {
            let terms = (-reach..=reach).zip(&weights).map(|(i, w)| w * at(k, i));
            terms.sum::<f64>() / total
        };
        (0..w * h).map(sum).collect()
    };
    pass(&pass(values, (1, 0)), (0, 1))
}

fn least(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[sorted.len() / 2]
}

/// What ten nights show with one noise: the worst of each figure.
#[derive(Debug)]
struct Worst {
    /// See [`Merged::sharpness`] and [`Merged::over_best`]; of the first the median of the cells too.
    sharpness: f64,
    median: f64,
    over_best: f64,
    /// The largest halo, what one window in a thousand exceeds, and both for the best choice of frames.
    halo: [f64; 2],
    least: [f64; 2],
}

fn worst(noise: f64) -> Worst {
    let mut worst = Worst {
        sharpness: f64::INFINITY,
        median: f64::INFINITY,
        over_best: f64::INFINITY,
        halo: [0.0; 2],
        least: [0.0; 2],
    };
    // Ten were measured; five keep the test short.
    for seed in 0..5 {
        let merged = Merged::new(seed, noise);
        let sharpness = merged.sharpness();
        worst.sharpness = worst.sharpness.min(least(&sharpness));
        worst.median = worst.median.min(median(&sharpness));
        worst.over_best = worst.over_best.min(least(&merged.over_best()));
        let ends = |all: &[f64]| [all[all.len() - 1], all[all.len() * 999 / 1000]];
        let [halo, lowest] = merged.halos().map(|all| ends(&all));
        for i in 0..2 {
            worst.halo[i] = worst.halo[i].max(halo[i]);
            worst.least[i] = worst.least[i].max(lowest[i]);
        }
    }
    worst
}

// Measured: 0.959 of the best frame's detail in the worst cell; 0.823 in the worst of one depth, which falls
// short of 0.95; halos of 2.3 % in one window of a thousand (1.6 % for the best choice), 30 % in the worst.
#[test]
fn a_bracket_keeps_the_best_frames_detail() {
    let worst = worst(0.03);
    assert!(worst.over_best > 0.95 && worst.median > 0.995, "{worst:?}");
    assert!(worst.sharpness > 0.81 && worst.halo[1] < 0.025, "{worst:?}");
    assert!(worst.halo[1] < 1.6 * worst.least[1], "{worst:?}");
}

// Measured: 0.925, 0.574, 3.6 %.
#[test]
fn a_noisy_bracket_keeps_most_of_it() {
    let worst = worst(0.1);
    assert!(worst.over_best > 0.91 && worst.median > 0.99, "{worst:?}");
    assert!(worst.sharpness > 0.55 && worst.halo[1] < 0.04, "{worst:?}");
}
