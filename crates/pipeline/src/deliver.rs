//! The results: picture, layers, planes, linear stack, preview, written beside their place (see `results`).

use std::path::{Path, PathBuf};
use std::thread::{self, ScopedJoinHandle};

use nightloom_outing::FilesSettings;
use nightloom_raster::colour::{apply_matrix, rec2020_to_srgb, srgb_encode};
use nightloom_raster::resize::reduce_rows;
use nightloom_raster::write::{
    About, CompositeOp, FitsValue, OraImage, OraLayer, Rows16, TiffPage, TiffSettings, TiffShape, jpeg_bytes,
    jpeg_bytes_about, write_fits_f32, write_ora, write_tiff16, write_tiff16_pages, write_tiff16_rows,
};
use nightloom_raster::{Plane, Rgb, icc, resize_area_plane};
use nightloom_sky::Instant;
use rayon::prelude::*;

use super::celestial::{Card, Celestial};
use super::finish::Finished;
use super::layer_files;
use super::report::Outputs;
use super::shown::{self, Shown};
use super::starless::starless;
use nightloom_develop::Capture;
use nightloom_journal::{Bench, BuildError};

/// Longest side of the preview.
const PREVIEW_PX: usize = 2400;
/// Longest side of the report's picture.
const REPORT_PX: usize = 1800;
/// Longest side of the report's small maps.
const MAP_PX: usize = 900;

/// Writes the sky stack as it is, linear, before fill, balance and curve, with its coordinates or why there are none.
pub(super) fn linear(
    folder: &Path,
    planes: [&Plane; 3],
    frames: usize,
    capture: &Capture,
    coordinates: Result<Celestial, &str>,
) -> Result<PathBuf, BuildError> {
    let path = folder.join("linear.fits");
    let fixed = [
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
    let mut cards: Vec<Card> = fixed
        .into_iter()
        .map(|(name, value, comment)| (name.into(), value, comment.into()))
        .collect();
    cards.extend(taken_cards(capture));
    match coordinates {
        Ok(found) => cards.extend(found.cards()),
        Err(why) => {
            let told = FitsValue::Text(format!("No celestial coordinates: {why}."));
            cards.push(("COMMENT".into(), told, String::new()));
        }
    }
    let keywords: Vec<_> = cards
        .iter()
        .map(|(name, value, comment)| (name.as_str(), value.clone(), comment.as_str()))
        .collect();
    write_fits_f32(&path, &planes, &keywords).map_err(BuildError::internal)?;
    Ok(path)
}

/// When and with what the sky was taken (FITS 4.0, 4.4.2.2 and 9.5).
fn taken_cards(capture: &Capture) -> Vec<Card> {
    let mut cards: Vec<Card> = Vec::new();
    let mut put = |name: &str, value: FitsValue, comment: &str| {
        cards.push((name.into(), value, comment.into()));
    };
    if let Some([first, middle, last]) = capture.span {
        let at = |t: Instant| FitsValue::Text(t.timestamp().strftime("%Y-%m-%dT%H:%M:%S%.3f").to_string());
        put("TIMESYS", FitsValue::Text("UTC".into()), "");
        put("DATE-OBS", at(first), "start of the first sky frame");
        put("DATE-BEG", at(first), "the same");
        put("DATE-AVG", at(middle), "middle, by exposure");
        put("DATE-END", at(last), "end of the last sky frame");
    }
    if let Some(seconds) = capture.sky_s {
        put(
            "EXPTIME",
            FitsValue::Float(seconds),
            "[s] all sky frames together",
        );
    }
    for (k, name) in ["red", "green", "blue"].into_iter().enumerate() {
        put(
            &format!("FILTER{}", k + 1),
            FitsValue::Text(name.into()),
            "of this plane",
        );
    }
    let (camera, focal_mm) = capture.camera();
    // A name that a header cannot hold is left out.
    let plain = |t: &&str| t.len() <= 60 && t.bytes().all(|b| (0x20..0x7f).contains(&b) && b != b'\'');
    if let Some(camera) = camera.filter(plain) {
        put("INSTRUME", FitsValue::Text(camera.into()), "camera");
    }
    if let Some(focal_mm) = focal_mm {
        put("FOCALLEN", FitsValue::Float(focal_mm), "[mm] as told");
    }
    cards
}

/// Writes coverage: number of frames under each pixel, 1 where they saw it through land alone.
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
            .for_each(|(o, v)| *o = if *v > 0.0 { (v + 0.5).max(1.0) as u16 } else { 0 });
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
    (capture, files): (&Capture, &FilesSettings),
) -> Result<(Outputs, Vec<u8>), BuildError> {
    let about = &capture.about(files);
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
        let page = TiffPage {
            shape,
            icc: profile,
            name: None,
            rows: &rows,
        };
        let about = of_part(about, description);
        write_tiff16_pages(&path, &[page], &about, TiffSettings::default()).map_err(BuildError::internal)?;
        Ok::<_, BuildError>(path)
    };
    let tiff = &tiff;
    let bare = files.star_layer.then(|| starless(shown));
    let stacked = &layer_files::Layers {
        shown,
        alpha: &finished.joined.alpha,
        starless: bare.as_deref(),
    };
    let preview = || {
        let path = folder.join("preview.jpg");
        let jpeg = small_jpeg(
            shown,
            light,
            PREVIEW_PX,
            90,
            Some(&of_part(about, "The finished picture")),
        )?;
        nightloom_raster::atomic::write_whole(&path, |f| std::io::Write::write_all(f, &jpeg))
            .map_err(|e| BuildError::write(&path, &e))?;
        Ok::<_, BuildError>(path)
    };
    // Most of the time goes into waiting for the disk: each file has a thread of its own for that.
    thread::scope(|scope| {
        let layers = scope.spawn(|| layers(folder, finished, stacked, profile));
        let picture = scope.spawn(|| tiff("picture.tif", "The finished picture", &shown.picture));
        let sky = scope.spawn(|| tiff("sky.tif", "Sky layer", &shown.sky));
        let land = shown.land.as_deref();
        let land = land.map(|land| scope.spawn(|| tiff("land.tif", "Land layer", land)));
        let preview = scope.spawn(preview);
        let pages = files
            .layer_pages
            .then(|| scope.spawn(|| layer_files::pages(folder, stacked, about)));
        let parts = files
            .layer_files
            .then(|| scope.spawn(|| layer_files::parts(folder, stacked, about)));
        let report = small_jpeg(shown, light, REPORT_PX, 88, None)?;
        let outputs = Outputs {
            picture: Some(ended(picture)?),
            layers: Some(ended(layers)?),
            preview: Some(ended(preview)?),
            sky: Some(ended(sky)?),
            land: land.map(ended).transpose()?,
            layer_pages: pages.map(ended).transpose()?,
            ..Outputs::default()
        };
        let parts = parts.map(ended).transpose()?.unwrap_or_default();
        let outputs = Outputs {
            layer_sky: parts.sky,
            layer_stars: parts.stars,
            layer_land: parts.land,
            ..outputs
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

fn layers(
    folder: &Path,
    finished: &Finished,
    stacked: &layer_files::Layers<'_>,
    profile: &[u8],
) -> Result<PathBuf, BuildError> {
    let path = folder.join("layers.ora");
    let shown = stacked.shown;
    let (width, height) = (shown.width, shown.height);
    let all = stacked.all();
    // OpenRaster's layers have four samples a pixel each.
    let opaque = |rows: &dyn Rows16, y: usize, out: &mut [u16]| {
        let mut three = vec![0; width * 3];
        rows.row(y, &mut three)?;
        let pixels = out.as_chunks_mut::<4>().0.iter_mut();
        for (pixel, [r, g, b]) in pixels.zip(three.as_chunks::<3>().0) {
            *pixel = [*r, *g, *b, u16::MAX];
        }
        Ok(())
    };
    let lowest = |y: usize, out: &mut [u16]| opaque(&all[0].2, y, out);
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
    // Uppermost first.
    let mut list: Vec<_> = all[1..]
        .iter()
        .rev()
        .map(|(name, _, rows)| layer(name, true, rows as &dyn Rows16))
        .collect();
    list.push(layer(all[0].0, true, &lowest));
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
fn small_jpeg(
    shown: &Shown,
    light: &[f32],
    max_side: usize,
    quality: u8,
    about: Option<&About>,
) -> Result<Vec<u8>, BuildError> {
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
    let profile = icc::srgb();
    match about {
        Some(about) => jpeg_bytes_about(&small, quality, &profile, about),
        None => jpeg_bytes(&small, quality, &profile),
    }
    .map_err(BuildError::internal)
}

/// What a part of the picture says of itself.
fn of_part(about: &About, part: &str) -> About {
    let words = about.description.as_deref().unwrap_or_default();
    About {
        description: Some(format!("{part}. {words}").trim_end().to_owned()),
        ..about.clone()
    }
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
