//! A spruce: a trunk, whorls of boughs all round it that sink and turn up again, twigs hanging from them.

use super::brush::Stroke;
use nightloom_fit::Random;

/// How the tree takes the light: colours already lit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Paints {
    pub(super) bark: [f32; 3],
    /// Needles in the shade and in the moonlight.
    pub(super) needles: [[f32; 3]; 2],
    /// Snow lying on the boughs, lit; and how much of it there is, 0 to 1.
    pub(super) snow: [f32; 3],
    pub(super) snowed: f64,
}

/// Where the tree stands: foot, height (texels), half width over height, lean of the top in heights.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stand {
    pub(super) foot: [f64; 2],
    pub(super) height: f64,
    pub(super) girth: f64,
    pub(super) lean: f64,
}

/// Where the moon shines from, as an angle about the trunk: 0 right, a quarter turn towards the eye.
const MOON: f64 = 0.95;

pub(super) fn conifer(stand: Stand, paints: &Paints, random: &mut Random, strokes: &mut Vec<Stroke>) {
    let Stand {
        foot: [x, y],
        height,
        girth,
        lean,
    } = stand;
    let spacing = (height / 58.0).clamp(1.5, 11.0);
    let whorls = (height / spacing).max(6.0) as usize;
    let boughs = if height > 150.0 { 9 } else { 5 };
    let start = random.between(0.02, 0.09);
    let shape = random.between(0.78, 1.05);
    strokes.push(Stroke {
        from: [x as f32, y as f32],
        to: [(x + lean * height) as f32, (y - height) as f32],
        half: [(height * 0.013) as f32, 0.3],
        colour: paints.bark,
        opacity: 1.0,
    });
    let mut ring: Vec<(f64, f64)> = Vec::with_capacity(boughs);
    for whorl in 0..whorls {
        let t = start + (0.99 - start) * (whorl as f64 + 0.5 * random.uniform()) / whorls as f64;
        let at = [x + lean * height * t, y - height * t];
        // Widest a little above the foot; each whorl has its own luck.
        let reach = girth * height * (1.0 - t).powf(shape) * (0.80 + 0.2 * (t / 0.12).min(1.0));
        let reach = reach * random.between(0.8, 1.12) + 0.35;
        let turn = random.uniform() * std::f64::consts::TAU;
        ring.clear();
        ring.extend((0..boughs).map(|i| {
            let round =
                turn + (i as f64 + random.between(-0.35, 0.35)) * std::f64::consts::TAU / boughs as f64;
            (round.sin(), round)
        }));
        // Those behind the trunk first.
        ring.sort_by(|a, b| a.0.total_cmp(&b.0));
        for &(_, round) in &ring {
            bough(
                &Bough {
                    at,
                    round,
                    length: reach * random.between(0.6, 1.1),
                    t,
                    spacing,
                },
                paints,
                random,
                strokes,
            );
        }
    }
}

struct Bough {
    at: [f64; 2],
    round: f64,
    length: f64,
    t: f64,
    spacing: f64,
}

fn bough(b: &Bough, paints: &Paints, random: &mut Random, strokes: &mut Vec<Stroke>) {
    let (front, side) = b.round.sin_cos();
    // Old boughs hang and turn up at the tip; young ones at the top rise.
    let sink = (0.46 - 0.95 * b.t * b.t + random.between(-0.08, 0.08)) * b.length + 0.22 * front * b.length;
    let across = side * b.length;
    let path = |u: f64| {
        let curve = sink * (1.5 * u - 0.62 * u * u * u);
        [b.at[0] + across * u, b.at[1] + curve]
    };
    // The lower boughs stand in the shade of their neighbours.
    let open = 0.35 + 0.65 * b.t;
    let facing = open * (0.06 + 0.86 * (b.round - MOON).cos().max(0.0) + random.between(-0.14, 0.2));
    let thick = (b.spacing * 0.40).min(b.length * 0.35).max(0.35) as f32;
    let colour = blend(paints.needles, facing);
    push(strokes, path(0.0), path(0.55), [thick, thick * 0.75], colour);
    push(strokes, path(0.55), path(1.0), [thick * 0.75, 0.3], colour);
    let twigs = if b.spacing > 3.0 {
        (b.length / (b.spacing * 0.42)) as usize
    } else {
        (b.length / 4.5) as usize
    };
    for twig in 0..twigs {
        let u = (twig as f64 + random.uniform()) / twigs as f64;
        let from = path(u);
        let hang = b.spacing * random.between(0.45, 1.25) * (1.15 - 0.65 * u);
        let to = [
            from[0] + side.signum() * hang * random.between(-0.15, 0.75),
            from[1] + hang * random.between(0.3, 0.95),
        ];
        let shade = blend(
            paints.needles,
            facing * (0.72 + 0.4 * u) + random.between(-0.16, 0.16),
        );
        push(
            strokes,
            from,
            to,
            [(b.spacing * 0.17).max(0.45) as f32, 0.28],
            shade,
        );
    }
    if random.chance(paints.snowed) {
        let (a, c) = (random.between(0.2, 0.5), random.between(0.65, 0.97));
        let lift = f64::from(thick) * 0.5;
        let raised = |u: f64| path(u).map(|v| v as f32);
        let half = (thick * 0.42).max(0.3);
        let lit = (0.35 + 0.65 * facing.clamp(0.0, 1.0)) as f32;
        let (mut from, mut to) = (raised(a), raised(c));
        from[1] -= lift as f32;
        to[1] -= (0.4 * lift) as f32;
        let colour = paints.snow.map(|s| s * lit);
        strokes.push(Stroke {
            from,
            to,
            half: [half, half * 0.6],
            colour,
            opacity: 0.7,
        });
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
