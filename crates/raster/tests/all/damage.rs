//! Damage that decoders do not notice: found in every role with its rows, and never seen in frames that have none.

use std::path::Path;

use nightloom_fit::Random;
use nightloom_raster::{Damage, DamageKind, DecodeError, DecodeOptions, Limits, Wall, find_damage};
use nightloom_simulate::write_dng;

const WIDTH: usize = 900;
const HEIGHT: usize = 640;
const BLACK: f64 = 512.0;
const WHITE: f64 = 16000.0;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Role {
    Sky,
    Land,
    Dark,
    Flat,
}

const ROLES: [Role; 4] = [Role::Sky, Role::Land, Role::Dark, Role::Flat];

/// Light in a place, in the file's numbers above black, without noise.
fn light(role: Role, stars: &[[f64; 3]], x: usize, y: usize) -> f64 {
    let (fx, fy) = (x as f64, y as f64);
    let colour = [0.7, 1.0, 1.0, 0.8][(y & 1) * 2 + (x & 1)];
    let off = ((fx - 450.0).powi(2) + (fy - 320.0).powi(2)) / 305_000.0;
    let fall_off = 1.0 - 0.6 * off;
    colour
        * match role {
            Role::Dark => 2.0,
            Role::Flat => 6500.0 * fall_off,
            Role::Sky => {
                let near = stars
                    .iter()
                    .map(|s| s[2] * (-((fx - s[0]).powi(2) + (fy - s[1]).powi(2)) / 4.5).exp());
                fall_off * (400.0 + 0.2 * fy) + near.sum::<f64>()
            }
            // Rocks: sums of waves that reach over some pixels.
            Role::Land => {
                let wave = |a: f64, b: f64| (a * fx + b * fy + 3.0 * (b * fx * 0.11).sin()).sin();
                120.0 * (3.0 + wave(0.31, 0.07) + wave(0.047, 0.23) + wave(0.71, 0.19)).powi(2) * 0.3
            }
        }
}

fn samples(role: Role, seed: u64) -> Vec<u16> {
    let mut random = Random::new(seed);
    let star = |random: &mut Random| {
        let at = [
            random.between(0.0, WIDTH as f64),
            random.between(0.0, HEIGHT as f64),
        ];
        [at[0], at[1], 300.0 * random.between(0.1, 1.0).powi(-2).min(40.0)]
    };
    let stars: Vec<[f64; 3]> = (0..60).map(|_| star(&mut random)).collect();
    (0..WIDTH * HEIGHT)
        .map(|i| {
            let clean = light(role, &stars, i % WIDTH, i / WIDTH);
            // Photons at 2 electrons a number, and 4 numbers of read noise.
            let sigma = (clean / 2.0 + 16.0).sqrt();
            (BLACK + clean + sigma * random.normal())
                .round()
                .clamp(0.0, WHITE) as u16
        })
        .collect()
}

fn write(path: &Path, samples: &[u16]) {
    let meta = crate::dng::meta();
    let mut frame = crate::dng::frame(WIDTH, HEIGHT, samples, &meta);
    frame.black = [BLACK as u16; 4];
    frame.white = WHITE as u16;
    write_dng(path, &frame).unwrap();
}

fn found(samples: &[u16]) -> Vec<Damage> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("frame.dng");
    write(&path, samples);
    find_damage(&path, &DecodeOptions::default(), &Limits::default()).unwrap()
}

/// Rows of the damage and of what is found of it, within a row.
fn assert_found(what: &str, samples: &[u16], kind: DamageKind, rows: [usize; 2]) {
    let found = found(samples);
    let near = |a: usize, b: usize| a.abs_diff(b) <= 1;
    assert!(
        found
            .iter()
            .any(|d| d.kind == kind && near(d.rows[0], rows[0]) && near(d.rows[1], rows[1])),
        "{what}: {kind:?} in rows {rows:?} was expected, found {found:?}"
    );
}

#[test]
fn frames_without_damage_have_none() {
    for role in ROLES {
        for seed in 0..3 {
            let samples = samples(role, seed);
            assert_eq!(found(&samples), [], "{role:?} {seed}");
            // As a camera that cuts off at black stores it.
            let cut: Vec<u16> = samples.iter().map(|v| (*v).max(BLACK as u16)).collect();
            assert_eq!(found(&cut), [], "{role:?} {seed}, cut off at black");
        }
    }
    // Burnt out in the middle, as the moon is.
    let mut burnt = samples(Role::Sky, 9);
    for y in 200..300 {
        burnt[y * WIDTH..y * WIDTH + WIDTH].fill(WHITE as u16);
    }
    assert_eq!(found(&burnt), []);
}

#[test]
fn lost_blocks_are_found_in_every_role() {
    for role in ROLES {
        for (value, bytes) in [
            (0, 64 << 10),
            (0, 4 << 10),
            (0xffff_u16, 16 << 10),
            (700, 16 << 10),
        ] {
            let mut samples = samples(role, 3);
            let start = (213_000 - BLACK as usize) & !255;
            let end = start + bytes / 2;
            samples[start..end].fill(value);
            let rows = [start / WIDTH, (end - 1) / WIDTH];
            // What no sensor gives is told as such if it fills rows.
            let folder_kind = found(&samples).first().map(|d| d.kind);
            assert!(
                folder_kind.is_some(),
                "{role:?}: {bytes} bytes of {value} are not found"
            );
            if value != 0xffff {
                assert_found(
                    &format!("{role:?}, {bytes} bytes of {value}"),
                    &samples,
                    DamageKind::Constant,
                    rows,
                );
            }
        }
    }
}

#[test]
fn an_end_that_was_never_written_is_found_in_every_role() {
    for role in ROLES {
        let mut samples = samples(role, 4);
        samples[WIDTH * 500 + 77..].fill(0);
        assert_found(
            &format!("{role:?}"),
            &samples,
            DamageKind::Tail,
            [500, HEIGHT - 1],
        );
    }
}

#[test]
fn blocks_that_are_there_twice_are_found_in_every_role() {
    for role in ROLES {
        for bytes in [64 << 10, 16 << 10, 4 << 10, 512] {
            let mut samples = samples(role, 5);
            let (from, to, length) = (256 * 300, 256 * 1300, bytes / 2);
            samples.copy_within(from..from + length, to);
            let rows = [to / WIDTH, (to + length - 1) / WIDTH];
            assert_found(
                &format!("{role:?}, {bytes} bytes"),
                &samples,
                DamageKind::Repeated,
                rows,
            );
        }
    }
}

#[test]
fn a_code_that_lost_its_place_is_found_in_every_role() {
    for role in ROLES {
        let mut samples = samples(role, 6);
        let mut random = Random::new(77);
        // From there on the differences of a lossless code are others: a walk that wraps round.
        let mut value = 600u16;
        for v in &mut samples[WIDTH * 300..WIDTH * 340] {
            value = value
                .wrapping_add((random.uniform() * 4000.0) as u16)
                .wrapping_sub(1900);
            *v = value;
        }
        let found = found(&samples);
        assert!(
            found
                .iter()
                .any(|d| d.kind == DamageKind::Impossible && d.rows[0] >= 299 && d.rows[1] <= 340),
            "{role:?}: {found:?}"
        );
    }
}

#[test]
fn one_lost_sector_is_found_in_every_role() {
    for role in ROLES {
        for (what, value) in [("zeros", Some(0)), ("ones", Some(u16::MAX)), ("rubbish", None)] {
            let mut samples = samples(role, 10);
            let mut random = Random::new(5);
            // 512 bytes, which begin at a multiple of as many in the file.
            let start = 256 * 801;
            for v in &mut samples[start..start + 256] {
                *v = value.unwrap_or_else(|| (random.uniform() * 65_536.0) as u16);
            }
            let rows = [start / WIDTH, (start + 255) / WIDTH];
            assert_found(
                &format!("{role:?}, {what}"),
                &samples,
                DamageKind::Impossible,
                rows,
            );
        }
    }
}

/// Rows moved by so many pixels, what leaves on one side coming in on the other.
fn moved(samples: &[u16], rows: std::ops::Range<usize>, by: usize) -> Vec<u16> {
    let mut moved = samples.to_vec();
    rows.for_each(|y| moved[y * WIDTH..(y + 1) * WIDTH].rotate_right(by));
    moved
}

/// Nothing in a dark goes on from row to row, and rocks do so nowhere: nothing tells that their rows were moved.
#[test]
fn rows_that_were_moved_are_found() {
    for (role, by) in [
        (Role::Sky, 256),
        (Role::Sky, 3),
        (Role::Flat, 256),
        (Role::Flat, 16),
        (Role::Flat, 1),
    ] {
        let samples = samples(role, 7);
        // To the end, as after a lost block, and back again.
        for (end, last) in [(HEIGHT, HEIGHT - 1), (500, 499)] {
            let found = found(&moved(&samples, 300..end, by));
            let near = |d: &Damage| d.rows[0].abs_diff(300) <= 4 && d.rows[1].abs_diff(last) <= 4;
            assert!(
                found.iter().any(|d| d.kind == DamageKind::Shifted && near(d)),
                "{role:?} by {by}, rows 300 to {last}: {found:?}"
            );
        }
    }
}

#[test]
fn what_stands_still_was_not_moved() {
    // An even ridge, a bright bar, and a pattern that repeats itself from side to side: all change from one row to the next.
    let [sky, dark, bright] = [Role::Sky, Role::Dark, Role::Flat].map(|role| samples(role, 11));
    let mut ridge = sky.clone();
    ridge[300 * WIDTH..].copy_from_slice(&dark[300 * WIDTH..]);
    assert_eq!(found(&ridge), [], "an even ridge");
    let mut bar = sky.clone();
    bar[300 * WIDTH..320 * WIDTH].copy_from_slice(&bright[300 * WIDTH..320 * WIDTH]);
    assert_eq!(found(&bar), [], "a bright bar");
    let mut windows = sky;
    for y in 300..400 {
        for x in (0..WIDTH).filter(|x| x % 40 < 20) {
            windows[y * WIDTH + x] = bright[y * WIDTH + x];
        }
    }
    assert_eq!(found(&windows), [], "lit windows");
}

#[test]
fn through_the_wall_damage_is_an_error_with_its_rows_unless_it_is_wanted() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("frame.dng");
    let mut samples = samples(Role::Land, 8);
    samples[WIDTH * 100..WIDTH * 154].fill(0);
    write(&path, &samples);
    let wall = Wall {
        program: env!("CARGO_BIN_EXE_nightloom-decode-child").into(),
        args: Vec::new(),
        limits: Limits::default(),
    };
    let error = wall.decode(&path, &DecodeOptions::default()).unwrap_err();
    assert!(matches!(error, DecodeError::Damaged { .. }) && !error.may_pass());
    assert!(
        error.to_string().contains("rows 100 to 153 have one value"),
        "{error}"
    );
    let options = DecodeOptions {
        damaged_too: true,
        ..DecodeOptions::default()
    };
    assert!(wall.decode(&path, &options).is_ok());
}
