//! The results: picture, layers, planes, linear stack, preview, written beside their place (see `results`).

use std::path::{Path, PathBuf};

use nightloom_raster::colour::{apply_matrix, rec2020_to_srgb, srgb_decode, srgb_encode};
use nightloom_raster::resize::AreaReducer;
use nightloom_raster::write::{
    CompositeOp, FitsValue, OraImage, OraLayer, TiffSettings, TiffShape, jpeg_bytes, to_u16, write_fits_f32,
    write_ora, write_tiff16, write_tiff16_rows,
};
use nightloom_raster::{Plane, Rgb, icc, resize_area_plane};

use super::bench::Bench;
use super::error::BuildError;
use super::finish::Finished;
use super::report::Outputs;

/// Longest side of the preview.
const PREVIEW_PX: usize = 2400;
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

/// Writes everything that shows the finished picture.
pub(super) fn pictures(
    bench: &Bench<'_>,
    folder: &Path,
    finished: &Finished,
    has_land: bool,
) -> Result<Outputs, BuildError> {
    let alpha = &finished.joined.alpha;
    let (width, height) = (alpha.width(), alpha.height());
    let profile = icc::rec2020_srgb_curve();
    let shape = TiffShape {
        width,
        height,
        channels: 3,
    };
    let stage = "Writing the picture";
    let tiff = |name: &str, description: &str, rows: &dyn nightloom_raster::write::Rows16| {
        let path = folder.join(name);
        write_tiff16_rows(&path, shape, &profile, description, TiffSettings::default(), rows)
            .map_err(BuildError::internal)?;
        Ok::<_, BuildError>(path)
    };
    let picture_rows = |y: usize, out: &mut [u16]| {
        interleaved(out, |rows| finished.picture_row(y, rows));
        Ok(())
    };
    let sky_rows = |y: usize, out: &mut [u16]| {
        interleaved(out, |rows| finished.layer_row(&finished.joined.sky, y, rows));
        Ok(())
    };
    let land_rows = |y: usize, out: &mut [u16]| {
        interleaved(out, |rows| finished.layer_row(&finished.joined.land, y, rows));
        Ok(())
    };
    bench.show(stage, 0.0, "picture.tif")?;
    let picture = tiff("picture.tif", "The finished picture", &picture_rows)?;
    bench.show(stage, 0.15, "sky.tif")?;
    let sky = tiff("sky.tif", "Sky layer", &sky_rows)?;
    bench.show(stage, 0.3, "land.tif")?;
    let land = if has_land {
        Some(tiff("land.tif", "Land layer", &land_rows)?)
    } else {
        None
    };
    let matte = folder.join("matte.tif");
    write_tiff16(
        &matte,
        &[alpha],
        &icc::grey_linear(),
        "Matte, 0 land to 65535 sky",
    )
    .map_err(BuildError::internal)?;
    bench.show(stage, 0.45, "layers.ora")?;
    let layers = layers(folder, finished, has_land, &profile, &picture_rows)?;
    bench.show(stage, 0.9, "preview.jpg")?;
    let preview = folder.join("preview.jpg");
    let jpeg = preview_jpeg(finished)?;
    nightloom_raster::atomic::write_whole(&preview, |f| std::io::Write::write_all(f, &jpeg))
        .map_err(|e| BuildError::write(&preview, &e))?;
    Ok(Outputs {
        picture: Some(picture),
        layers: Some(layers),
        preview: Some(preview),
        matte: Some(matte),
        sky: Some(sky),
        land,
        ..Outputs::default()
    })
}

/// Fills a row of interleaved samples from three rows of 0..1.
fn interleaved(out: &mut [u16], fill: impl FnOnce(&mut [Vec<f32>; 3])) {
    let mut rows: [Vec<f32>; 3] = Default::default();
    fill(&mut rows);
    for (x, pixel) in out.chunks_exact_mut(3).enumerate() {
        pixel
            .iter_mut()
            .zip(&rows)
            .for_each(|(o, row)| *o = to_u16(row[x]));
    }
}

fn layers(
    folder: &Path,
    finished: &Finished,
    has_land: bool,
    profile: &[u8],
    merged: &dyn nightloom_raster::write::Rows16,
) -> Result<PathBuf, BuildError> {
    let path = folder.join("layers.ora");
    let alpha = &finished.joined.alpha;
    let (width, height) = (alpha.width(), alpha.height());
    let with_alpha = |out: &mut [u16], fill: &dyn Fn(&mut [Vec<f32>; 3]), opacity: &dyn Fn(usize) -> f32| {
        let mut rows: [Vec<f32>; 3] = Default::default();
        fill(&mut rows);
        for (x, pixel) in out.chunks_exact_mut(4).enumerate() {
            pixel[..3]
                .iter_mut()
                .zip(&rows)
                .for_each(|(o, row)| *o = to_u16(row[x]));
            pixel[3] = to_u16(opacity(x));
        }
    };
    let land = |y: usize, out: &mut [u16]| {
        with_alpha(
            out,
            &|rows| finished.layer_row(&finished.joined.land, y, rows),
            &|x| 1.0 - alpha.at(x, y),
        );
        Ok(())
    };
    let sky = |y: usize, out: &mut [u16]| {
        with_alpha(
            out,
            &|rows| finished.layer_row(&finished.joined.sky, y, rows),
            &|_| 1.0,
        );
        Ok(())
    };
    let background = |y: usize, out: &mut [u16]| {
        with_alpha(out, &|rows| finished.background_row(y, rows), &|_| 1.0);
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
    if has_land {
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
            merged,
            dpi: 300,
            icc: profile,
        },
    )
    .map_err(BuildError::internal)?;
    Ok(path)
}

/// The picture reduced for a first look, sRGB.
fn preview_jpeg(finished: &Finished) -> Result<Vec<u8>, BuildError> {
    small_jpeg(finished, PREVIEW_PX, 90)
}

/// The finished picture at most `max_side` pixels long, sRGB JPEG. Reduced in linear light.
pub(super) fn small_jpeg(finished: &Finished, max_side: usize, quality: u8) -> Result<Vec<u8>, BuildError> {
    let alpha = &finished.joined.alpha;
    let mut reducer = AreaReducer::new(alpha.width(), alpha.height(), max_side, 3);
    let mut rows: [Vec<f32>; 3] = Default::default();
    let mut line = vec![0.0; alpha.width() * 3];
    for y in 0..alpha.height() {
        finished.picture_row(y, &mut rows);
        for (x, pixel) in line.chunks_exact_mut(3).enumerate() {
            pixel
                .iter_mut()
                .zip(&rows)
                .for_each(|(o, row)| *o = srgb_decode(row[x]));
        }
        reducer.push_row(&line);
    }
    let (width, height) = reducer.size();
    let pixels = reducer.finish();
    let plane =
        |c: usize| Plane::from_vec(width, height, pixels.iter().skip(c).step_by(3).copied().collect());
    let mut small = Rgb::from_planes([plane(0), plane(1), plane(2)]);
    apply_matrix(&mut small, &rec2020_to_srgb().map(|row| row.map(|v| v as f32)));
    for plane in small.planes_mut() {
        plane
            .data_mut()
            .iter_mut()
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
