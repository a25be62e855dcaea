//! One night through sensors under different filters: the pictures agree.

use std::fs;
use std::path::Path;
use std::sync::atomic::AtomicBool;

use nightloom_raster::{Limits, Pixels, Plane, Rgb, decode_here};
use nightloom_simulate::{Counts, Filters, Mishaps, Scenario, Size, TruthPictures, render};
use serde_json::Value;

use crate::night::{Temp, built, output};

/// Light of stars and of areas, over all, that another sensor may give.
const LIGHT: f64 = 0.01;
/// Ratio of red or blue to green.
const COLOUR: f64 = 0.02;

/// Tracked frames of each night.
const SKY: usize = 5;
/// One moment and one frame for all: the sky's light decides how the picture is shown.
const SHOWN: &str = "[seam]\ninstant = 2024-11-20T18:50:30Z\n[picture]\ncrop = [0, 0, 520, 600]\n";

fn scenario(filters: Filters) -> Scenario {
    let corrected = filters == Filters::Linear;
    Scenario {
        size: Size::Small,
        filters,
        star_px: Some(2.4),
        counts: Counts {
            sky: SKY,
            land: 2,
            dark: if corrected { 0 } else { 3 },
            flat: if corrected { 0 } else { 3 },
        },
        mishaps: Mishaps::none(),
        truth_pictures: TruthPictures::None,
        ..Scenario::default()
    }
}

/// The picture of a night.
struct Made {
    picture: Rgb,
    report: Value,
    _temp: Temp,
}

fn made(filters: Filters) -> Made {
    let temp = Temp::new();
    let night = temp.night();
    render(&scenario(filters), &night, &|_, _, _| {}, &AtomicBool::new(false)).unwrap();
    fs::remove_dir_all(night.join("truth")).unwrap();
    fs::write(night.join("outing.toml"), SHOWN).unwrap();
    let report = built(&night);
    let picture = colour(&output(&report, "picture"));
    if let Ok(keep) = std::env::var("KEEPF") {
        let to = format!("{keep}/{filters:?}");
        assert!(
            std::process::Command::new("cp")
                .arg("-a")
                .arg(&night)
                .arg(to)
                .status()
                .unwrap()
                .success()
        );
    }
    Made {
        picture,
        report,
        _temp: temp,
    }
}

fn colour(path: &Path) -> Rgb {
    match decode_here(path, &Limits::default()).unwrap().pixels {
        Pixels::Rgb(picture) => picture,
        other => panic!("{} is not colour: {:?}", path.display(), other.size()),
    }
}

/// Light in a square above the median of its border, each channel.
fn light(picture: &Rgb, [x, y]: [usize; 2], reach: usize) -> [f64; 3] {
    picture.planes().each_ref().map(|plane: &Plane| {
        let square =
            || (y - reach..=y + reach).flat_map(move |v| (x - reach..=x + reach).map(move |u| (u, v)));
        let border = |(u, v): &(usize, usize)| u.abs_diff(x).max(v.abs_diff(y)) == reach;
        let sky = median(
            square()
                .filter(border)
                .map(|(u, v)| f64::from(plane.at(u, v)))
                .collect(),
        );
        square().map(|(u, v)| f64::from(plane.at(u, v)) - sky).sum()
    })
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// Brightest places of the picture, well apart and in its upper part, as stars to be compared.
fn stars(picture: &Rgb) -> Vec<[usize; 2]> {
    let green = &picture.planes()[1];
    let (w, h) = (green.width(), green.height());
    let mut all: Vec<([usize; 2], f32)> = Vec::new();
    for (x, y) in (8..h / 2).flat_map(|y| (8..w - 8).map(move |x| (x, y))) {
        let own = green.at(x, y);
        let round = (y - 2..=y + 2).flat_map(|v| (x - 2..=x + 2).map(move |u| (u, v)));
        if own < 0.8 && round.clone().all(|(u, v)| green.at(u, v) <= own) {
            all.push(([x, y], own));
        }
    }
    all.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut kept: Vec<[usize; 2]> = Vec::new();
    for (at, _) in all {
        if kept.len() < 80
            && kept
                .iter()
                .all(|k| k[0].abs_diff(at[0]).max(k[1].abs_diff(at[1])) > 14)
        {
            kept.push(at);
        }
    }
    kept
}

/// Means of patches all over a picture, each channel.
fn patches(picture: &Rgb) -> Vec<[f64; 3]> {
    const SIDE: usize = 30;
    let (w, h) = (picture.width() / SIDE, picture.height() / SIDE);
    let mean = |i: usize, j: usize| {
        picture.planes().each_ref().map(|plane| {
            let values =
                (j * SIDE..(j + 1) * SIDE).flat_map(|y| plane.row(y)[i * SIDE..(i + 1) * SIDE].to_vec());
            median(values.map(f64::from).collect())
        })
    };
    (0..h)
        .flat_map(|j| (0..w).map(move |i| (i, j)))
        .map(|(i, j)| mean(i, j))
        .collect()
}

/// Median ratios of green, and of red and blue to green, of two lists.
fn ratios(ours: &[[f64; 3]], theirs: &[[f64; 3]]) -> [f64; 3] {
    let of = |value: fn(&[f64; 3], &[f64; 3]) -> f64| {
        median(ours.iter().zip(theirs).map(|(a, b)| value(a, b)).collect())
    };
    [
        of(|a, b| a[1] / b[1]),
        of(|a, b| (a[0] / a[1]) / (b[0] / b[1])),
        of(|a, b| (a[2] / a[1]) / (b[2] / b[1])),
    ]
}

#[test]
fn one_night_through_bayer_x_trans_monochrome_and_linear_gives_one_picture() {
    const ALL: [Filters; 7] = [
        Filters::Rggb,
        Filters::Bggr,
        Filters::Grbg,
        Filters::Gbrg,
        Filters::XTrans,
        Filters::None,
        Filters::Linear,
    ];
    // Two at a time: much of a small build is waiting.
    let mut all: Vec<(Filters, Made)> = std::thread::scope(|scope| {
        let halves = ALL
            .chunks(4)
            .map(|half| scope.spawn(|| half.iter().map(|f| (*f, made(*f))).collect::<Vec<_>>()));
        let halves: Vec<_> = halves.collect();
        halves.into_iter().flat_map(|h| h.join().unwrap()).collect()
    });
    let (_, reference) = all.remove(0);
    let stars = stars(&reference.picture);
    assert!(stars.len() >= 40, "{} stars", stars.len());
    let measured = |m: &Made| {
        let of = |p: &Rgb| stars.iter().map(|at| light(p, *at, 5)).collect::<Vec<_>>();
        (of(&m.picture), patches(&m.picture))
    };
    let (their_stars, their_patches) = measured(&reference);
    let mut told = Vec::new();
    for (filters, ours) in &all {
        assert_eq!(
            ours.report["sky"]["frames_used"], SKY,
            "{filters:?}: {}",
            ours.report["frames"]
        );
        let size = |m: &Made| (m.picture.width(), m.picture.height());
        assert_eq!(size(ours), size(&reference), "{filters:?}");
        let (own_stars, own_patches) = measured(ours);
        told.push((
            *filters,
            ratios(&own_stars, &their_stars),
            ratios(&own_patches, &their_patches),
        ));
    }
    println!("{told:?}");
    for (filters, star, patch) in told {
        for (what, [light, red, blue]) in [("stars", star), ("areas", patch)] {
            assert!((light - 1.0).abs() < LIGHT, "{filters:?}, {what}: light {light}");
            if filters != Filters::None {
                assert!(
                    (red - 1.0).abs() < COLOUR && (blue - 1.0).abs() < COLOUR,
                    "{filters:?}, {what}: {red} {blue}"
                );
            }
        }
    }
}
