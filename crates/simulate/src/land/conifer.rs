//! A spruce: a trunk, whorls of drooping branches, twigs along them where they can be seen.

use super::brush::Stroke;
use crate::random::Random;

/// How the tree takes the light: colours already lit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Paints {
    pub(super) bark: [f32; 3],
    /// Needles in the shade and in the moonlight.
    pub(super) needles: [[f32; 3]; 2],
    /// Snow lying on the branches, lit; and how much of it there is, 0 to 1.
    pub(super) snow: [f32; 3],
    pub(super) snowed: f64,
}

/// Where the tree stands: foot, height (texels), half width over height.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stand {
    pub(super) foot: [f64; 2],
    pub(super) height: f64,
    pub(super) girth: f64,
    /// How far the top leans, in heights.
    pub(super) lean: f64,
}

pub(super) fn conifer(stand: Stand, paints: &Paints, random: &mut Random, strokes: &mut Vec<Stroke>) {
    let Stand {
        foot: [x, y],
        height,
        girth,
        lean,
    } = stand;
    let spacing = (height / 46.0).clamp(1.6, 14.0);
    let whorls = (height / spacing).max(5.0) as usize;
    let top_bare = random.between(0.0, 0.06);
    let thin = random.between(0.0, 0.22);
    strokes.push(Stroke {
        from: [x as f32, y as f32],
        to: [(x + lean * height) as f32, (y - height) as f32],
        half: [(height * 0.016) as f32, 0.3],
        colour: paints.bark,
        opacity: 1.0,
    });
    let start = random.between(0.03, 0.10);
    for whorl in 0..whorls {
        let t = start + (0.985 - start) * (whorl as f64 + 0.35 * random.uniform()) / whorls as f64;
        let taper = (1.0 - t + top_bare * 0.3).powf(0.82);
        let at = [x + lean * height * t, y - height * t];
        let reach = girth * height * taper + 0.4;
        for side in [-1.0, 1.0] {
            if random.chance(thin) {
                continue;
            }
            let length = reach * random.between(0.62, 1.14);
            bough(at, side, length, t, spacing, paints, random, strokes);
        }
        inner(at, reach, spacing, paints, random, strokes);
    }
}

/// One branch to a side, with its twigs and snow.
#[expect(
    clippy::too_many_arguments,
    reason = "a branch is all of these and nothing else uses them together"
)]
fn bough(
    at: [f64; 2],
    side: f64,
    length: f64,
    t: f64,
    spacing: f64,
    paints: &Paints,
    random: &mut Random,
    strokes: &mut Vec<Stroke>,
) {
    // Old branches hang, young ones at the top rise.
    let droop = 0.52 - 1.05 * t * t + random.between(-0.12, 0.12);
    let tip = [at[0] + side * length, at[1] + droop * length];
    let lit = 0.30 + 0.34 * side + random.between(-0.22, 0.3);
    let colour = blend(paints.needles, lit);
    let thick = (spacing * 0.46).min(length * 0.4) as f32;
    push(strokes, at, tip, [thick, 0.35], colour);
    let twigs = if spacing > 4.0 {
        (length / (spacing * 0.55)) as usize
    } else {
        (length / 3.5) as usize
    };
    for twig in 0..twigs {
        let u = (twig as f64 + random.uniform()) / twigs as f64;
        let from = [at[0] + side * length * u, at[1] + droop * length * u];
        let hang = spacing * random.between(0.5, 1.15) * (1.1 - 0.6 * u);
        let to = [
            from[0] + side * hang * random.between(0.15, 0.9),
            from[1] + hang * random.between(0.25, 0.85),
        ];
        let shade = blend(paints.needles, lit + random.between(-0.2, 0.2));
        push(strokes, from, to, [(spacing * 0.16).max(0.5) as f32, 0.3], shade);
    }
    if random.chance(paints.snowed) {
        let lift = f64::from(thick) * 0.55;
        let (a, b) = (random.between(0.15, 0.4), random.between(0.6, 0.95));
        let on = |u: f64| {
            [
                at[0] + side * length * u,
                at[1] + droop * length * u - lift * (1.0 - u),
            ]
        };
        let half = (thick * 0.30).max(0.35);
        strokes.push(Stroke {
            from: on(a).map(|v| v as f32),
            to: on(b).map(|v| v as f32),
            half: [half, half * 0.6],
            colour: paints.snow.map(|c| c * (0.75 + 0.3 * side as f32)),
            opacity: 0.8,
        });
    }
}

/// Branches that come towards the eye.
fn inner(
    at: [f64; 2],
    reach: f64,
    spacing: f64,
    paints: &Paints,
    random: &mut Random,
    strokes: &mut Vec<Stroke>,
) {
    let count = if reach > 8.0 { 4 } else { 2 };
    for _ in 0..count {
        let u = random.between(-0.62, 0.62);
        let from = [at[0] + u * reach, at[1] + 0.25 * reach * u.abs()];
        let to = [
            from[0] + 0.25 * u * reach,
            from[1] + spacing * random.between(0.6, 1.5),
        ];
        let colour = blend(paints.needles, 0.34 + 0.42 * u + random.between(-0.3, 0.34));
        push(strokes, from, to, [(spacing * 0.34) as f32, 0.4], colour);
    }
}

fn push(strokes: &mut Vec<Stroke>, from: [f64; 2], to: [f64; 2], half: [f32; 2], colour: [f32; 3]) {
    strokes.push(Stroke {
        from: from.map(|v| v as f32),
        to: to.map(|v| v as f32),
        half,
        colour,
        opacity: 1.0,
    });
}

fn blend(between: [[f32; 3]; 2], lit: f64) -> [f32; 3] {
    let t = lit.clamp(0.0, 1.0) as f32;
    std::array::from_fn(|i| between[0][i] + (between[1][i] - between[0][i]) * t)
}
