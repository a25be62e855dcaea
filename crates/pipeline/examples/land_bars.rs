//! Land and sky told apart in single pictures, shown and compared with skylines drawn by hand.
//!
//! `cargo run --release -p nightloom-pipeline --example land_bars -- OUT PICTURE...`
//!
//! For each picture OUT gets a PNG in which land is red and sky as it is. A file `outlines.json` beside a picture
//! (`pictures`: `file`, `skyline_px`, `uncertain_band_px`, `left_out_boxes_px`) gives the overlap of the sky found with
//! the sky drawn: intersection over union.
#![allow(clippy::print_stdout, reason = "a report")]

use std::path::{Path, PathBuf};
use std::time::Instant;

use nightloom_raster::{Limits, Pixels, Plane, Rgb, decode_here, write::png_bytes};
use nightloom_seam::{Evidence, MatteSettings, SeparateSettings, Work, matte, separate};
use nightloom_stars::{DetectSettings, Trails, measure};

/// A skyline drawn by hand.
#[derive(serde::Deserialize)]
struct Outline {
    file: String,
    #[serde(default)]
    skyline_px: Vec<[f32; 2]>,
    #[serde(default)]
    uncertain_band_px: f32,
    #[serde(default)]
    left_out_boxes_px: Vec<[f32; 4]>,
}

#[derive(serde::Deserialize)]
struct Outlines {
    pictures: Vec<Outline>,
}

impl Outline {
    fn beside(picture: &Path) -> Option<Self> {
        let text = std::fs::read(picture.with_file_name("outlines.json")).ok()?;
        let all: Outlines = serde_json::from_slice(&text).ok()?;
        let name = picture.file_name()?.to_str()?;
        all.pictures
            .into_iter()
            .find(|o| o.file == name && o.skyline_px.len() > 1)
    }

    fn height_at(&self, x: f32) -> f32 {
        let line = &self.skyline_px;
        let next = line
            .iter()
            .position(|p| p[0] >= x)
            .unwrap_or(line.len() - 1)
            .max(1);
        let ([x0, y0], [x1, y1]) = (line[next - 1], line[next]);
        y0 + (y1 - y0) * ((x - x0) / (x1 - x0).max(1.0)).clamp(0.0, 1.0)
    }

    /// Sky overlap, intersection over union, where the drawing is certain.
    fn overlap(&self, alpha: &Plane) -> f64 {
        let (mut both, mut either) = (0u64, 0u64);
        for x in 0..alpha.width() {
            let ridge = self.height_at(x as f32);
            for y in 0..alpha.height() {
                let out =
                    |b: &[f32; 4]| (b[0]..=b[2]).contains(&(x as f32)) && (b[1]..=b[3]).contains(&(y as f32));
                let away = y as f32 - ridge;
                if away.abs() <= self.uncertain_band_px || self.left_out_boxes_px.iter().any(out) {
                    continue;
                }
                let (found, drawn) = (alpha.at(x, y) > 0.5, away < 0.0);
                both += u64::from(found && drawn);
                either += u64::from(found || drawn);
            }
        }
        both as f64 / either.max(1) as f64
    }
}

fn main() {
    let mut given = std::env::args().skip(1).map(PathBuf::from);
    let out = given.next().expect("a folder for the pictures");
    std::fs::create_dir_all(&out).expect("the folder");
    for path in given {
        let picture = match decode_here(&path, &Limits::default()).map(|f| f.pixels) {
            Ok(Pixels::Rgb(picture)) => picture,
            Ok(Pixels::Grey(plane)) => Rgb::from_planes([plane.clone(), plane.clone(), plane]),
            Ok(Pixels::Mosaic(mosaic)) => nightloom_raster::demosaic(&mosaic),
            Err(error) => {
                println!("{}: {error}", path.display());
                continue;
            }
        };
        let began = Instant::now();
        let found = measure(
            &picture.brightness(),
            &DetectSettings {
                trails: Trails::Yes,
                ..DetectSettings::default()
            },
        );
        let stars: Vec<[f32; 2]> = found.stars.iter().map(|s| [s.x as f32, s.y as f32]).collect();
        let measured = began.elapsed().as_secs_f64();
        let evidence = Evidence {
            stars: &stars,
            ..Evidence::of_land(&picture, 1)
        };
        let work = Work::quiet();
        let began = Instant::now();
        let coarse = separate(&evidence, &SeparateSettings::default(), &work).expect("labels");
        let parted = began.elapsed().as_secs_f64();
        let found = matte(&evidence, &coarse, &MatteSettings::default(), &work).expect("a matte");
        let overlap =
            Outline::beside(&path).map_or("   –  ".into(), |o| format!("{:.4}", o.overlap(&found.alpha)));
        println!(
            "{overlap} {} {:?}, sky {:.3}, {} stars; stars {measured:.2} s, labels {parted:.2} s, all {:.2} s",
            path.display(),
            coarse.finding,
            found.sky_fraction,
            stars.len(),
            began.elapsed().as_secs_f64()
        );
        let shown = shown(&picture, &found.alpha, &coarse.sky, coarse.factor);
        let name = path
            .file_stem()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        std::fs::write(
            out.join(format!("{name}.png")),
            png_bytes(&shown, &[]).expect("a PNG"),
        )
        .expect("written");
    }
}

/// The picture stretched, its land red, coarse land darker.
fn shown(picture: &Rgb, alpha: &Plane, coarse: &Plane, factor: usize) -> Rgb {
    let top = {
        let mut sample: Vec<f32> = picture.planes()[1].data().iter().step_by(97).copied().collect();
        sample.sort_by(f32::total_cmp);
        sample[sample.len() * 95 / 100].max(1e-4)
    };
    Rgb::from_planes(std::array::from_fn(|c| {
        Plane::from_fn(picture.width(), picture.height(), |x, y| {
            let v = (picture.planes()[c].at(x, y) / top)
                .clamp(0.0, 1.0)
                .powf(1.0 / 2.2)
                * 0.8;
            let a = alpha.at(x, y);
            let deep = if coarse.at(x / factor, y / factor) > 0.5 {
                0.2
            } else {
                0.0
            };
            let tint = if c == 0 {
                1.0
            } else if c == 2 {
                deep
            } else {
                0.0
            };
            a * v + (1.0 - a) * (0.5 * v + 0.5 * tint)
        })
    }))
}
