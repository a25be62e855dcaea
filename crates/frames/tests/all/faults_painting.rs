//! The painting of what was planned: stars through the lens, land, and the sensor's noise.

use super::*;

pub(super) fn expose(random: &mut Random, scene: &Scene, plan: &Plan) -> Plane {
    let [width, height] = SIZE;
    let slope = [random.normal() * 0.05, random.normal() * 0.08];
    let half = 0.5 * (width as f64).hypot(height as f64);
    let falloff = random.range(0.1, 0.5);
    let mut plane = Plane::from_fn(width, height, |x, y| {
        let p = [
            (x as f64 - 0.5 * width as f64) / half,
            (y as f64 - 0.5 * height as f64) / half,
        ];
        let opaque = plan
            .cloud
            .as_ref()
            .map_or(0.0, |c| (1.0 - 10f64.powf(-0.4 * c.depth(p))) * c.glow);
        let vignette = 1.0 - falloff * (p[0] * p[0] + p[1] * p[1]);
        (scene.sky_e * plan.sky_factor * vignette * (1.0 + slope[0] * p[0] + slope[1] * p[1] + opaque)) as f32
    });
    stars(random, scene, plan, &mut plane, half, falloff);
    if let Some(land) = scene.land {
        paint_land(random, &mut plane, land, scene.sky_e);
    }
    let read2 = scene.read_e * scene.read_e;
    for value in plane.data_mut() {
        let e = f64::from(*value).max(0.0);
        let seen = e + random.normal() * (e + read2).sqrt();
        *value = (seen / scene.full_well).min(1.0) as f32;
    }
    plane
}

/// The catalogue's stars, and to each of the faintest some fainter ones.
fn stars(random: &mut Random, scene: &Scene, plan: &Plan, plane: &mut Plane, half: f64, falloff: f64) {
    let per_second = star_e_per_s(0.0, scene.focal_mm, &scene.path).unwrap();
    let mut list: Vec<(Vector3<f64>, f64)> = catalogue::stars()
        .iter()
        .map(|s| {
            (
                scene.attitude * s.direction(scene.middle).into_inner(),
                f64::from(s.v_mag) + 0.05 * random.normal(),
            )
        })
        .filter(|(d, _)| scene.lens.project(d).is_some_and(|[x, y]| in_frame(x, y)))
        .collect();
    // Beyond the catalogue: 41 000 stars to V = 8 over the sky, three times as many each magnitude on.
    let (w, h) = (
        SIZE[0] as f64 / scene.lens.focal_px,
        SIZE[1] as f64 / scene.lens.focal_px,
    );
    let deg2 = (w.atan() * h.atan()).to_degrees().to_degrees();
    // Down to 25 electrons, or to five thousand stars.
    let deepest = 2.5 * (per_second * scene.exposure_s / 25.0).log10();
    let deepest = deepest
        .min(8.0 + (1.0 + 5000.0 / deg2).log10() / 3f64.log10())
        .max(8.0);
    let more = 3f64.powf(deepest - 8.0) - 1.0;
    let count = (more * deg2) as usize;
    for _ in 0..count {
        let (x, y) = (
            random.range(0.0, SIZE[0] as f64),
            random.range(0.0, SIZE[1] as f64),
        );
        let v = 8.0 + (1.0 + random.unit() * more).log10() / 3f64.log10();
        if let Some(d) = scene.lens.unproject([x, y]) {
            list.push((d.into_inner(), v));
        }
    }
    for (d, v) in list {
        let Some([x, y]) = scene.lens.project(&d) else {
            continue;
        };
        let p = [
            (x - 0.5 * SIZE[0] as f64) / half,
            (y - 0.5 * SIZE[1] as f64) / half,
        ];
        let dimmed = plan.cloud.as_ref().map_or(0.0, |c| c.depth(p));
        let vignette = 1.0 - falloff * (p[0] * p[0] + p[1] * p[1]);
        let e = per_second * scene.exposure_s * plan.light * vignette * 10f64.powf(-0.4 * (v + dimmed));
        if e < 3.0 {
            continue;
        }
        draw(random, scene, plan, plane, &d, p, e);
    }
}

fn in_frame(x: f64, y: f64) -> bool {
    x > -60.0 && y > -60.0 && x < SIZE[0] as f64 + 60.0 && y < SIZE[1] as f64 + 60.0
}

/// One star along its path through the lens.
fn draw(
    random: &mut Random,
    scene: &Scene,
    plan: &Plan,
    plane: &mut Plane,
    d: &Vector3<f64>,
    p: [f64; 2],
    electrons: f64,
) {
    let spots = spots(random, plan, p);
    for (i, (turn, weight)) in plan.path.iter().enumerate() {
        let moved = d + turn.cross(d);
        let Some([x, y]) = scene.lens.project(&moved) else {
            continue;
        };
        let shift = plan
            .shift
            .get(i)
            .or(plan.shift.first())
            .copied()
            .unwrap_or([0.0; 2]);
        for &(dx, dy, part) in &spots {
            blob(
                plane,
                x + shift[0] + dx,
                y + shift[1] + dy,
                electrons * weight * part * (1.0 - plan.halo.0),
                plan.sigma,
            );
        }
        if electrons * plan.halo.0 * weight > 20.0 {
            blob(
                plane,
                x + shift[0],
                y + shift[1],
                electrons * weight * plan.halo.0,
                plan.halo.1 * plan.sigma,
            );
        }
    }
}

/// Where the lens sends the light of a point: offsets and shares.
fn spots(random: &mut Random, plan: &Plan, p: [f64; 2]) -> Vec<(f64, f64, f64)> {
    let _ = random;
    match plan.blur {
        Blur::None => vec![(0.0, 0.0, 1.0)],
        Blur::Disc(radius, hollow) => disc(radius, hollow),
        Blur::Coma(length, direction) => coma(length, direction),
        Blur::Slope(grow, direction, offset) => {
            let (s, c) = direction.sin_cos();
            // Sharp along a line: across the middle for an offset of 0, at one side for 1.
            disc(grow * ((p[0] * c + p[1] * s) + 0.8 * offset).abs(), 0.2)
        }
        Blur::Corners(radial, tangential, tail) => {
            let r = p[0].hypot(p[1]);
            let (u, v) = if r > 0.0 { (p[0] / r, p[1] / r) } else { (1.0, 0.0) };
            let grown = r * r;
            let mut out = Vec::new();
            for i in -2..=2 {
                for j in -2..=2 {
                    let (a, b) = (f64::from(i), f64::from(j));
                    if a * a + b * b > 4.5 {
                        continue;
                    }
                    let w = (-0.25 * (a * a + b * b)).exp();
                    let (along, across) = (0.8 * a * radial * grown, 0.8 * b * tangential * grown);
                    out.push((along * u - across * v, along * v + across * u, w));
                }
            }
            for k in 1..=3 {
                let t = f64::from(k) / 3.0 * 2.0 * tail * grown;
                out.push((t * u, t * v, 0.8));
            }
            let sum: f64 = out.iter().map(|o| o.2).sum();
            out.iter_mut().for_each(|o| o.2 /= sum);
            out
        }
    }
}

/// Seidel's coma (Born & Wolf, Principles of Optics, section 5.3; from memory): the zone ρ of the pupil draws a circle
/// of radius c ρ² whose middle lies 2 c ρ² away. Zones of equal area.
fn coma(c: f64, direction: f64) -> Vec<(f64, f64, f64)> {
    const ZONES: usize = 6;
    const ROUND: usize = 10;
    let (sin, cos) = direction.sin_cos();
    let mut out = Vec::new();
    for zone in 0..ZONES {
        let r = c * (zone as f64 + 0.5) / ZONES as f64;
        for k in 0..ROUND {
            let (s, t) = (std::f64::consts::TAU * k as f64 / ROUND as f64).sin_cos();
            let (along, across) = (r * (2.0 + t), r * s);
            let weight = 1.0 / (ZONES * ROUND) as f64;
            out.push((along * cos - across * sin, along * sin + across * cos, weight));
        }
    }
    out
}

/// Points spread evenly over a disc, the middle of it darker by `hollow`.
fn disc(radius: f64, hollow: f64) -> Vec<(f64, f64, f64)> {
    if radius < 0.2 {
        return vec![(0.0, 0.0, 1.0)];
    }
    let n = ((radius * 2.0).ceil() as i32).clamp(2, 8);
    let mut out = Vec::new();
    for i in -n..=n {
        for j in -n..=n {
            let (a, b) = (f64::from(i) / f64::from(n), f64::from(j) / f64::from(n));
            let r = a.hypot(b);
            if r <= 1.0 {
                out.push((a * radius, b * radius, if r < 0.4 { 1.0 - hollow } else { 1.0 }));
            }
        }
    }
    let sum: f64 = out.iter().map(|o| o.2).sum();
    out.iter_mut().for_each(|o| o.2 /= sum);
    out
}

fn blob(plane: &mut Plane, x: f64, y: f64, electrons: f64, sigma: f64) {
    if electrons < 0.02 {
        return;
    }
    let reach = 4.5 * sigma;
    let profile = |v: f64, n: usize| -> (usize, Vec<f64>) {
        let from = (v - reach).ceil().max(0.0) as usize;
        let to = (v + reach).floor().min(n as f64 - 1.0);
        if to < from as f64 {
            return (0, Vec::new());
        }
        let values = (from..=to as usize)
            .map(|i| {
                [-1.0, 0.0, 1.0]
                    .iter()
                    .map(|o| (-0.5 * ((i as f64 + o / 3.0 - v) / sigma).powi(2)).exp())
                    .sum::<f64>()
                    / (3.0 * sigma * std::f64::consts::TAU.sqrt())
            })
            .collect();
        (from, values)
    };
    let (x0, wx) = profile(x, plane.width());
    let (y0, wy) = profile(y, plane.height());
    for (j, v) in wy.iter().enumerate() {
        let row = plane.row_mut(y0 + j);
        for (i, u) in wx.iter().enumerate() {
            row[x0 + i] += (electrons * u * v) as f32;
        }
    }
}

/// A dark, rough ridge.
fn paint_land(random: &mut Random, plane: &mut Plane, [height, slope, phase]: [f64; 3], sky: f64) {
    let mut rough = 0.0;
    for x in 0..SIZE[0] {
        let mut texture = 0.0f64;
        rough = 0.98 * rough + random.normal();
        let u = x as f64 / SIZE[0] as f64;
        let edge =
            height + slope * (x as f64 - 0.5 * SIZE[0] as f64) + 30.0 * (6.0 * u + phase).sin() + 2.0 * rough;
        for y in (edge.max(0.0) as usize)..SIZE[1] {
            if y % 4 == 0 {
                texture = 0.8 * texture + 0.2 * random.normal();
            }
            *plane.at_mut(x, y) =
                (sky * (0.12 + 0.05 * texture.tanh() + 0.02 * random.unit()).max(0.01)) as f32;
        }
    }
}
