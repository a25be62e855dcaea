//! Demosaicing against an independent implementation, against bilinear, and on stars.

use nightloom_raster::{
    Cfa, Directions, Mosaic, Plane, Rgb, demosaic, demosaic_balanced, demosaic_sky, demosaic_with,
};

const PHASES: [Cfa; 4] = [Cfa::RGGB, Cfa::BGGR, Cfa::GRBG, Cfa::GBRG];

/// Against colour-demosaicing 0.2.7 inside the border, in units where 1 is saturation: both compute
/// the same formulas, one in double and one in single precision.
const MENON_TOLERANCE: f32 = 2e-6;
/// Pixels at the border left out of that comparison. The other implementation pads the sums of
/// gradients with zeros, ours mirrors everywhere: within 2 pixels of the border directions differ, and
/// the five steps that follow carry that one pixel further each.
const MENON_BORDER: usize = 7;

/// The mosaic that a camera with these filters makes of a picture.
fn mosaic_of(picture: &Rgb, cfa: Cfa) -> Mosaic {
    let value = |x, y| picture.at(x, y)[cfa.colour(x, y)];
    Mosaic {
        plane: Plane::from_fn(picture.width(), picture.height(), value),
        cfa,
    }
}

#[test]
fn agrees_with_an_independent_implementation_in_every_phase() {
    const W: usize = 40;
    const H: usize = 32;
    let values: Vec<f32> = include_bytes!("../fixtures/demosaic_menon.f32")
        .as_chunks::<4>()
        .0
        .iter()
        .map(|b| f32::from_le_bytes(*b))
        .collect();
    for (cfa, block) in PHASES.into_iter().zip(values.chunks_exact(W * H * 4)) {
        let (mosaic, expected) = block.split_at(W * H);
        let ours = demosaic(&Mosaic {
            plane: Plane::from_vec(W, H, mosaic.to_vec()),
            cfa,
        });
        for y in MENON_BORDER..H - MENON_BORDER {
            for x in MENON_BORDER..W - MENON_BORDER {
                for (c, got) in ours.at(x, y).into_iter().enumerate() {
                    let want = expected[(y * W + x) * 3 + c];
                    assert!(
                        (got - want).abs() <= MENON_TOLERANCE,
                        "{cfa:?} ({x}, {y}) channel {c}: {got}, not {want}"
                    );
                }
            }
        }
    }
}

/// Bilinear interpolation, the thing to beat: the mean of the neighbours of the wanted colour.
fn bilinear(mosaic: &Mosaic) -> Rgb {
    let (w, h) = (mosaic.plane.width() as isize, mosaic.plane.height() as isize);
    let plane = |channel: usize| {
        Plane::from_fn(w as usize, h as usize, |x, y| {
            let (mut sum, mut weight) = (0.0, 0.0);
            for dy in -1..=1_isize {
                for dx in -1..=1_isize {
                    let (nx, ny) = (x as isize + dx, y as isize + dy);
                    if nx < 0 || ny < 0 || nx >= w || ny >= h {
                        continue;
                    }
                    let (nx, ny) = (nx as usize, ny as usize);
                    if mosaic.cfa.colour(nx, ny) == channel {
                        let k = if dx == 0 && dy == 0 {
                            1e6
                        } else {
                            1.0 / (dx * dx + dy * dy) as f32
                        };
                        sum += k * mosaic.plane.at(nx, ny);
                        weight += k;
                    }
                }
            }
            sum / weight
        })
    };
    Rgb::from_planes([plane(0), plane(1), plane(2)])
}

/// Peak signal to noise ratio against the truth, decibel, peak 1, `margin` pixels left out.
fn psnr_db(got: &Rgb, truth: &Rgb, margin: usize) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for y in margin..truth.height() - margin {
        for x in margin..truth.width() - margin {
            for (a, b) in got.at(x, y).into_iter().zip(truth.at(x, y)) {
                sum += f64::from(a - b).powi(2);
                n += 1.0;
            }
        }
    }
    -10.0 * (sum / n).log10()
}

/// White stars of FWHM 2 px at fixed odd places over a dark ridge.
fn stars_and_ridge(width: usize, height: usize) -> Rgb {
    let sigma = 2.0 / 2.3548;
    let stars: Vec<(f64, f64, f64)> = (0..60)
        .map(|i| {
            let t = f64::from(i);
            let place = |step: f64, n: usize| (t * step).fract() * (n as f64 - 12.0) + 6.0;
            (
                place(0.618_034, width),
                place(0.414_214, height) * 0.7,
                0.05 + 0.85 * (t * 0.732_051).fract(),
            )
        })
        .collect();
    let light = Plane::from_fn(width, height, |x, y| {
        let (x, y) = (x as f64, y as f64);
        let ridge = 0.75 * height as f64 + 9.0 * (x * 0.11).sin() + 3.0 * (x * 0.57).sin();
        let cover = (y - ridge + 0.5).clamp(0.0, 1.0);
        let sky: f64 = stars
            .iter()
            .map(|&(sx, sy, peak)| {
                peak * (-((x - sx).powi(2) + (y - sy).powi(2)) / (2.0 * sigma * sigma)).exp()
            })
            .sum();
        ((sky + 0.08) * (1.0 - cover) + 0.01 * cover) as f32
    });
    // Sky a little blue, land brownish, stars white: colour varies with the ridge only.
    Rgb::from_planes([light.clone(), light.clone(), light])
}

fn natural() -> Rgb {
    let mut reader = png::Decoder::new(std::io::Cursor::new(include_bytes!("../fixtures/natural.png")))
        .read_info()
        .unwrap();
    let (w, h) = (reader.info().width as usize, reader.info().height as usize);
    let mut bytes = vec![0; w * h * 3];
    reader.next_frame(&mut bytes).unwrap();
    let plane = |c: usize| Plane::from_fn(w, h, |x, y| f32::from(bytes[(y * w + x) * 3 + c]) / 255.0);
    Rgb::from_planes([plane(0), plane(1), plane(2)])
}

#[test]
fn beats_bilinear_on_stars_over_a_ridge() {
    let truth = stars_and_ridge(160, 120);
    for cfa in PHASES {
        let mosaic = mosaic_of(&truth, cfa);
        let (ours, simple) = (
            psnr_db(&demosaic(&mosaic), &truth, 0),
            psnr_db(&bilinear(&mosaic), &truth, 0),
        );
        assert!(
            ours > simple + 8.0,
            "{cfa:?}: {ours:.2} dB against {simple:.2} dB"
        );
    }
}

#[test]
fn beats_bilinear_on_a_photograph() {
    let truth = natural();
    for cfa in PHASES {
        let mosaic = mosaic_of(&truth, cfa);
        let (ours, simple) = (
            psnr_db(&demosaic(&mosaic), &truth, 0),
            psnr_db(&bilinear(&mosaic), &truth, 0),
        );
        assert!(
            ours > simple + 3.0,
            "{cfa:?}: {ours:.2} dB against {simple:.2} dB"
        );
    }
}

/// A camera that answers white with (0.45, 1, 0.65): with its white balance the small stars stay
/// white, to a share of their own peak.
#[test]
fn small_stars_stay_white_in_a_camera_with_a_weak_red() {
    const RESPONSE: [f32; 3] = [0.45, 1.0, 0.65];
    let truth = stars_and_ridge(160, 120);
    let camera = Rgb::from_planes([0, 1, 2].map(|c| {
        Plane::from_fn(truth.width(), truth.height(), |x, y| {
            truth.at(x, y)[c] * RESPONSE[c]
        })
    }));
    let mosaic = mosaic_of(&camera, Cfa::GRBG);
    let colour_error = |picture: &Rgb| {
        let mut worst = 0.0_f32;
        for y in 0..80 {
            for x in 0..truth.width() {
                let p = picture.at(x, y);
                let [r, g, b] = [0, 1, 2].map(|c| p[c] / RESPONSE[c]);
                worst = worst.max((r - g).abs()).max((b - g).abs());
            }
        }
        worst
    };
    let balanced = colour_error(&demosaic_balanced(&mosaic, RESPONSE.map(|r| 1.0 / r)));
    let plain = colour_error(&demosaic(&mosaic));
    let simple = colour_error(&bilinear(&mosaic));
    assert!(balanced < 0.1, "a white star is off by {balanced} of saturation");
    assert!(
        balanced < 0.5 * plain && balanced < 0.3 * simple,
        "{balanced}, without balance {plain}, bilinear {simple}"
    );
}

#[test]
fn measured_values_come_through_and_negative_ones_too() {
    let noise = |x: usize, y: usize| ((x * 7919 + y * 104_729) % 1000) as f32 / 1000.0 - 0.3;
    for (w, h) in [(67, 41), (2, 2), (3, 5), (600, 130), (1030, 4)] {
        for cfa in PHASES {
            let mosaic = Mosaic {
                plane: Plane::from_fn(w, h, noise),
                cfa,
            };
            let picture = demosaic(&mosaic);
            for y in 0..h {
                for x in 0..w {
                    assert_eq!(
                        picture.at(x, y)[cfa.colour(x, y)],
                        noise(x, y),
                        "({x}, {y}) of {w} × {h}"
                    );
                }
            }
        }
    }
}

/// A linear ramp has no edges: every method must return it, at the borders of the tiles too. At the
/// picture's own border the mirror bends it.
#[test]
fn a_ramp_stays_a_ramp_across_tiles() {
    let (w, h) = (1100, 290);
    let truth = Plane::from_fn(w, h, |x, y| 0.1 + x as f32 / 4096.0 + y as f32 / 2048.0);
    let truth = Rgb::from_planes([truth.clone(), truth.clone(), truth]);
    let picture = demosaic(&mosaic_of(&truth, Cfa::RGGB));
    for y in 12..h - 12 {
        for x in 12..w - 12 {
            for (a, b) in picture.at(x, y).into_iter().zip(truth.at(x, y)) {
                assert!((a - b).abs() < 1e-6, "({x}, {y}): {a}, not {b}");
            }
        }
    }
}

#[test]
fn borders_of_an_even_picture_are_even() {
    for (w, h) in [(20, 15), (2, 3), (5, 2)] {
        for cfa in PHASES {
            let mosaic = mosaic_of(&Rgb::filled(w, h, [0.25, 0.5, 0.125]), cfa);
            let picture = demosaic(&mosaic);
            for y in 0..h {
                for x in 0..w {
                    for (a, b) in picture.at(x, y).into_iter().zip([0.25, 0.5, 0.125]) {
                        assert!(
                            (a - b).abs() < 1e-6,
                            "{cfa:?} ({x}, {y}) of {w} × {h}: {a}, not {b}"
                        );
                    }
                }
            }
        }
    }
}

#[test]
fn a_mosaic_one_pixel_wide_is_grey_and_an_empty_one_empty() {
    let line = Mosaic {
        plane: Plane::from_fn(1, 4, |_, y| y as f32),
        cfa: Cfa::RGGB,
    };
    assert_eq!(demosaic(&line).at(0, 3), [3.0; 3]);
    let empty = Mosaic {
        plane: Plane::filled(0, 0, 0.0),
        cfa: Cfa::RGGB,
    };
    assert_eq!(demosaic(&empty).width(), 0);
}

#[test]
fn the_number_of_threads_changes_nothing() {
    let mosaic = Mosaic {
        plane: Plane::from_fn(700, 420, |x, y| ((x * 7919 + y * 104_729) % 1000) as f32 / 1000.0),
        cfa: Cfa::GBRG,
    };
    let with = |n| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(n)
            .build()
            .unwrap()
            .install(|| demosaic(&mosaic))
    };
    assert_eq!(with(1), with(3));
}

/// Share by which the light of a channel above the sky is off.
fn light_error(picture: &Rgb, truth: &Rgb, channel: usize) -> f64 {
    let light = |p: &Rgb| {
        let rows = (0..truth.height() / 2).map(|y| p.planes()[channel].row(y));
        rows.flatten().map(|v| f64::from(*v) - 0.08).sum::<f64>()
    };
    light(picture) / light(truth) - 1.0
}

/// The light of stars that equal shares may lose or gain, as a share of it.
const LIGHT_TOLERANCE: f64 = 0.002;

#[test]
fn equal_shares_keep_the_light_of_stars() {
    let truth = stars_and_ridge(320, 240);
    let mean = |directions, channel| {
        let of = |cfa| {
            light_error(
                &demosaic_with(&mosaic_of(&truth, cfa), [1.0; 3], directions),
                &truth,
                channel,
            )
        };
        PHASES.into_iter().map(of).sum::<f64>() / 4.0
    };
    for channel in 0..3 {
        let error = mean(Directions::Equal, channel);
        assert!(error.abs() < LIGHT_TOLERANCE, "channel {channel}: {error}");
    }
    let chosen = mean(Directions::Chosen, 0);
    assert!(chosen < -0.01, "choosing takes light from red: {chosen}");
}

/// Every way beats bilinear on stars and on a photograph; shares by gradients beat the choice there.
#[test]
fn every_way_of_taking_directions_beats_bilinear() {
    for truth in [stars_and_ridge(160, 120), natural()] {
        let mosaic = mosaic_of(&truth, Cfa::RGGB);
        let simple = psnr_db(&bilinear(&mosaic), &truth, 0);
        for directions in [Directions::Chosen, Directions::Weighted, Directions::Equal] {
            let ours = psnr_db(&demosaic_with(&mosaic, [1.0; 3], directions), &truth, 0);
            assert!(
                ours > simple + 3.0,
                "{directions:?}: {ours:.2} dB against {simple:.2} dB"
            );
        }
    }
    let truth = natural();
    let mosaic = mosaic_of(&truth, Cfa::RGGB);
    let with = |directions| psnr_db(&demosaic_with(&mosaic, [1.0; 3], directions), &truth, 0);
    assert!(with(Directions::Weighted) > with(Directions::Chosen));
}

/// Stars of FWHM 1.7 to 3 px, 30 to 3000 times the noise, on a sky of 0.02 with noise, anywhere on the mosaic.
fn starry(seed: u64) -> (Rgb, Vec<[f32; 3]>) {
    let mut random = nightloom_fit::Random::new(seed);
    let mut light = Plane::filled(320, 240, 0.02);
    let mut stars = Vec::new();
    for (i, j) in (0..9).flat_map(|j| (0..12).map(move |i| (i, j))) {
        let (x, y) = (
            20.0 + 25.0 * i as f32 + random.uniform() as f32,
            20.0 + 25.0 * j as f32 + random.uniform() as f32,
        );
        let sigma = (1.7 + 1.3 * random.uniform() as f32) / 2.355;
        let peak = NOISE * 30.0 * 100f32.powf(random.uniform() as f32);
        stars.push([x, y, peak]);
        for (u, v) in (0..25).flat_map(|v| (0..25).map(move |u| (u, v))) {
            let (px, py) = (x as usize + u - 12, y as usize + v - 12);
            let far = (px as f32 - x).powi(2) + (py as f32 - y).powi(2);
            if px < 320 && py < 240 {
                *light.at_mut(px, py) += peak * (-0.5 * far / (sigma * sigma)).exp();
            }
        }
    }
    (Rgb::from_planes([light.clone(), light.clone(), light]), stars)
}

const NOISE: f32 = 0.0002;

/// What the interpolation of differences leaves beside a star, and what the tent leaves: nothing, in any of ten seeds.
#[test]
fn stars_have_no_rings() {
    let depth = |picture: &Rgb, stars: &[[f32; 3]]| {
        let mut worst = 0.0f32;
        for &[x, y, _] in stars {
            for (u, v) in (0..11).flat_map(|v| (0..11).map(move |u| (u, v))) {
                let at = (x as usize + u - 5, y as usize + v - 5);
                if at.0 < 320 && at.1 < 240 {
                    let low = picture.at(at.0, at.1).into_iter().fold(f32::INFINITY, f32::min);
                    worst = worst.max((0.02 - low) / NOISE);
                }
            }
        }
        worst
    };
    for seed in 0..10 {
        let (truth, stars) = starry(seed);
        let mosaic = mosaic_of(&truth, PHASES[seed as usize % 4]);
        let plain = demosaic_with(&mosaic, [1.0; 3], Directions::Equal);
        let ours = demosaic_sky(&mosaic, [1.0; 3], &|_| NOISE);
        assert!(depth(&plain, &stars) > 20.0, "the plain way rings");
        let brightest = stars.iter().map(|s| s[2]).fold(0.0, f32::max) / NOISE;
        let part = depth(&plain, &stars) / brightest;
        // What the code says of it: a twentieth.
        assert!((0.02..0.065).contains(&part), "seed {seed}: {part}");
        assert!(
            depth(&ours, &stars) < 0.5,
            "seed {seed}: {} sigma",
            depth(&ours, &stars)
        );
        // The light of each channel stays.
        for c in 0..3 {
            let sum = |p: &Rgb| {
                p.planes()[c]
                    .data()
                    .iter()
                    .map(|v| f64::from(*v - 0.02))
                    .sum::<f64>()
            };
            let ratio = sum(&ours) / sum(&truth);
            assert!((ratio - 1.0).abs() < 0.01, "seed {seed}, channel {c}: {ratio}");
        }
    }
}

/// Far from stars nothing changes, and without a known noise nothing at all.
#[test]
fn a_dark_sky_is_demosaiced_as_before() {
    let (truth, _) = starry(3);
    let mosaic = mosaic_of(&truth, Cfa::GRBG);
    let plain = demosaic_with(&mosaic, [1.0; 3], Directions::Equal);
    assert_eq!(demosaic_sky(&mosaic, [1.0; 3], &|_| f32::INFINITY), plain);
    let ours = demosaic_sky(&mosaic, [1.0; 3], &|_| NOISE);
    assert_eq!(ours.at(7, 7), plain.at(7, 7));
}

/// As [`bilinear`], over 5 × 5 pixels, which always hold every colour of a cell of six.
fn inverse_distance(mosaic: &Mosaic) -> Rgb {
    let (w, h) = (mosaic.plane.width() as isize, mosaic.plane.height() as isize);
    let value = |x: isize, y: isize, c: usize| {
        let (mut sum, mut weight) = (0.0, 0.0);
        for (nx, ny) in (y - 2..=y + 2).flat_map(|v| (x - 2..=x + 2).map(move |u| (u, v))) {
            if (0..w).contains(&nx)
                && (0..h).contains(&ny)
                && mosaic.cfa.colour(nx as usize, ny as usize) == c
            {
                let far = ((nx - x).pow(2) + (ny - y).pow(2)) as f32;
                let k = 1.0 / far.max(1e-6);
                sum += k * mosaic.plane.at(nx as usize, ny as usize);
                weight += k;
            }
        }
        sum / weight
    };
    Rgb::from_planes(
        [0, 1, 2].map(|c| Plane::from_fn(w as usize, h as usize, |x, y| value(x as isize, y as isize, c))),
    )
}

#[test]
fn six_by_six_beats_bilinear() {
    for (truth, gain) in [(natural(), 5.5), (stars_and_ridge(160, 120), 3.0)] {
        for (dx, dy) in [(0, 0), (3, 1), (5, 4)] {
            let mosaic = mosaic_of(&truth, Cfa::X_TRANS.moved(dx, dy));
            let simple = psnr_db(&inverse_distance(&mosaic), &truth, 0);
            for directions in [Directions::Chosen, Directions::Weighted, Directions::Equal] {
                let ours = psnr_db(&demosaic_with(&mosaic, [1.0; 3], directions), &truth, 0);
                assert!(
                    ours > simple + gain,
                    "{directions:?} from ({dx}, {dy}): {ours:.2} dB against {simple:.2} dB"
                );
            }
        }
    }
    // On a photograph the choice of directions is worth something, too.
    let truth = natural();
    let mosaic = mosaic_of(&truth, Cfa::X_TRANS);
    let with = |directions| psnr_db(&demosaic_with(&mosaic, [1.0; 3], directions), &truth, 6);
    assert!(with(Directions::Chosen) > with(Directions::Equal) + 0.3);
}

#[test]
fn six_by_six_gives_back_samples_and_even_areas_to_the_border() {
    let noise = |x: usize, y: usize| ((x * 7919 + y * 104_729) % 1000) as f32 / 1000.0 - 0.3;
    for (w, h) in [(67, 41), (6, 6), (7, 9), (1030, 8), (20, 150)] {
        for (dx, dy) in [(0, 0), (1, 4)] {
            let cfa = Cfa::X_TRANS.moved(dx, dy);
            let rough = Mosaic {
                plane: Plane::from_fn(w, h, noise),
                cfa,
            };
            let even = mosaic_of(&Rgb::filled(w, h, [0.25, 0.5, 0.125]), cfa);
            for directions in [Directions::Chosen, Directions::Weighted, Directions::Equal] {
                let (rough, even) = (
                    demosaic_with(&rough, [1.9, 1.0, 1.4], directions),
                    demosaic_with(&even, [1.9, 1.0, 1.4], directions),
                );
                for (x, y) in (0..h).flat_map(|y| (0..w).map(move |x| (x, y))) {
                    assert_eq!(rough.at(x, y)[cfa.colour(x, y)], noise(x, y));
                    for (a, b) in even.at(x, y).into_iter().zip([0.25, 0.5, 0.125]) {
                        assert!(
                            (a - b).abs() < 2e-6,
                            "{directions:?} ({x}, {y}) of {w} × {h}: {a}, not {b}"
                        );
                    }
                }
            }
        }
    }
    // Smaller than a cell there is no colour.
    let small = Mosaic {
        plane: Plane::filled(5, 8, 0.5),
        cfa: Cfa::X_TRANS,
    };
    assert_eq!(demosaic(&small).at(4, 7), [0.5; 3]);
    let bare = Mosaic {
        plane: Plane::from_fn(8, 8, noise),
        cfa: Cfa::NONE,
    };
    assert_eq!(demosaic(&bare).at(3, 4), [noise(3, 4); 3]);
    assert_eq!(
        demosaic_sky(&bare, [1.0; 3], &|_| NOISE).at(3, 4),
        [noise(3, 4); 3]
    );
}

/// Gaussian stars of FWHM 2.5 px integrated over pixels, of the colours of hot and cool ones, in a camera that answers white
/// with (0.5, 1, 0.7), alone and on sky.
#[test]
fn six_by_six_stars_keep_light_place_and_colour() {
    const RESPONSE: [f32; 3] = [0.5, 1.0, 0.7];
    const SKY: [f32; 3] = [0.012, 0.02, 0.013];
    let sigma = 2.5 / 2.3548;
    let mut random = nightloom_fit::Random::new(19);
    let mut truth = Rgb::filled(340, 290, SKY);
    let mut stars = Vec::new();
    for (i, j) in (0..10).flat_map(|j| (0..12).map(move |i| (i, j))) {
        let at = [
            24.0 + 26.0 * f64::from(i) + random.uniform(),
            24.0 + 26.0 * f64::from(j) + random.uniform(),
        ];
        let hue = [[1.0, 1.0, 1.0], [1.4, 1.0, 0.7], [0.8, 1.0, 1.3]][(i + j) as usize % 3];
        let light = 0.05 * 40f64.powf(random.uniform());
        let colour: [f64; 3] = std::array::from_fn(|c| hue[c] * f64::from(RESPONSE[c]));
        stars.push((at, colour.map(|c| c * light)));
        for (u, v) in (-11..=11).flat_map(|v| (-11..=11).map(move |u| (u, v))) {
            let (x, y) = (at[0] as i64 + u, at[1] as i64 + v);
            let part = inside_pixel(x as f64 - at[0], sigma) * inside_pixel(y as f64 - at[1], sigma) * light;
            for (c, plane) in truth.planes_mut().iter_mut().enumerate() {
                *plane.at_mut(x as usize, y as usize) += (part * colour[c]) as f32;
            }
        }
    }
    let balance = RESPONSE.map(|r| 1.0 / r);
    let (mut light_off, mut moved, mut tinted) = ([(); 3].map(|()| Vec::new()), Vec::new(), Vec::new());
    let mosaic = mosaic_of(&truth, Cfa::X_TRANS.moved(1, 2));
    let ours = demosaic_sky(&mosaic, balance, &|_| NOISE);
    for (at, light) in &stars {
        let (x0, y0) = (at[0] as usize, at[1] as usize);
        let (mut sum, mut mx, mut my, mut worst, mut peak) =
            ([0.0f64; 3], [0.0f64; 3], [0.0f64; 3], 0.0f64, 0.0f64);
        for (x, y) in (y0 - 8..=y0 + 8).flat_map(|y| (x0 - 8..=x0 + 8).map(move |x| (x, y))) {
            let v: [f64; 3] = std::array::from_fn(|c| f64::from(ours.at(x, y)[c] - SKY[c]) / light[c]);
            for c in 0..3 {
                sum[c] += v[c];
                mx[c] += v[c] * (x as f64 - at[0]);
                my[c] += v[c] * (y as f64 - at[1]);
            }
            peak = peak.max(v[1]);
            worst = worst.max((v[0] - v[1]).abs()).max((v[2] - v[1]).abs());
        }
        for c in 0..3 {
            light_off[c].push(sum[c] - 1.0);
            moved.push((mx[c] / sum[c]).hypot(my[c] / sum[c]));
        }
        tinted.push(worst / peak);
    }
    let median = |v: &[f64]| {
        let mut v: Vec<f64> = v.to_vec();
        v.sort_by(f64::total_cmp);
        [v[v.len() / 2], v[v.len() * 95 / 100]]
    };
    for (c, off) in light_off.iter().enumerate() {
        let mean = off.iter().sum::<f64>() / off.len() as f64;
        let single = median(&off.iter().map(|v| v.abs()).collect::<Vec<_>>());
        assert!(mean.abs() < 0.004, "channel {c}: all stars together {mean}");
        assert!(
            single[0] < 0.01,
            "channel {c}: a star's light is off by {single:?}"
        );
    }
    let (moved, tinted) = (median(&moved), median(&tinted));
    assert!(moved[1] < 0.02, "centres are off by {moved:?} px");
    assert!(
        tinted[0] < 0.03 && tinted[1] < 0.06,
        "colour is off by {tinted:?} of the peak"
    );
}

/// Share of a Gaussian's light in the pixel whose middle is `d` from it, by Simpson's rule on eight parts.
fn inside_pixel(d: f64, sigma: f64) -> f64 {
    let value = |u: f64| (-0.5 * (u / sigma).powi(2)).exp() / (sigma * std::f64::consts::TAU.sqrt());
    let weights = [1.0, 4.0, 2.0, 4.0, 2.0, 4.0, 2.0, 4.0, 1.0];
    let parts = weights.iter().enumerate();
    parts
        .map(|(i, w)| w * value(d - 0.5 + i as f64 / 8.0))
        .sum::<f64>()
        / 24.0
}

/// As [`stars_have_no_rings`]. The light of red and blue in stars of FWHM 1.7 px depends on where they fall between the
/// samples of such a cell; all seeds and phases together keep it.
#[test]
fn six_by_six_stars_have_no_rings_and_keep_their_light_on_the_average() {
    const SEEDS: u64 = 12;
    let mut off = [0.0f64; 3];
    for seed in 0..SEEDS {
        let (truth, stars) = starry(seed);
        let mosaic = mosaic_of(&truth, Cfa::X_TRANS.moved(seed as usize % 6, seed as usize / 2));
        let ours = demosaic_sky(&mosaic, [1.0; 3], &|_| NOISE);
        for &[x, y, _] in &stars {
            for (u, v) in (0..11).flat_map(|v| (0..11).map(move |u| (u, v))) {
                let (px, py) = (x as usize + u - 5, y as usize + v - 5);
                if px < 320 && py < 240 {
                    let low = ours.at(px, py).into_iter().fold(f32::INFINITY, f32::min);
                    assert!(
                        0.02 - low < 0.5 * NOISE,
                        "seed {seed}: {} sigma",
                        (0.02 - low) / NOISE
                    );
                }
            }
        }
        for (c, off) in off.iter_mut().enumerate() {
            let sum = |p: &Rgb| {
                p.planes()[c]
                    .data()
                    .iter()
                    .map(|v| f64::from(*v - 0.02))
                    .sum::<f64>()
            };
            *off += (sum(&ours) / sum(&truth) - 1.0) / SEEDS as f64;
        }
    }
    assert!(off.iter().all(|o| o.abs() < 0.01), "{off:?}");
}
