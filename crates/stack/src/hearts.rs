//! Stars too bright for the sensor, in their own colour.
//!
//! Where every frame was clipped nothing tells the colour, and white balance makes what is left white at best. But the lens
//! spread the same light over the pixels round it: the colour of that skirt is the star's.

use std::collections::BTreeSet;

use nightloom_raster::Rgb;

/// Light under which no pixel of a usual frame is clipped, parts of saturation.
const MAY_BE_CLIPPED: f32 = 0.3;
/// The skirt: pixels up to this far from the clipped ones.
const SKIRT_PX: i64 = 3;
/// The surroundings: pixels between these distances.
const AROUND_PX: [i64; 2] = [6, 10];
/// Light of the skirt against its surroundings below which it tells no colour.
const LEAST_SKIRT: f32 = 0.5;
/// Larger patches are no stars.
const MOST_PIXELS: usize = 4000;

/// Gives patches of clipped pixels the colour of the light round them and keeps their sum over the channels. Camera colour
/// before balance, for which `white` are the factors of red, green and blue that make a white star grey. `seen(x, y)` says
/// whether any frame saw a pixel, `clipped(x, y)` whether none can tell it; this is asked only where the picture is bright.
///
/// Returns the number of patches coloured.
pub fn colour_hearts(
    picture: &mut Rgb,
    white: [f32; 3],
    seen: impl Fn(usize, usize) -> bool,
    clipped: impl Fn(usize, usize) -> bool,
) -> usize {
    let (width, height) = (picture.width(), picture.height());
    let mut left = BTreeSet::new();
    for y in 0..height {
        let rows = picture.planes().each_ref().map(|p| p.row(y));
        let bright = |x: usize| rows.iter().any(|r| r[x] > MAY_BE_CLIPPED);
        left.extend((0..width).filter(|&x| bright(x) && clipped(x, y)).map(|x| (y, x)));
    }
    let mut coloured = 0;
    while let Some(first) = left.pop_first() {
        let patch = patch_of(first, &mut left);
        if patch.len() <= MOST_PIXELS
            && let Some((colour, around)) = skirt(picture, &patch, &seen)
        {
            paint(picture, &patch, as_stars_are(colour, white), around);
            coloured += 1;
        }
    }
    coloured
}

/// All pixels that hang together with the first, which are taken out of `left`.
fn patch_of(first: (usize, usize), left: &mut BTreeSet<(usize, usize)>) -> Vec<(usize, usize)> {
    let mut patch = vec![first];
    let mut next = 0;
    while let Some(&(y, x)) = patch.get(next) {
        next += 1;
        for v in y.saturating_sub(1)..=y + 1 {
            for u in x.saturating_sub(1)..=x + 1 {
                if left.remove(&(v, u)) {
                    patch.push((v, u));
                }
            }
        }
    }
    patch
}

/// The share of each channel in the skirt's light, and the surroundings' level.
fn skirt(
    picture: &Rgb,
    patch: &[(usize, usize)],
    seen: &impl Fn(usize, usize) -> bool,
) -> Option<([f32; 3], [f32; 3])> {
    let (width, height) = (picture.width() as i64, picture.height() as i64);
    let inside: BTreeSet<(i64, i64)> = patch.iter().map(|&(y, x)| (y as i64, x as i64)).collect();
    // Distance of a place from the patch, up to the outer end of the surroundings.
    let mut away: std::collections::BTreeMap<(i64, i64), i64> = std::collections::BTreeMap::new();
    let reach = AROUND_PX[1];
    let rim = inside.iter().filter(|(y, x)| {
        [(0, 1), (1, 0), (0, -1), (-1, 0)]
            .iter()
            .any(|(v, u)| !inside.contains(&(y + v, x + u)))
    });
    for (y, x) in rim {
        for v in -reach..=reach {
            for u in -reach..=reach {
                let place = (y + v, x + u);
                let there = (0..height).contains(&place.0) && (0..width).contains(&place.1);
                if there && !inside.contains(&place) && seen(place.1 as usize, place.0 as usize) {
                    let d = ((v * v + u * u) as f64).sqrt().ceil() as i64;
                    away.entry(place)
                        .and_modify(|far| *far = d.min(*far))
                        .or_insert(d);
                }
            }
        }
    }
    let values = |from: i64, to: i64, c: usize| -> Vec<f32> {
        let ring = away.iter().filter(|(_, d)| (from..=to).contains(*d));
        ring.map(|(&(y, x), _)| picture.planes()[c].at(x as usize, y as usize))
            .filter(|v| v.is_finite())
            .collect()
    };
    let mut around = [0.0; 3];
    for (c, level) in around.iter_mut().enumerate() {
        *level = nightloom_fit::median(&mut values(AROUND_PX[0], AROUND_PX[1], c))?;
    }
    let light: [f32; 3] = std::array::from_fn(|c| {
        values(1, SKIRT_PX, c)
            .iter()
            .map(|v| v - around[c])
            .sum::<f32>()
            .max(0.0)
    });
    let whole: f32 = light.iter().sum();
    let dark: f32 = around.iter().sum();
    (whole > LEAST_SKIRT * dark.max(f32::MIN_POSITIVE)).then(|| (light.map(|v| v / whole), around))
}

/// Blue over red of the hottest body, 1 for daylight: the law of Rayleigh and Jeans gives photons by λ⁻³, Planck's law at
/// 5500 K what daylight has, at 460 and 620 nm.
const BLUEST: f32 = 3.2;
/// Blue over red of the coolest: Planck's law at 2400 K has 0.15, and the air near the horizon takes half of it.
const REDDEST: f32 = 0.07;
/// Green lies on the way from red to blue: by Wien's law at (1/λr − 1/λg)/(1/λr − 1/λb) of it in logarithms, 0.38 to 0.49
/// for the middles of cameras' filters, with room for what Wien's law, lines and the air bend.
const GREEN_AT: [f32; 2] = [0.3, 0.6];

/// The same light in a colour that stars have: a glowing body is red, white or blue, its green lies between its red and its
/// blue, and none is bluer than the hottest. A skirt of few pixels before a bright Milky Way can tell magenta.
fn as_stars_are(light: [f32; 3], white: [f32; 3]) -> [f32; 3] {
    let [red, green, blue]: [f32; 3] = std::array::from_fn(|c| light[c] * white[c]);
    let both = red + blue;
    let ratio = (blue / red.max(f32::MIN_POSITIVE)).clamp(REDDEST, BLUEST);
    let red = both / (1.0 + ratio);
    let ends = GREEN_AT.map(|at| red * ratio.powf(at));
    let green = green.clamp(ends[0].min(ends[1]), ends[0].max(ends[1]));
    let seen = [red, green, red * ratio];
    let back: [f32; 3] = std::array::from_fn(|c| seen[c] / white[c].max(f32::MIN_POSITIVE));
    let whole: f32 = back.iter().sum();
    if whole > 0.0 {
        back.map(|v| v / whole)
    } else {
        light
    }
}

fn paint(picture: &mut Rgb, patch: &[(usize, usize)], colour: [f32; 3], around: [f32; 3]) {
    for &(y, x) in patch {
        let own = picture.at(x, y);
        let light: f32 = (0..3).map(|c| own[c] - around[c]).sum();
        if light > 0.0 {
            for (c, plane) in picture.planes_mut().iter_mut().enumerate() {
                *plane.at_mut(x, y) = around[c] + light * colour[c];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clipped_star_takes_the_colour_of_its_skirt() {
        let (true_colour, back) = ([0.9f32, 0.6, 0.2], 0.02f32);
        let star = |x: usize, y: usize| {
            8.0 * (-0.5 * ((x as f32 - 30.0).powi(2) + (y as f32 - 25.0).powi(2)) / 4.0).exp()
        };
        let mut picture = Rgb::filled(60, 50, [0.0; 3]);
        for (c, plane) in picture.planes_mut().iter_mut().enumerate() {
            for y in 0..50 {
                for x in 0..60 {
                    *plane.at_mut(x, y) = (back + star(x, y) * true_colour[c]).min(1.0);
                }
            }
        }
        let before = picture.clone();
        let clipped = |x: usize, y: usize| before.at(x, y).iter().any(|v| *v >= 1.0);
        assert!(clipped(30, 25) && !clipped(40, 25));
        assert_eq!(colour_hearts(&mut picture, [1.0; 3], |_, _| true, clipped), 1);
        let heart = picture.at(30, 25).map(|v| v - back);
        let (got, wanted) = (heart[0] / heart[2], true_colour[0] / true_colour[2]);
        assert!((got / wanted - 1.0).abs() < 0.05, "{got} for {wanted}");
        let sum = |p: [f32; 3]| p.iter().sum::<f32>();
        assert!((sum(picture.at(30, 25)) - sum(before.at(30, 25))).abs() < 1e-4);
        assert_eq!(picture.at(37, 25), before.at(37, 25));
    }

    #[test]
    fn land_beside_a_clipped_star_tells_it_no_colour() {
        // White, half of it behind land that no frame saw through: nothing is there in any channel.
        let seen = |x: usize, _: usize| x >= 28;
        let mut picture = Rgb::filled(60, 50, [0.0; 3]);
        let back = [0.02f32, 0.09, 0.04];
        for (c, plane) in picture.planes_mut().iter_mut().enumerate() {
            for y in 0..50 {
                for x in (0..60).filter(|&x| seen(x, y)) {
                    let far = (x as f32 - 30.0).powi(2) + (y as f32 - 25.0).powi(2);
                    *plane.at_mut(x, y) = (back[c] + 4.0 * (-0.5 * far / 2.0).exp()).min(1.0);
                }
            }
        }
        let before = picture.clone();
        let clipped = |x: usize, y: usize| before.at(x, y).iter().any(|v| *v >= 1.0);
        assert_eq!(colour_hearts(&mut picture, [1.0; 3], seen, clipped), 1);
        let heart: [f32; 3] = std::array::from_fn(|c| picture.planes()[c].at(30, 25) - back[c]);
        for v in heart {
            assert!((v / heart[1] - 1.0).abs() < 0.05, "{heart:?}");
        }
    }

    #[test]
    fn no_star_is_magenta_or_green() {
        for (light, white) in [
            ([0.4, 0.1, 0.5], [1.0; 3]),
            ([0.2, 0.6, 0.2], [2.0, 1.0, 1.6]),
            ([0.3, 0.2, 0.3], [2.0, 1.0, 1.6]),
        ] {
            let told = as_stars_are(light, white);
            assert!((told.iter().sum::<f32>() - 1.0).abs() < 1e-6);
            let seen: [f32; 3] = std::array::from_fn(|c| told[c] * white[c]);
            let (low, high) = (seen[0].min(seen[2]), seen[0].max(seen[2]));
            assert!(
                (low - 1e-6..=high + 1e-6).contains(&seen[1]),
                "{light:?}: {seen:?}"
            );
            // The green of a body between two wavelengths is between its light at both (Wien 1896), nearer their mean.
            let mean = (seen[0] * seen[2]).sqrt();
            assert!((0.75..=1.33).contains(&(seen[1] / mean)), "{light:?}: {seen:?}");
        }
        // A blue and a red one stay.
        for light in [[0.2f32, 0.3, 0.5], [0.5, 0.3, 0.2]] {
            let told = as_stars_are(light, [1.0; 3]);
            assert!((0..3).all(|c| (told[c] - light[c]).abs() < 1e-6), "{told:?}");
        }
    }
}
