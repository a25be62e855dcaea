//! Which focus shows each pixel best.

use nightloom_raster::Plane;

use super::evidence::{chance, mapped};
use crate::blur::blurred;

/// The label of each pixel, by row: the layer with the most detail over its noise in a Gaussian window
/// about the pixel, the smallest of `window_px` · 1, 2, 4, 8, 16 in which it stands `sigmas` of chance
/// above the next (a focus measure by the energy of band-pass detail, Pertuz et al. 2013, section 2; the
/// growing window is ours). Labels that stand alone among others are then outvoted.
pub(super) fn labels(energies: Vec<Plane>, window_px: f32, sigmas: f32) -> Vec<u8> {
    const GROWTHS: usize = 5;
    const VOTE_PX: f32 = 2.0;
    let (w, h) = (energies[0].width(), energies[0].height());
    let layers = energies.len();
    let mut labels = vec![u8::MAX; w * h];
    let mut means = energies;
    let mut sigma = 0.0f32;
    for growth in 0..GROWTHS {
        let wanted = window_px * (1 << growth) as f32;
        let more = (wanted * wanted - sigma * sigma).sqrt();
        means.iter_mut().for_each(|m| *m = blurred(m, more));
        sigma = wanted;
        let (alone, with) = chance(sigma);
        let mut open = 0;
        for (k, label) in labels.iter_mut().enumerate().filter(|(_, l)| **l == u8::MAX) {
            let (best, next) = first_two(&means, k);
            let [p, q] = [best, next].map(|i| means[i].data()[k]);
            let variance = 2.0 * alone + with * (p.max(0.0) + q.max(0.0));
            if p - q > sigmas * variance.sqrt() || growth + 1 == GROWTHS {
                *label = best as u8;
            } else {
                open += 1;
            }
        }
        if open == 0 {
            break;
        }
    }
    vote(&labels, layers, [w, h], VOTE_PX)
}

/// The two layers with the most.
fn first_two(means: &[Plane], k: usize) -> (usize, usize) {
    let (mut best, mut next) = (0, 0);
    for i in 1..means.len() {
        let value = means[i].data()[k];
        if value > means[best].data()[k] {
            (best, next) = (i, best);
        } else if next == best || value > means[next].data()[k] {
            next = i;
        }
    }
    (best, next)
}

fn vote(labels: &[u8], layers: usize, [w, h]: [usize; 2], sigma: f32) -> Vec<u8> {
    let named = Plane::from_vec(w, h, labels.iter().map(|l| f32::from(*l)).collect());
    let mut most = vec![0.0; w * h];
    let mut voted = vec![0; w * h];
    for layer in 0..layers {
        let is = |v: f32| f32::from(u8::from(v == layer as f32));
        let votes = blurred(&mapped(&named, is), sigma);
        let values = voted.iter_mut().zip(&mut most).zip(votes.data());
        for ((label, most), votes) in values.filter(|((_, m), v)| **v > **m) {
            (*label, *most) = (layer as u8, *votes);
        }
    }
    voted
}
