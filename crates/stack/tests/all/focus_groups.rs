//! Groups of equal focus, breathing, and what merging leaves of noise, on painted nights.

use nightloom_raster::{Plane, Rgb};
use nightloom_stack::{
    FocusDetail, FocusLayer, FocusStanding, FuseSettings, NoiseLine, breathing, focus_groups, fuse,
};

use crate::focus_scene::{Painting, Setting};

fn detail(painting: &Painting, setting: &Setting) -> FocusDetail {
    let [floor, slope] = setting.noise_line();
    let luminance = painting.frame(setting).brightness();
    FocusDetail::of(&luminance, NoiseLine { floor, slope }, Some(&painting.sky()))
}

fn setting(focus: f64, noise: f64, noise_seed: u64) -> Setting {
    Setting {
        noise,
        noise_seed,
        ..Setting::at(focus)
    }
}

#[test]
fn noise_does_not_look_like_focus() {
    for seed in 0..5 {
        let painting = Painting::new(seed);
        let details = [0.02, 0.04, 0.16, 0.08]
            .iter()
            .enumerate()
            .map(|(i, noise)| detail(&painting, &setting(0.12, *noise, seed * 10 + i as u64)));
        let groups = focus_groups(&details.collect::<Vec<_>>(), &[]);
        assert_eq!(groups.len(), 1, "seed {seed}: {groups:?}");
        assert_eq!(groups[0].standing, FocusStanding::Sharp);
    }
}

#[test]
fn a_bracket_is_told_from_sharpness() {
    for seed in 0..5 {
        let painting = Painting::new(seed);
        let focuses = [0.0, 0.33, 0.0, 0.12, 0.33];
        let details = focuses
            .iter()
            .enumerate()
            .map(|(i, f)| detail(&painting, &setting(*f, 0.04, seed * 10 + i as u64)));
        let groups = focus_groups(&details.collect::<Vec<_>>(), &[]);
        let frames: Vec<&[usize]> = groups.iter().map(|g| &g.frames[..]).collect();
        assert_eq!(frames, [&[0, 2][..], &[1, 4], &[3]], "seed {seed}: {groups:?}");
        let far: Vec<bool> = groups.iter().map(|g| g.farthest).collect();
        assert_eq!(far, [true, false, false], "seed {seed}: {groups:?}");
    }
}

/// Standings of two good frames and one that is worse everywhere.
fn standings(seed: u64, worse: &Setting) -> Vec<(Vec<usize>, FocusStanding)> {
    let painting = Painting::new(seed);
    let good = [1, 2].map(|i| detail(&painting, &setting(0.0, 0.04, seed * 10 + i)));
    let [first, second] = good;
    let groups = focus_groups(&[first, detail(&painting, worse), second], &[]);
    groups.into_iter().map(|g| (g.frames, g.standing)).collect()
}

#[test]
fn a_frame_out_of_focus_everywhere_is_soft() {
    for seed in 0..5 {
        // Past infinity: nearer things are softer still.
        let found = standings(seed, &setting(-0.15, 0.04, seed * 10));
        let wanted = [(vec![0, 2], FocusStanding::Sharp), (vec![1], FocusStanding::Soft)];
        assert_eq!(found, wanted, "seed {seed}");
    }
}

#[test]
fn a_frame_smeared_along_a_line_is_shaken() {
    for seed in 0..5 {
        let worse = Setting {
            shake: 8.0,
            ..setting(0.0, 0.04, seed * 10)
        };
        let wanted = [
            (vec![0, 2], FocusStanding::Sharp),
            (vec![1], FocusStanding::Shaken),
        ];
        assert_eq!(standings(seed, &worse), wanted, "seed {seed}");
    }
}

#[test]
fn told_distances_decide_first() {
    let painting = Painting::new(1);
    let same = detail(&painting, &setting(0.12, 0.04, 1));
    let details = [same.clone(), same.clone(), same];
    let told = [Some(f64::INFINITY), Some(3.0), Some(3.02)];
    let groups = focus_groups(&details, &told);
    let frames: Vec<&[usize]> = groups.iter().map(|g| &g.frames[..]).collect();
    assert_eq!(frames, [&[0][..], &[1, 2]]);
    assert!(groups[0].farthest && !groups[1].farthest);
}

#[test]
fn breathing_is_measured_to_a_quarter_of_a_pixel_at_the_corner() {
    const CORNER_PX: f64 = 0.25;
    for seed in 0..5 {
        let painting = Painting::new(seed);
        for (scale, focus) in [(1.005, 0.12), (1.02, 0.12), (0.985, 0.05)] {
            let second = Setting {
                scale,
                ..setting(focus, 0.06, seed + 50)
            };
            let frames = [painting.frame(&setting(0.0, 0.06, seed)), painting.frame(&second)];
            let [a, b] = frames.each_ref().map(nightloom_raster::Rgb::brightness);
            let sky = painting.sky();
            let found = breathing(&a, &b, &|x, y| sky.at(x, y) < 0.5).unwrap();
            for corner in [[0.0, 0.0], [479.0, 0.0], [0.0, 319.0], [479.0, 319.0]] {
                let moved = found.moved(corner);
                let truth =
                    [0, 1].map(|i| painting.principal[i] + scale * (corner[i] - painting.principal[i]));
                let off = (moved[0] - truth[0]).hypot(moved[1] - truth[1]);
                assert!(off < CORNER_PX, "seed {seed}, {scale}: {off}, {found:?}");
            }
        }
    }
}

#[test]
fn breathing_of_nothing_is_refused() {
    let flat = Plane::filled(480, 320, 0.01);
    assert_eq!(breathing(&flat, &flat, &|_, _| true), None);
    assert_eq!(breathing(&flat, &Plane::filled(3, 3, 0.0), &|_, _| true), None);
}

#[test]
fn alike_layers_fuse_to_their_mean_by_inverse_variance() {
    let painting = Painting::new(2);
    let settings = [setting(0.12, 0.05, 1), setting(0.12, 0.10, 2)];
    let frames = settings.each_ref().map(|s| painting.frame(s));
    let layer = |i: usize| {
        let [floor, slope] = settings[i].noise_line();
        FocusLayer {
            picture: &frames[i],
            noise: NoiseLine { floor, slope },
        }
    };
    let fused = fuse(&[layer(0), layer(1)], None, 0, &FuseSettings::default()).unwrap();
    let clean = painting.sharp(&settings[0], false);
    let rms = |p: &Rgb| {
        let both = p.planes()[1].data().iter().zip(clean.planes()[1].data());
        (both.map(|(v, t)| f64::from(v - t).powi(2)).sum::<f64>() / 153_600.0).sqrt()
    };
    // The best mean leaves 0.894 of the better frame's noise; 0.899 is left.
    assert!(
        rms(&fused) < 0.905 * rms(&frames[0]),
        "{} {}",
        rms(&fused),
        rms(&frames[0])
    );
    assert!(fuse(&[], None, 0, &FuseSettings::default()).is_none());
    assert!(fuse(&[layer(0)], None, 1, &FuseSettings::default()).is_none());
}
