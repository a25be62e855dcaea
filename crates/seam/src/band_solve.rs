//! Solves the matte in the unknown band: each pixel's own colour against its neighbours' of like colour.

use nightloom_fit::median_of;
use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::{
    Evidence, MatteSettings, SeamError, SkyModel, Work,
    grid_cut::neighbour,
    land_model::LandModel,
    opacity::{Colours, opacity},
};

/// What came out beside the matte.
pub(crate) struct Solved {
    pub(crate) unknown: usize,
    pub(crate) separation_sigma: f64,
}

/// One unknown pixel: its own estimate, that estimate's weight, and its links.
struct Node {
    own: f32,
    weight: f32,
    links: [f32; 8],
    /// Index of the unknown neighbour, or `NO_NODE`.
    to: [u32; 8],
    /// Pull of certain neighbours: Σ link·alpha.
    fixed: f32,
    separation: f32,
}

const NO_NODE: u32 = u32::MAX;
/// Neighbours whose colours differ by this share of the way from land to sky are still alike.
const LIKE_SHARE: f32 = 0.1;

/// No pixel's own colour is believed better than this standard deviation of alpha.
const LEAST_SIGMA: f32 = 0.03;

/// Replaces every NaN of `alpha` by its solution.
pub(crate) fn solve(
    evidence: &Evidence,
    sky: &SkyModel,
    land: &LandModel,
    settings: &MatteSettings,
    alpha: &mut Plane,
    work: &Work,
) -> Result<Solved, SeamError> {
    let places: Vec<u32> = alpha
        .data()
        .iter()
        .enumerate()
        .filter(|(_, a)| a.is_nan())
        .map(|(i, _)| i as u32)
        .collect();
    let mut index = vec![NO_NODE; alpha.data().len()];
    for (k, &i) in places.iter().enumerate() {
        index[i as usize] = k as u32;
    }
    work.step(0.65)?;
    let frozen: &Plane = alpha;
    let nodes: Vec<Node> = places
        .par_iter()
        .map(|&i| node(evidence, sky, land, settings, frozen, &index, i as usize))
        .collect();
    drop(index);
    work.step(0.75)?;
    let solution = conjugate_gradients(&nodes, work)?;
    for (k, &i) in places.iter().enumerate() {
        alpha.data_mut()[i as usize] = settle(&nodes[k], solution[k]);
    }
    let separation_sigma = median_of(nodes.iter().map(|n| n.separation)).map_or(0.0, f64::from);
    Ok(Solved {
        unknown: nodes.len(),
        separation_sigma,
    })
}

fn node(
    evidence: &Evidence,
    sky: &SkyModel,
    land: &LandModel,
    settings: &MatteSettings,
    alpha: &Plane,
    index: &[u32],
    i: usize,
) -> Node {
    let (width, height) = (alpha.width(), alpha.height());
    let (x, y) = (i % width, i / width);
    let colour = evidence.land.at(x, y);
    let back = sky.at(x, y);
    let noise: [f32; 3] = std::array::from_fn(|c| sky.noise_at(c, colour[c].max(0.5 * back[c])));
    let front = land.at(x, y);
    let scale: [f32; 3] =
        std::array::from_fn(|c| noise[c].powi(2) + (LIKE_SHARE * (front[c] - back[c])).powi(2));
    let colours = Colours {
        back,
        noise,
        front,
        spread: land.covariance_at(x, y),
    };
    let told = opacity(colour, &colours);
    let weight = 1.0 / (told.variance + LEAST_SIGMA * LEAST_SIGMA);
    let mut node = Node {
        own: told.alpha,
        weight,
        links: [0.0; 8],
        to: [NO_NODE; 8],
        fixed: 0.0,
        separation: told.separation,
    };
    for d in 0..8 {
        let Some(q) = neighbour(width, height, i, d) else {
            continue;
        };
        let other = evidence.land.at(q % width, q / width);
        let apart: f32 = (0..3).map(|c| (colour[c] - other[c]).powi(2) / scale[c]).sum();
        if !apart.is_finite() {
            continue;
        }
        let link = settings.smoothness * (-apart / 24.0).exp();
        node.links[d] = link;
        if alpha.data()[q].is_nan() {
            node.to[d] = index[q];
        } else {
            node.fixed += link * alpha.data()[q];
        }
    }
    node
}

/// Jacobi-preconditioned conjugate gradients; sums run over fixed chunks, so always the same.
fn conjugate_gradients(nodes: &[Node], work: &Work) -> Result<Vec<f32>, SeamError> {
    const ROUNDS: usize = 60;
    let diagonal: Vec<f32> = nodes
        .iter()
        .map(|n| n.weight + n.links.iter().sum::<f32>())
        .collect();
    let mut x: Vec<f32> = nodes.iter().map(|n| n.own).collect();
    let ax = apply(nodes, &diagonal, &x);
    let mut r: Vec<f32> = nodes
        .iter()
        .zip(&ax)
        .map(|(n, a)| n.weight * n.own + n.fixed - a)
        .collect();
    let mut z: Vec<f32> = r.iter().zip(&diagonal).map(|(r, d)| r / d).collect();
    let mut p = z.clone();
    let mut rz = dot(&r, &z);
    let start = rz;
    for round in 0..ROUNDS {
        if rz <= 1e-8 * start || rz.is_nan() {
            break;
        }
        work.step(0.75 + 0.2 * round as f32 / ROUNDS as f32)?;
        let ap = apply(nodes, &diagonal, &p);
        let step = (rz / dot(&p, &ap).max(f64::MIN_POSITIVE)) as f32;
        x.par_iter_mut().zip(&p).for_each(|(x, p)| *x += step * p);
        r.par_iter_mut().zip(&ap).for_each(|(r, a)| *r -= step * a);
        z.par_iter_mut()
            .zip(&r)
            .zip(&diagonal)
            .for_each(|((z, r), d)| *z = r / d);
        let next = dot(&r, &z);
        let keep = (next / rz) as f32;
        p.par_iter_mut().zip(&z).for_each(|(p, z)| *p = z + keep * *p);
        rz = next;
    }
    Ok(x)
}

fn apply(nodes: &[Node], diagonal: &[f32], x: &[f32]) -> Vec<f32> {
    nodes
        .par_iter()
        .enumerate()
        .map(|(k, n)| {
            let mut sum = diagonal[k] * x[k];
            for (&to, &link) in n.to.iter().zip(&n.links) {
                if to != NO_NODE {
                    sum -= link * x[to as usize];
                }
            }
            sum
        })
        .collect()
}

fn dot(a: &[f32], b: &[f32]) -> f64 {
    let sums: Vec<f64> = a
        .par_chunks(8192)
        .zip(b.par_chunks(8192))
        .map(|(a, b)| a.iter().zip(b).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum())
        .collect();
    sums.iter().sum()
}

/// What is surely land or sky but for noise lies no farther from 0 or 1 than this.
const NOISE_SLACK: f32 = 0.05;
/// Where a pixel's own colour tells little, being land of the sky's colour, as far as this.
const DOUBT_SLACK: f32 = 0.2;
/// Slack per variance of what the colour tells.
const SLACK_PER_VARIANCE: f32 = 8.0;

/// Values within their own uncertainty of 0 or 1 become exactly that; true mixtures stay unbiased, for
/// a crown's small shares of sky add up to a visible haze of the old one.
fn settle(node: &Node, alpha: f32) -> f32 {
    let sigma = 1.0 / (node.weight + node.links.iter().sum::<f32>()).max(1.0).sqrt();
    let doubt = (SLACK_PER_VARIANCE / node.weight.max(1.0)).min(DOUBT_SLACK);
    let slack = (1.5 * sigma).min(NOISE_SLACK).max(doubt);
    let reach = (3.0 * slack).min(0.5);
    let snap = |a: f32| match a {
        a if a < reach => ((a - slack) * reach / (reach - slack)).max(0.0),
        a => a,
    };
    let alpha = alpha.clamp(0.0, 1.0);
    if alpha < 0.5 {
        snap(alpha)
    } else {
        1.0 - snap(1.0 - alpha)
    }
}
