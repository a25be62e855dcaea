//! Sky and land as layers that make the finished picture when they are laid over each other plainly.

use std::path::{Path, PathBuf};

use nightloom_raster::write::{About, TiffPage, TiffSettings, TiffShape, write_tiff16_pages};
use nightloom_raster::{Plane, icc};

use super::over::over;
use super::shown::Shown;
use super::starless::star_row;
use nightloom_journal::BuildError;

/// What the layers are made of.
pub(super) struct Layers<'a> {
    pub(super) shown: &'a Shown,
    /// Share of sky at each pixel.
    pub(super) alpha: &'a Plane,
    /// The sky without stars, where these have a layer of their own.
    pub(super) starless: Option<&'a [u16]>,
}

/// Rows of a layer.
type Rows<'a> = Box<dyn Fn(usize, &mut [u16]) -> std::io::Result<()> + Sync + 'a>;

impl<'a> Layers<'a> {
    /// Name, samples a pixel and rows of each, the lowest first.
    pub(super) fn all(&self) -> Vec<(&'static str, usize, Rows<'a>)> {
        let Self {
            shown,
            alpha,
            starless,
        } = *self;
        let plain = |samples: &'a [u16]| -> Rows<'a> {
            Box::new(move |y, out| {
                out.copy_from_slice(shown.row(samples, y));
                Ok(())
            })
        };
        let mut all = match starless {
            Some(bare) => vec![
                ("sky without stars", 3, plain(bare)),
                (
                    "stars",
                    4,
                    Box::new(move |y: usize, out: &mut [u16]| {
                        star_row(shown, bare, y, out);
                        Ok(())
                    }) as Rows<'a>,
                ),
            ],
            None => vec![("sky", 3, plain(&shown.sky))],
        };
        if shown.land.is_some() {
            let land = move |y: usize, out: &mut [u16]| {
                land_row(shown, alpha, y, out);
                Ok(())
            };
            all.push(("land", 4, Box::new(land)));
        }
        all
    }
}

/// All in one file, the lowest first. Its path.
pub(super) fn pages(folder: &Path, layers: &Layers<'_>, about: &About) -> Result<PathBuf, BuildError> {
    let path = folder.join("layers.tif");
    let profile = icc::rec2020_srgb_curve();
    let all = layers.all();
    let pages: Vec<TiffPage<'_>> = all
        .iter()
        .map(|(name, channels, rows)| page(layers.shown, *channels, &profile, name, rows))
        .collect();
    write_tiff16_pages(&path, &pages, about, TiffSettings::default()).map_err(BuildError::internal)?;
    Ok(path)
}

/// Where each layer of its own is.
#[derive(Default)]
pub(super) struct Parts {
    pub(super) sky: Option<PathBuf>,
    pub(super) stars: Option<PathBuf>,
    pub(super) land: Option<PathBuf>,
}

/// Each in a file of its own.
pub(super) fn parts(folder: &Path, layers: &Layers<'_>, about: &About) -> Result<Parts, BuildError> {
    let profile = icc::rec2020_srgb_curve();
    let mut parts = Parts::default();
    for (k, (name, channels, rows)) in layers.all().iter().enumerate() {
        let (word, place) = match *name {
            "stars" => ("stars", &mut parts.stars),
            "land" => ("land", &mut parts.land),
            _ => ("sky", &mut parts.sky),
        };
        let path = folder.join(format!("layer-{}-{word}.tif", k + 1));
        let page = page(layers.shown, *channels, &profile, name, rows);
        write_tiff16_pages(&path, &[page], about, TiffSettings::default()).map_err(BuildError::internal)?;
        *place = Some(path);
    }
    Ok(parts)
}

fn page<'a>(
    shown: &Shown,
    channels: usize,
    icc: &'a [u8],
    name: &'a str,
    rows: &'a dyn nightloom_raster::write::Rows16,
) -> TiffPage<'a> {
    TiffPage {
        shape: TiffShape {
            width: shown.width,
            height: shown.height,
            channels,
        },
        icc,
        name: Some(name),
        rows,
    }
}

/// One row of the land with straight alpha, four samples a pixel.
pub(super) fn land_row(shown: &Shown, alpha: &Plane, y: usize, out: &mut [u16]) {
    let Some(land) = &shown.land else { return };
    let row = |samples| shown.row(samples, y).as_chunks::<3>().0.iter();
    let below = row(&shown.sky).zip(row(&shown.picture));
    let own = row(land).zip(alpha.row(y));
    for ((pixel, (sky, picture)), (land, sky_share)) in
        out.as_chunks_mut::<4>().0.iter_mut().zip(below).zip(own)
    {
        *pixel = over(*sky, *picture, *land, 1.0 - sky_share);
    }
}
