//! Matte and join against the truth's.

use nightloom_raster::Plane;
use nightloom_raster::colour::{luminance, to_working};
use nightloom_seam::join_step;

use crate::pixels::{Mean, colour, plane};
use crate::scene::Scene;
use crate::{Outcome, row};

/// Rows either side of the join, as the program itself measures it.
const STEP_BAND_PX: usize = 6;
/// The band along the edge in which the matte is judged.
const EDGE_BAND_PX: usize = 12;

impl Scene {
    pub(crate) fn matte(&self) -> Outcome<()> {
        let ours = plane(self.report.outputs.matte.as_deref().ok_or("no matte")?)?;
        let truth = plane(&self.folder.join("truth/matte.tif"))?;
        let [ox, oy] = self.report.canvas.land_origin_px.map(|v| v as usize);
        let near = near_edge(&truth, EDGE_BAND_PX);
        let (mut whole, mut band) = (Mean::default(), Mean::default());
        for y in 0..truth.height() {
            for x in 0..truth.width() {
                let error = f64::from((ours.at(x + ox, y + oy) - truth.at(x, y)).abs());
                whole.add(error);
                if near[y * truth.width() + x] {
                    band.add(error);
                }
            }
        }
        row(
            "matte, mean absolute error",
            format!("{:.4}  (bar 0.01)", whole.mean()),
        );
        row(
            &format!("matte, within {EDGE_BAND_PX} px of the edge"),
            format!("{:.4}  (bar 0.08)", band.mean()),
        );
        Ok(())
    }

    pub(crate) fn join(&self) -> Outcome<()> {
        let Some(ours) = self.report.seam.luminance_step else {
            return Ok(());
        };
        let alpha = plane(self.report.outputs.matte.as_deref().ok_or("no matte")?)?;
        let mut truth = colour(&self.folder.join("truth/composite.tif"))?;
        let [ox, oy] = self.report.canvas.land_origin_px.map(|v| v as usize);
        let alpha = Plane::from_fn(truth.width(), truth.height(), |x, y| alpha.at(x + ox, y + oy));
        to_working(&mut truth, &self.colour);
        let scale = (self.truth.picture_unit_e / self.truth.sensor.sky_saturation_e) as f32;
        let bright = Plane::from_fn(truth.width(), truth.height(), |x, y| {
            luminance(truth.at(x, y)) * scale
        });
        let step = join_step(&bright, &alpha, STEP_BAND_PX).ok_or("no join in the truth")?;
        row(
            "luminance step across the join",
            format!(
                "{ours:.5} against {step:.5}: {:+.2} %  (bar 3 %)",
                (ours / step - 1.0) * 100.0
            ),
        );
        Ok(())
    }
}

/// Pixels at most `band` from a pixel of the other side of the matte.
fn near_edge(alpha: &Plane, band: usize) -> Vec<bool> {
    let (width, height) = (alpha.width(), alpha.height());
    let land = |x: usize, y: usize| alpha.at(x, y) < 0.5;
    let mut near = vec![false; width * height];
    for y in 1..height {
        for x in 1..width {
            if land(x, y) != land(x - 1, y) || land(x, y) != land(x, y - 1) {
                for v in y.saturating_sub(band)..(y + band).min(height) {
                    near[v * width + x.saturating_sub(band)..v * width + (x + band).min(width)].fill(true);
                }
            }
        }
    }
    near
}
