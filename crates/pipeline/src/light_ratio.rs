//! How bright one land frame really is beside another, once their settings are taken out.
//!
//! Cameras keep to their marks within some per cent: 30 s are 32, ISO 1600 may be 1500. What stays put on the
//! tripod tells the rest.

use nightloom_raster::{Plane, WorkFile};
use nightloom_stack::median_of;
use std::collections::BTreeMap;

use super::land_frame::LandFrame;
use super::setting::Setting;
use nightloom_journal::BuildError;

/// Side of the cells compared, pixels.
const CELL: usize = 16;
/// A cell counts where it is so many σ bright in both.
const BRIGHT_SIGMA: f32 = 12.0;
/// Cells needed.
const LEAST: usize = 100;
/// A larger difference is the scene's own light, which is not taken away, as a natural logarithm (a quarter).
const MOST: f32 = 0.223;
/// A smaller one, or one within so many of its errors, is none.
const SMALLEST: f32 = 0.003;
const SURE: f32 = 3.0;

/// Brings the frames of each setting to the brightness of the reference's, as far as settings explain it.
/// Frames of the reference's own setting are left as they are: what differs there is the scene.
pub(super) fn settle(
    frames: &mut [LandFrame<'_>],
    sources: &[WorkFile],
    reference: usize,
) -> Result<(), BuildError> {
    let home = frames[reference].frame.facts.setting();
    let mut groups: Vec<(Setting, Vec<usize>)> = Vec::new();
    for (i, frame) in frames.iter().enumerate() {
        let own = frame.frame.facts.setting();
        if own.same(&home) {
            continue;
        }
        match groups.iter_mut().find(|g| g.0.same(&own)) {
            Some(group) => group.1.push(i),
            None => groups.push((own, vec![i])),
        }
    }
    if groups.is_empty() {
        return Ok(());
    }
    let base = cells(&sources[reference].read_plane(1)?, &frames[reference]);
    for (_, group) in groups {
        let mut ratios: Vec<f32> = Vec::new();
        for &i in &group {
            let own = cells(&sources[i].read_plane(1)?, &frames[i]);
            ratios.extend(own.iter().filter_map(|(at, v)| Some((v / base.get(at)?).ln())));
        }
        let most = if frames[group[0]].told {
            MOST
        } else {
            f32::INFINITY
        };
        let Some(off) = difference(ratios, most) else {
            continue;
        };
        for i in group {
            let frame = &mut frames[i];
            let factor = (-off).exp();
            frame.gain *= factor;
            frame.noise.read *= factor * factor;
            frame.noise.shot *= factor;
        }
    }
    Ok(())
}

/// The logarithm of the ratio, if it is sure, and small enough to be the camera's.
fn difference(mut ratios: Vec<f32>, most: f32) -> Option<f32> {
    let n = ratios.len();
    if n < LEAST {
        return None;
    }
    let off = median_of(&mut ratios)?;
    let mut away: Vec<f32> = ratios.iter().map(|r| (r - off).abs()).collect();
    // A median's standard error, from the median absolute deviation of normal values.
    let error = 1.2533 * 1.4826 * median_of(&mut away)? / (n as f32).sqrt();
    (off.abs() > SMALLEST && off.abs() > SURE * error && off.abs() < most).then_some(off)
}

/// Light of the land's bright, unsaturated cells by their place.
fn cells(plane: &Plane, frame: &LandFrame<'_>) -> BTreeMap<(usize, usize), f32> {
    let facts = &frame.frame.facts;
    let mut found = BTreeMap::new();
    for row in 0..plane.height() / CELL {
        for column in 0..plane.width() / CELL {
            let (x0, y0) = (column * CELL, row * CELL);
            let (x, y) = (x0 + CELL / 2, y0 + CELL / 2);
            let spoilt = !facts.field.land.is_land(x as f64, y as f64)
                || [
                    (0, 0),
                    (CELL - 1, 0),
                    (0, CELL - 1),
                    (CELL - 1, CELL - 1),
                    (CELL / 2, CELL / 2),
                ]
                .iter()
                .any(|(dx, dy)| facts.clipped.contains(x0 + dx, y0 + dy));
            let sum: f32 = (y0..y0 + CELL)
                .map(|y| plane.row(y)[x0..x0 + CELL].iter().sum::<f32>())
                .sum();
            let light = frame.gain * sum / (CELL * CELL) as f32;
            let sigma = frame.noise.variance(light).sqrt() / CELL as f32;
            if !spoilt && light > BRIGHT_SIGMA * sigma {
                found.insert((column, row), light);
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::MOST;

    fn difference(ratios: Vec<f32>) -> Option<f32> {
        super::difference(ratios, MOST)
    }

    #[test]
    fn a_camera_off_its_mark_is_told_and_another_light_is_not() {
        let around = |middle: f32| {
            (0..400)
                .map(|k| middle + 0.01 * ((k % 7) as f32 - 3.0))
                .collect::<Vec<_>>()
        };
        let off = difference(around(0.05));
        assert!(off.is_some_and(|o| (o - 0.05).abs() < 0.004), "{off:?}");
        assert_eq!(difference(around(0.0)), None);
        assert_eq!(difference(around(0.9)), None, "twilight");
        assert_eq!(difference(vec![0.05; 20]), None, "too few");
    }
}
