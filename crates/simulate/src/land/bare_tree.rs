//! A leafless tree: limbs that fork and thin down to twigs (after Honda 1971: each fork has two angles
//! and two ratios; thickness by Leonardo's rule, that areas add up).

use super::brush::Stroke;
use nightloom_fit::Random;

/// The tree's look.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bare {
    /// Foot of the trunk, texels.
    pub(super) foot: [f64; 2],
    /// Height in texels, nearly.
    pub(super) height: f64,
    /// Half width of the thinnest twigs, texels.
    pub(super) finest: f64,
    /// Lean of the trunk, radians, right positive.
    pub(super) lean: f64,
    /// Bark in the shade and in the moonlight.
    pub(super) bark: [[f32; 3]; 2],
}

struct Limb {
    at: [f64; 2],
    angle: f64,
    length: f64,
    half: f64,
    depth: usize,
}

const DEEPEST: usize = 13;

pub(super) fn bare_tree(tree: &Bare, random: &mut Random, strokes: &mut Vec<Stroke>) {
    let half = tree.height * 0.0135;
    let mut waiting = vec![Limb {
        at: tree.foot,
        angle: tree.lean,
        length: tree.height * 0.27,
        half,
        depth: 0,
    }];
    while let Some(limb) = waiting.pop() {
        let (end, angle) = draw(tree, &limb, random, strokes, &mut waiting);
        if limb.half * 0.7 < tree.finest || limb.depth >= DEEPEST {
            continue;
        }
        fork(&limb, end, angle, random, &mut waiting);
    }
}

/// Draws a limb as a bent line of some pieces; side twigs leave it on the way.
fn draw(
    tree: &Bare,
    limb: &Limb,
    random: &mut Random,
    strokes: &mut Vec<Stroke>,
    waiting: &mut Vec<Limb>,
) -> ([f64; 2], f64) {
    let pieces = (limb.length / 7.0).clamp(3.0, 9.0) as usize;
    let (mut at, mut angle) = (limb.at, limb.angle);
    let end_half = (limb.half * 0.78).max(tree.finest);
    let bend = random.between(-0.12, 0.12);
    for piece in 0..pieces {
        let t = piece as f64 / pieces as f64;
        let width = |t: f64| limb.half + (end_half - limb.half) * t;
        // Limbs turn a little at each piece, and upwards as they grow.
        let wander = if limb.depth == 0 { 0.05 } else { 0.17 };
        angle += bend / pieces as f64 + wander * random.normal() * 0.6 - 0.05 * angle / pieces as f64;
        let step = limb.length / pieces as f64;
        let to = [at[0] + step * angle.sin(), at[1] - step * angle.cos()];
        let halves = [width(t) as f32, width(t + 1.0 / pieces as f64) as f32];
        bark(tree, at, to, halves, random, strokes);
        at = to;
        if limb.depth > 0 && limb.half > tree.finest * 1.2 && random.chance(0.34) {
            let side = if random.chance(0.5) { 1.0 } else { -1.0 };
            waiting.push(Limb {
                at,
                angle: angle + side * random.between(0.45, 1.0),
                length: limb.length * random.between(0.35, 0.7),
                half: (width(t) * random.between(0.35, 0.55)).max(tree.finest),
                depth: limb.depth + 2,
            });
        }
    }
    (at, angle)
}

fn fork(limb: &Limb, at: [f64; 2], angle: f64, random: &mut Random, waiting: &mut Vec<Limb>) {
    let share = random.between(0.42, 0.72);
    let side = if random.chance(0.5) { 1.0 } else { -1.0 };
    let open = random.between(0.42, 0.86);
    let shorter = if limb.depth == 0 { 0.86 } else { 0.8 };
    let mut child = |area: f64, turn: f64| {
        waiting.push(Limb {
            at,
            angle: (angle + turn).clamp(-2.0, 2.0),
            length: limb.length * shorter * random.between(0.78, 1.06) * (0.62 + 0.5 * area),
            half: limb.half * 0.78 * area.sqrt() * 1.12,
            depth: limb.depth + 1,
        });
    };
    child(share, -side * open * (1.0 - share));
    child(1.0 - share, side * open * share.max(0.5));
    if limb.depth < 3 {
        child(0.32, side * 0.1);
    }
}

fn bark(
    tree: &Bare,
    from: [f64; 2],
    to: [f64; 2],
    half: [f32; 2],
    random: &mut Random,
    strokes: &mut Vec<Stroke>,
) {
    let mix = |t: f32| -> [f32; 3] {
        std::array::from_fn(|i| tree.bark[0][i] + (tree.bark[1][i] - tree.bark[0][i]) * t)
    };
    let f32s = |p: [f64; 2]| p.map(|v| v as f32);
    let thin = half[0] < 1.6;
    let colour = if thin {
        mix(random.between(0.25, 0.6) as f32)
    } else {
        mix(0.12)
    };
    strokes.push(Stroke {
        from: f32s(from),
        to: f32s(to),
        half,
        colour,
        opacity: 1.0,
    });
    if !thin {
        // The moon stands to the right behind the eye: the right flank is lit.
        for (shift, width, lit) in [(0.25, 0.62, 0.45), (0.45, 0.36, 0.85)] {
            let moved = |p: [f64; 2], h: f32| [(p[0] + shift * f64::from(h)) as f32, p[1] as f32];
            strokes.push(Stroke {
                from: moved(from, half[0]),
                to: moved(to, half[1]),
                half: half.map(|h| h * width),
                colour: mix((lit + random.between(-0.05, 0.05)) as f32),
                opacity: 0.7,
            });
        }
    }
}
