//! Pictures of what is true, free of noise, vignetting and mosaic, as the first land frame looks at the
//! default instant.

use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

use nightloom_raster::Plane;
use tiff::encoder::TiffEncoder;
use tiff::encoder::colortype::{Gray32Float, RGB32Float};

use crate::error::SimulateError;
use crate::exposure::Night;
use crate::glow::Moonlight;
use crate::land::{Kernel, look};
use crate::scenario::TruthPictures;
use crate::shots::Shot;
use crate::splat::{Filter, Trail, draw};
use crate::truth::{Truth, picture_view};

/// Writes the pictures that the scenario asks for, 32-bit float TIFF, uncompressed:
///
/// * `matte.tif`: 0 land to 1 sky, as the lens draws it (coverage blurred by the image of a point);
/// * `coverage.tif`: the same as bare pixel area, unblurred;
/// * `land.tif`: the land over black (premultiplied by its coverage);
/// * `sky.tif`, `starless.tif`: the whole sky behind it, stars standing still, before moonrise;
/// * `composite.tif`: land over that sky.
///
/// Colours are camera R, G, B, 1.0 at the saturation of the land exposure.
pub(crate) fn write(
    night: &Night,
    shots: &[Shot],
    truth: &mut Truth,
    folder: &Path,
    go_on: &dyn Fn() -> Result<(), SimulateError>,
) -> Result<(), SimulateError> {
    let wanted = night.scenario.truth_pictures;
    if wanted == TruthPictures::None {
        return Ok(());
    }
    let maker = Maker {
        night,
        view: picture_view(night.scenario, shots, truth.default_instant),
        truth,
    };
    let blurred = Kernel::seen(night.drawing().core_sigma());
    let alpha = maker.alpha(&blurred);
    grey(&folder.join("matte.tif"), &sky_share(&alpha))?;
    grey(
        &folder.join("coverage.tif"),
        &sky_share(&maker.alpha(&Kernel::square())),
    )?;
    if wanted == TruthPictures::Matte {
        return Ok(());
    }
    go_on()?;
    let land = each(|c| maker.land(&blurred, c));
    colour(&folder.join("land.tif"), &land)?;
    go_on()?;
    let starless = each(|c| maker.starless(c));
    colour(&folder.join("starless.tif"), &starless)?;
    go_on()?;
    let mut sky = starless;
    maker.add_stars(&mut sky);
    colour(&folder.join("sky.tif"), &sky)?;
    for (sky, land) in sky.iter_mut().zip(&land) {
        let behind = sky.data_mut().iter_mut().zip(alpha.data()).zip(land.data());
        behind.for_each(|((sky, alpha), land)| *sky = *sky * (1.0 - alpha) + land);
    }
    colour(&folder.join("composite.tif"), &sky)
}

struct Maker<'a> {
    night: &'a Night<'a>,
    view: crate::starfield::CameraView,
    truth: &'a Truth,
}

fn each(make: impl Fn(usize) -> Plane) -> [Plane; 3] {
    [make(0), make(1), make(2)]
}

fn sky_share(alpha: &Plane) -> Plane {
    Plane::from_vec(
        alpha.width(),
        alpha.height(),
        alpha.data().iter().map(|a| 1.0 - a).collect(),
    )
}

impl Maker<'_> {
    fn cover(&self, kernel: &Kernel, c: usize) -> Option<crate::land::Cover> {
        let size = self.night.scenario.size.pixels();
        let cameras = [self.view.camera_from_ground];
        let lens = &self.night.optics.lens;
        self.night
            .painting
            .as_ref()
            .map(|p| look(p, lens, size, &cameras, kernel, Filter::One(c)))
    }

    fn empty(&self) -> Plane {
        let (width, height) = self.night.scenario.size.pixels();
        Plane::filled(width, height, 0.0)
    }

    fn alpha(&self, kernel: &Kernel) -> Plane {
        self.cover(kernel, 1).map_or_else(|| self.empty(), |c| c.alpha)
    }

    fn land(&self, kernel: &Kernel, c: usize) -> Plane {
        let mut land = self.cover(kernel, c).map_or_else(|| self.empty(), |c| c.light);
        let scale = (self.night.rate() * self.truth.picture_seconds / self.truth.picture_unit_e) as f32;
        land.data_mut().iter_mut().for_each(|v| *v *= scale);
        land
    }

    fn starless(&self, c: usize) -> Plane {
        let down: Option<&Moonlight> = None;
        let mut sky = self
            .night
            .background(&self.view, down, self.truth.picture_seconds, Filter::One(c));
        let scale = (1.0 / self.truth.picture_unit_e) as f32;
        sky.data_mut().iter_mut().for_each(|v| *v *= scale);
        sky
    }

    fn add_stars(&self, sky: &mut [Plane; 3]) {
        let views = std::slice::from_ref(&self.view);
        let seen = self
            .night
            .drawing()
            .trails(&self.night.stars, views, self.truth.picture_seconds);
        let scale = (1.0 / self.truth.picture_unit_e) as f32;
        // Drawn in electrons, for how far a star's skirt is drawn depends on them.
        let trails: Vec<Trail> = seen.into_iter().map(|s| s.trail).collect();
        for (c, plane) in sky.iter_mut().enumerate() {
            let mut stars = self.empty();
            draw(&mut stars, &trails, Filter::One(c));
            plane
                .data_mut()
                .iter_mut()
                .zip(stars.data())
                .for_each(|(v, s)| *v += s * scale);
        }
    }
}

fn grey(path: &Path, plane: &Plane) -> Result<(), SimulateError> {
    let fail = |why: String| SimulateError::Write {
        file: path.display().to_string(),
        why,
    };
    let file = File::create(path).map_err(|e| fail(e.to_string()))?;
    let mut tiff = TiffEncoder::new(BufWriter::new(file)).map_err(|e| fail(e.to_string()))?;
    tiff.write_image::<Gray32Float>(plane.width() as u32, plane.height() as u32, plane.data())
        .map_err(|e| fail(e.to_string()))
}

fn colour(path: &Path, planes: &[Plane; 3]) -> Result<(), SimulateError> {
    let fail = |why: String| SimulateError::Write {
        file: path.display().to_string(),
        why,
    };
    let file = File::create(path).map_err(|e| fail(e.to_string()))?;
    let mut tiff = TiffEncoder::new(BufWriter::new(file)).map_err(|e| fail(e.to_string()))?;
    let (width, height) = (planes[0].width(), planes[0].height());
    let mut image = tiff
        .new_image::<RGB32Float>(width as u32, height as u32)
        .map_err(|e| fail(e.to_string()))?;
    image.rows_per_strip(64).map_err(|e| fail(e.to_string()))?;
    for top in (0..height).step_by(64) {
        let rows = 64.min(height - top);
        let strip: Vec<f32> = (top * width..(top + rows) * width)
            .flat_map(|i| [planes[0].data()[i], planes[1].data()[i], planes[2].data()[i]])
            .collect();
        image.write_strip(&strip).map_err(|e| fail(e.to_string()))?;
    }
    image.finish().map_err(|e| fail(e.to_string()))
}
