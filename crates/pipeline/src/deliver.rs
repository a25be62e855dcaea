//! The results: picture, layers, planes, linear stack, preview, written beside their place (see `results`).

use std::path::{Path, PathBuf};
use std::thread::{self, ScopedJoinHandle};

use nightloom_raster::colour::{apply_matrix, rec2020_to_srgb, srgb_encode};
use nightloom_raster::resize::reduce_rows;
use nightloom_raster::write::{
    CompositeOp, FitsValue, OraImage, OraLayer, TiffSettings, TiffShape, jpeg_bytes, to_u16, write_fits_f32,
    write_ora, write_tiff16, write_tiff16_rows,
};
use nightloom_raster::{Plane, Rgb, icc, resize_area_plane};
use rayon::prelude::*;

use super::bench::Bench;
use super::error::BuildError;
use super::finish::Finished;
use super::report::Outputs;
use super::shown::{self, Shown};

/// Longest side of the preview.
const PREVIEW_PX: usize = 2400;
/// Longest side of the report's picture.
const REPORT_PX: usize = 1800;
/// Longest side of the report's small maps.
const MAP_PX: usize = 900;

/// Writes the sky stack as it is, linear, before fill, balance and curve.
pub(super) fn linear(folder: &Path, picture: &Rgb, frames: usize) -> Result<PathBuf, BuildError> {
    let path = folder.join("linear.fits");
    let [r, g, b] = picture.planes();
    let keywords = [
        (
            "NCOMBINE",
            FitsValue::Integer(frames as i64),
            "tracked frames combined",
        ),
        (
            "SATURATE",
            FitsValue::Float(1.0),
            "a single frame saturates at this level",
        ),
        (
            "ROWORDER",
            FitsValue::Text("TOP-DOWN".into()),
            "the first row is the top of the picture",
        ),
        (
            "COLORSPC",
            FitsValue::Text("linear Rec. 2020, D65".into()),
            "planes are red, green, blue",
        ),
    ];
    write_fits_f32(&path, &[r, g, b], &keywords).map_err(BuildError::internal)?;
    Ok(path)
}

/// Writes coverage: number of frames under each pixel.
pub(super) fn coverage(folder: &Path, coverage: &Plane) -> Result<PathBuf, BuildError> {
    let path = folder.join("coverage.tif");
    let shape = TiffShape {
        width: coverage.width(),
        height: coverage.height(),
        channels: 1,
    };
    let rows = |y: usize, out: &mut [u16]| {
        out.iter_mut()
            .zip(coverage.row(y))
            .for_each(|(o, v)| *o = (v + 0.5) as u16);
        Ok(())
    };
    write_tiff16_rows(
        &path,
        shape,
        &icc::grey_linear(),
        "Tracked frames under each pixel",
        TiffSettings::default(),
        &rows,
    )
    .map_err(BuildError::internal)?;
    Ok(path)
}

/// Writes the matte as it was drawn, 0 land to 65535 sky.
pub(super) fn matte(folder: &Path, alpha: &Plane) -> Result<PathBuf, BuildError> {
    let path = folder.join("matte.tif");
    let description = "Matte, 0 land to 65535 sky";
    write_tiff16(&path, &[alpha], &icc::grey_linear(), description).map_err(BuildError::internal)?;
    Ok(path)
}

/// Writes everything that shows the finished picture, the files beside each other; and the picture for the report.
pub(super) fn pictures(
    bench: &Bench<'_>,
    folder: &Path,
    finished: &Finished,
    has_land: bool,
) -> Result<(Outputs, Vec<u8>), BuildError> {
    let stage = "Writing the picture";
    bench.show(stage, 0.0, "")?;
    let shown = &Shown::of(finished, has_land);
    bench.show(stage, 0.2, "")?;
    let profile = &icc::rec2020_srgb_curve();
    let light = &shown::light();
    let tiff = |name: &str, description: &str, samples: &[u16]| {
        let path = folder.join(name);
        let shape = TiffShape {
            width: shown.width,
            height: shown.height,
            channels: 3,
        };
        let rows = |y: usize, out: &mut [u16]| {
            out.copy_from_slice(shown.row(samples, y));
            Ok(())
        };
        write_tiff16_rows(&path, shape, profile, description, TiffSettings::default(), &rows)
            .map_err(BuildError::internal)?;
        Ok::<_, BuildError>(path)
    };
    let tiff = &tiff;
    let preview = || {
        let path = folder.join("preview.jpg");
        let jpeg = small_jpeg(shown, light, PREVIEW_PX, 90)?;
        nightloom_raster::atomic::write_whole(&path, |f| std::io::Write::write_all(f, &jpeg))
            .map_err(|e| BuildError::write(&path, &e))?;
        Ok::<_, BuildError>(path)
    };
    // Most of the time goes into waiting for the disk: each file has a thread of its own for that.
    thread::scope(|scope| {
        let layers = scope.spawn(|| layers(folder, finished, shown, profile));
        let picture = scope.spawn(|| tiff("picture.tif", "The finished picture", &shown.picture));
        let sky = scope.spawn(|| tiff("sky.tif", "Sky layer", &shown.sky));
        let land = shown.land.as_deref();
        let land = land.map(|land| scope.spawn(|| tiff("land.tif", "Land layer", land)));
        let preview = scope.spawn(preview);
        let report = small_jpeg(shown, light, REPORT_PX, 88)?;
        let outputs = Outputs {
            picture: Some(ended(picture)?),
            layers: Some(ended(layers)?),
            preview: Some(ended(preview)?),
            sky: Some(ended(sky)?),
            land: land.map(ended).transpose()?,
            ..Outputs::default()
        };
        Ok((outputs, report))
    })
}

/// What a thread came to; a panic goes on here.
pub(super) fn ended<T>(thread: ScopedJoinHandle<'_, T>) -> T {
    thread
        .join()
        .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
}

fn layers(folder: &Path, finished: &Finished, shown: &Shown, profile: &[u8]) -> Result<PathBuf, BuildError> {
    let path = folder.join("layers.ora");
    let alpha = &finished.joined.alpha;
    let (width, height) = (shown.width, shown.height);
    let with_alpha = |samples: &[u16], out: &mut [u16], opacity: &dyn Fn(usize) -> f32| {
        let pixels = out.as_chunks_mut::<4>().0.iter_mut();
        for (x, (pixel, own)) in pixels.zip(samples.as_chunks::<3>().0).enumerate() {
            pixel[..3].copy_from_slice(own);
            pixel[3] = to_u16(opacity(x));
        }
    };
    let land = |y: usize, out: &mut [u16]| {
        if let Some(land) = &shown.land {
            with_alpha(shown.row(land, y), out, &|x| 1.0 - alpha.at(x, y));
        }
        Ok(())
    };
    let sky = |y: usize, out: &mut [u16]| {
        with_alpha(shown.row(&shown.sky, y), out, &|_| 1.0);
        Ok(())
    };
    let background = |y: usize, out: &mut [u16]| {
        let mut rows: [Vec<f32>; 3] = Default::default();
        finished.background_row(y, &mut rows);
        out.fill(u16::MAX);
        shown::interleave(&rows, out.as_chunks_mut::<4>().0);
        Ok(())
    };
    let merged = |y: usize, out: &mut [u16]| {
        out.copy_from_slice(shown.row(&shown.picture, y));
        Ok(())
    };
    let layer = |name: &str, visible: bool, pixels| OraLayer {
        name: name.into(),
        x: 0,
        y: 0,
        width,
        height,
        opacity: 1.0,
        composite_op: CompositeOp::SrcOver,
        visible,
        pixels,
    };
    let mut list = Vec::new();
    if shown.land.is_some() {
        list.push(layer("land", true, &land as &dyn nightloom_raster::write::Rows16));
    }
    list.push(layer("sky", true, &sky));
    if finished.background.is_some() {
        list.push(layer("background model", false, &background));
    }
    write_ora(
        &path,
        &OraImage {
            width,
            height,
            layers: list,
            merged: &merged,
            dpi: 300,
            icc: profile,
        },
    )
    .map_err(BuildError::internal)?;
    Ok(path)
}

/// The finished picture at most `max_side` pixels long, sRGB JPEG. Reduced in linear light.
fn small_jpeg(shown: &Shown, light: &[f32], max_side: usize, quality: u8) -> Result<Vec<u8>, BuildError> {
    let row = |y: usize, out: &mut [f32]| {
        let samples = shown.row(&shown.picture, y);
        out.iter_mut()
            .zip(samples)
            .for_each(|(o, s)| *o = light[usize::from(*s)]);
        Ok::<_, BuildError>(())
    };
    let small = reduce_rows((shown.width, shown.height), max_side, 3, row)?;
    let (width, height, pixels) = (small.width, small.height, small.samples);
    let plane =
        |c: usize| Plane::from_vec(width, height, pixels.iter().skip(c).step_by(3).copied().collect());
    let mut small = Rgb::from_planes([plane(0), plane(1), plane(2)]);
    apply_matrix(&mut small, &rec2020_to_srgb().map(|row| row.map(|v| v as f32)));
    for plane in small.planes_mut() {
        plane
            .data_mut()
            .par_iter_mut()
            .for_each(|v| *v = srgb_encode(v.clamp(0.0, 1.0)));
    }
    jpeg_bytes(&small, quality, &icc::srgb()).map_err(BuildError::internal)
}

/// A plane as a small grey JPEG; `white` becomes white.
pub(super) fn plane_jpeg(plane: &Plane, white: f32) -> Result<Vec<u8>, BuildError> {
    let mut small = resize_area_plane(plane, MAP_PX);
    small
        .data_mut()
        .iter_mut()
        .for_each(|v| *v = (*v / white.max(1e-6)).clamp(0.0, 1.0));
    let grey = Rgb::from_planes([small.clone(), small.clone(), small]);
    jpeg_bytes(&grey, 85, &icc::srgb()).map_err(BuildError::internal)
}
