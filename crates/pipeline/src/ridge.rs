//! The skyline that the frames show: where the land ends, by azimuth.

use std::path::{Path, PathBuf};

use nightloom_raster::Plane;
use nightloom_raster::atomic::write_whole;
use nightloom_sky::{Angle, Skyline, skyline};

use super::canvas::Canvas;
use super::ground::Axes;
use super::placing::Placed;
use super::scene::Scene;
use nightloom_journal::BuildError;

/// Points of a skyline all round.
const POINTS: usize = 3600;
/// Matte under which a pixel is land.
const LAND: f32 = 0.5;
/// So much land has to lie under an edge, pixels: a lone bird or lamp is none.
const THICK_PX: usize = 4;

/// A skyline measured in part.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ridge {
    /// The whole of it: measured, and for the rest what was known before, else 0°.
    pub(super) skyline: Skyline,
    /// Points that were measured, one each 0.1° of azimuth from north through east.
    pub(super) measured: Vec<bool>,
}

impl Ridge {
    /// Reads the edge of land of a matte in the land frame's grid. `None` where no edge lies in the frame.
    pub(super) fn measured(
        canvas: &Canvas,
        axes: &Axes,
        alpha: &Plane,
        before: Option<&Skyline>,
    ) -> Option<Self> {
        let mut highest = vec![f64::NAN; POINTS];
        let mut last: Option<[f64; 2]> = None;
        for x in 0..alpha.width() {
            let here = edge_row(alpha, x).and_then(|y| {
                let [azimuth, altitude] = axes.place_of(&canvas.seen_direction([x as f64, y])?);
                Some([azimuth.deg(), altitude.deg()])
            });
            if let Some(here) = here {
                raise(&mut highest, last.unwrap_or(here), here);
            }
            last = here;
        }
        let measured: Vec<bool> = highest.iter().map(|a| a.is_finite()).collect();
        if !measured.contains(&true) {
            return None;
        }
        let known = |k: usize| {
            let azimuth = Angle::from_deg(k as f64 * 360.0 / POINTS as f64);
            before.map_or(0.0, |b| b.altitude(azimuth).deg())
        };
        let altitudes = (0..POINTS).map(|k| if measured[k] { highest[k] } else { known(k) });
        let skyline = Skyline::new(altitudes.map(Angle::from_deg).collect()).ok()?;
        Some(Self { skyline, measured })
    }

    /// Degrees of azimuth that were measured.
    fn degrees(&self) -> f64 {
        self.measured.iter().filter(|m| **m).count() as f64 * 360.0 / POINTS as f64
    }

    /// What a reader of the file should know, a line each.
    fn about(&self, site: &str, before: bool) -> Vec<String> {
        let rest = if before {
            "as the site's skyline had it"
        } else {
            "0, not known"
        };
        vec![
            format!(
                "The land's edge seen from {site}, measured in the land frames over {:.1} degrees of azimuth.",
                self.degrees()
            ),
            "Azimuth from true north, altitude as seen, refraction in it; trees and buildings count.".into(),
            format!("Elsewhere: {rest}."),
        ]
    }
}

impl Scene<'_> {
    /// Measures the land's edge by azimuth and writes it as a skyline: its path, and how many degrees were measured. `None`
    /// where place or time are not known, or no edge is in the frame.
    pub(crate) fn write_ridge(
        &self,
        results: &Path,
        placed: &Placed,
        alpha: &Plane,
    ) -> Result<Option<(PathBuf, f64)>, BuildError> {
        let (Some(site), true) = (self.tracked.site, placed.timed) else {
            return Ok(None);
        };
        let canvas = self.land_canvas(placed, &placed.placement);
        let found =
            Axes::at(&placed.placement).and_then(|axes| Ridge::measured(&canvas, &axes, alpha, self.skyline));
        let Some(ridge) = found else {
            return Ok(None);
        };
        let place = format!("{:.4}, {:.4}", site.latitude.deg(), site.longitude.deg());
        let text = skyline::write_csv(&ridge.skyline, &ridge.about(&place, self.skyline.is_some()));
        let path = results.join("skyline.csv");
        write_whole(&path, |out| std::io::Write::write_all(out, text.as_bytes()))
            .map_err(|e| BuildError::write(&path, &e))?;
        Ok(Some((path, ridge.degrees())))
    }
}

/// The row at which sky becomes land in a column, between pixels; `None` where it is all of one kind or land reaches the top.
fn edge_row(alpha: &Plane, x: usize) -> Option<f64> {
    let land = |y: usize| alpha.at(x, y) < LAND;
    let thick = |y: &usize| (*y..(*y + THICK_PX).min(alpha.height())).all(land);
    let first = (0..alpha.height()).filter(|y| land(*y)).find(thick)?;
    if first == 0 {
        return None;
    }
    let (above, below) = (alpha.at(x, first - 1), alpha.at(x, first));
    let part = (above - LAND) / (above - below).max(f32::MIN_POSITIVE);
    Some(first as f64 - 1.0 + f64::from(part.clamp(0.0, 1.0)))
}

/// Takes the points between two columns' edges up to the straight line between them.
fn raise(highest: &mut [f64], [from, low]: [f64; 2], [to, high]: [f64; 2]) {
    let step = 360.0 / highest.len() as f64;
    let way = (to - from + 540.0).rem_euclid(360.0) - 180.0;
    let count = (way.abs() / step).ceil().max(1.0);
    // A column next to the zenith spans much; its edge is no line.
    if count > 50.0 {
        return;
    }
    for k in 0..=count as usize {
        let t = k as f64 / count;
        let at = ((from + t * way).rem_euclid(360.0) / step).round() as usize % highest.len();
        highest[at] = highest[at].max(low + t * (high - low));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_edge_lies_between_two_pixels_and_a_bird_is_none() {
        let hill = Plane::from_fn(3, 40, |_, y| match y {
            5 => 0.0,
            0..=19 => 1.0,
            20 => 0.25,
            _ => 0.0,
        });
        assert!((edge_row(&hill, 1).expect("an edge") - (19.0 + 2.0 / 3.0)).abs() < 1e-6);
        assert_eq!(edge_row(&Plane::filled(3, 40, 0.0), 1), None);
        assert_eq!(edge_row(&Plane::filled(3, 40, 1.0), 1), None);
    }

    #[test]
    fn points_across_north_are_raised() {
        let mut highest = vec![f64::NAN; POINTS];
        raise(&mut highest, [359.8, 2.0], [0.2, 4.0]);
        let seen: Vec<usize> = (0..POINTS).filter(|k| highest[*k].is_finite()).collect();
        assert_eq!(seen, [0, 1, 2, 3598, 3599]);
        assert!((highest[0] - 3.0).abs() < 1e-6);
    }
}
