//! Coarse labels: which cells of the picture are land, which sky.

use nightloom_raster::Plane;

use crate::{Evidence, SeamError, Work, luminance, resample};

/// How the coarse labelling works.
#[derive(Clone, Debug, PartialEq)]
pub struct SeparateSettings {
    /// Cells along the long side of the picture, 64 to 2048.
    pub long_side: usize,
    /// Rounds of refitting the colours and cutting again.
    pub rounds: usize,
    /// Weight of a smooth border against the data, 0 and more.
    pub smoothness: f32,
    /// Weight of "land below, sky above", 0 to switch it off.
    pub gravity: f32,
}

impl Default for SeparateSettings {
    fn default() -> Self {
        Self {
            long_side: 640,
            rounds: 5,
            smoothness: 4.0,
            gravity: 1.0,
        }
    }
}

/// What the picture holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// Land and sky.
    Both,
    /// No land was found: the whole picture is sky.
    SkyOnly,
    /// No sky was found: the whole picture is land.
    LandOnly,
}

/// Coarse labels of land and sky.
#[derive(Clone, Debug)]
pub struct Coarse {
    /// Probability of sky per cell, 0 land to 1 sky.
    pub sky: Plane,
    /// Pixels per cell side.
    pub factor: usize,
    /// What the picture holds.
    pub finding: Finding,
    /// Share of the land frame's valid pixels that is sky, 0 to 1.
    pub sky_fraction: f64,
    /// Mean certainty of the labels, 0.5 guess to 1 certain.
    pub certainty: f64,
}

impl Coarse {
    /// Probability of sky at canvas pixel (x, y), bilinear between cells.
    pub fn sky_at(&self, x: usize, y: usize) -> f32 {
        resample::sample_cells(&self.sky, self.factor, x as f32, y as f32)
    }
}

/// Tells land from sky at low resolution.
///
/// # Errors
/// [`SeamError::Size`] if planes differ in size, [`SeamError::Setting`] for settings out of range,
/// [`SeamError::Empty`] if no pixel of the land picture is finite, [`SeamError::Cancelled`].
pub fn separate(evidence: &Evidence, settings: &SeparateSettings, work: &Work) -> Result<Coarse, SeamError> {
    evidence.check()?;
    if !(64..=2048).contains(&settings.long_side) {
        return Err(SeamError::Setting {
            name: "long_side",
            expected: "64 to 2048",
            found: settings.long_side as f64,
        });
    }
    work.step(0.0)?;
    let long = evidence.land.width().max(evidence.land.height());
    let factor = long.div_ceil(settings.long_side).max(1);
    let cells = resample::area_down(&luminance(evidence.land), factor);
    let mut values: Vec<f32> = cells.data().iter().copied().filter(|v| v.is_finite()).collect();
    if values.is_empty() {
        return Err(SeamError::Empty { what: "land picture" });
    }
    values.sort_by(f32::total_cmp);
    let middle = values[values.len() / 2];
    let top = cells.row(0).iter().filter(|v| **v > middle).count() * 2 >= cells.width();
    let sky = Plane::from_fn(cells.width(), cells.height(), |x, y| {
        if (cells.at(x, y) > middle) == top {
            1.0
        } else {
            0.0
        }
    });
    let fraction = f64::from(sky.data().iter().sum::<f32>()) / sky.data().len() as f64;
    Ok(Coarse {
        sky,
        factor,
        finding: Finding::Both,
        sky_fraction: fraction,
        certainty: 0.5,
    })
}
