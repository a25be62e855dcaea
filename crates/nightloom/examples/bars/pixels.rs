//! Pictures from files, and plain sums.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use nightloom_raster::{Limits, Pixels, Plane, Rgb, decode_here};
use tiff::decoder::{Decoder, DecodingResult};

use crate::Outcome;

/// A sum and of how many.
#[derive(Default)]
pub(crate) struct Mean {
    sum: f64,
    count: f64,
}

impl Mean {
    pub(crate) fn add(&mut self, value: f64) {
        self.sum += value;
        self.count += 1.0;
    }
    pub(crate) fn mean(&self) -> f64 {
        self.sum / self.count.max(1.0)
    }
    pub(crate) fn root(&self) -> f64 {
        self.mean().sqrt()
    }
}

/// The value below which `share` of the values lie; NaN of nothing.
pub(crate) fn quantile(values: &mut [f64], share: f64) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    values.sort_by(f64::total_cmp);
    values[((values.len() - 1) as f64 * share + 0.5) as usize]
}

pub(crate) fn median(values: &mut [f64]) -> f64 {
    quantile(values, 0.5)
}

/// σ of a normal distribution from the median absolute deviation.
pub(crate) fn scatter(values: &mut [f64]) -> f64 {
    let middle = median(values);
    let mut off: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    1.482_602 * median(&mut off)
}

/// The linear stack of a build.
pub(crate) fn linear(path: Option<&Path>) -> Outcome<Rgb> {
    match decode_here(path.ok_or("no linear stack")?, &Limits::default())?.pixels {
        Pixels::Rgb(linear) => Ok(linear),
        _ => Err("the linear stack is not colour".into()),
    }
}

/// A grey TIFF, 16-bit samples as parts of 65535.
pub(crate) fn plane(path: &Path) -> Outcome<Plane> {
    let (width, height, data) = samples(path, 1.0 / 65535.0)?;
    Ok(Plane::from_vec(width, height, data))
}

/// A grey 16-bit TIFF of whole numbers.
pub(crate) fn counts(path: &Path) -> Outcome<Plane> {
    let (width, height, data) = samples(path, 1.0)?;
    Ok(Plane::from_vec(width, height, data))
}

pub(crate) fn colour(path: &Path) -> Outcome<Rgb> {
    let (width, height, data) = samples(path, 1.0 / 65535.0)?;
    let plane = |c: usize| Plane::from_vec(width, height, data.iter().skip(c).step_by(3).copied().collect());
    Ok(Rgb::from_planes([plane(0), plane(1), plane(2)]))
}

/// The samples of a TIFF, 16-bit ones times `unit`.
fn samples(path: &Path, unit: f32) -> Outcome<(usize, usize, Vec<f32>)> {
    let mut decoder =
        Decoder::new(BufReader::new(File::open(path)?))?.with_limits(tiff::decoder::Limits::unlimited());
    let (width, height) = decoder.dimensions()?;
    let data = match decoder.read_image()? {
        DecodingResult::U16(v) => v.into_iter().map(|v| f32::from(v) * unit).collect(),
        DecodingResult::F32(v) => v,
        _ => return Err("expected 16-bit or float samples".into()),
    };
    Ok((width as usize, height as usize, data))
}
