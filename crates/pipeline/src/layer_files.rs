//! Sky and land as layers that make the finished picture when they are laid over each other plainly.

use std::path::{Path, PathBuf};

use nightloom_raster::write::{About, TiffPage, TiffSettings, TiffShape, to_u16, write_tiff16_pages};
use nightloom_raster::{Plane, icc};

use super::error::BuildError;
use super::shown::Shown;
use super::starless::star_row;

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

/// The land's pixel that makes `picture` over `sky`. Land and sky were joined in light, where light adds up; laid over each
/// other in display values, the soft edge would come out darker. So its colour is the one that comes out right, and where no
/// colour does, it is made as opaque as one needs.
pub(super) fn over(sky: [u16; 3], picture: [u16; 3], land: [u16; 3], opacity: f32) -> [u16; 4] {
    const ONE: f64 = 65535.0;
    let pairs = || {
        sky.into_iter()
            .zip(picture)
            .map(|(s, p)| (f64::from(s), f64::from(p)))
    };
    let least = pairs().map(|(s, p)| {
        let room = if p > s { ONE - s } else { s };
        if p == s { 0.0 } else { (p - s).abs() / room }
    });
    let needed = (least.fold(0.0, f64::max) * ONE).ceil() as u16;
    let opaque = to_u16(opacity).max(needed);
    if opaque == 0 || opaque == u16::MAX {
        let [r, g, b] = if opaque == 0 { land } else { picture };
        return [r, g, b, opaque];
    }
    let share = f64::from(opaque) / ONE;
    let mut own = pairs().map(|(s, p)| (s + (p - s) / share).round().clamp(0.0, ONE) as u16);
    let mut next = || own.next().unwrap_or_default();
    [next(), next(), next(), opaque]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source over destination with straight alpha (Compositing and Blending Level 1, W3C 2015, section 5.1).
    fn laid_over(below: [u16; 3], [r, g, b, a]: [u16; 4]) -> [f64; 3] {
        let a = f64::from(a) / 65535.0;
        let mut own = [r, g, b].into_iter().zip(below);
        std::array::from_fn(|_| {
            let (top, below) = own.next().unwrap_or_default();
            f64::from(top) * a + f64::from(below) * (1.0 - a)
        })
    }

    #[test]
    fn land_over_sky_is_the_picture() {
        let mut random = nightloom_fit::Random::new(7);
        let mut worst = 0f64;
        for _ in 0..200_000 {
            let mut colour = || [(); 3].map(|()| (random.uniform().powi(3) * 65535.0) as u16);
            let (sky, land, picture) = (colour(), colour(), colour());
            let opacity = (random.uniform() * 1.2 - 0.1).clamp(0.0, 1.0) as f32;
            // Any picture at all, even one that lies outside of land and sky.
            let found = laid_over(sky, over(sky, picture, land, opacity));
            let off = found
                .into_iter()
                .zip(picture)
                .map(|(f, p)| (f - f64::from(p)).abs());
            worst = worst.max(off.fold(0.0, f64::max));
        }
        assert!(worst <= 1.0, "{worst} levels of 65535");
    }

    #[test]
    fn land_alone_and_sky_alone_are_as_they_are() {
        let (sky, land) = ([1000, 2000, 3000], [500, 400, 300]);
        assert_eq!(over(sky, land, land, 1.0), [500, 400, 300, 65535]);
        assert_eq!(over(sky, sky, land, 0.0), [500, 400, 300, 0]);
    }
}
