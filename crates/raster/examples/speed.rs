//! Measures demosaicing and the writers on a made-up frame and leaves the files behind to look at:
//!
//! ```text
//! cargo run --release -p nightloom-raster --example speed -- FOLDER [WIDTH HEIGHT]
//! ```
//!
//! `tests/reference/readback.py FOLDER` then reads every file with independent readers.
#![allow(clippy::print_stdout, reason = "a report for a person")]

use std::path::PathBuf;
use std::time::Instant;

use nightloom_raster::write::*;
use nightloom_raster::*;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let folder = PathBuf::from(arguments.next().ok_or("name a folder to write into")?);
    let mut size = || arguments.next().map(|n| n.parse::<usize>()).transpose();
    let (width, height) = (size()?.unwrap_or(6000), size()?.unwrap_or(4000));
    std::fs::create_dir_all(&folder)?;
    println!("{width} × {height}, {} threads", rayon::current_num_threads());

    let mosaic = night(width, height);
    let balance = RESPONSE.map(|r| 1.0 / r);
    let mut picture = timed("demosaic", || demosaic_balanced(&mosaic, balance));
    drop(mosaic);
    let camera = CameraColour {
        white_balance: balance,
        ..CameraColour::default()
    };
    timed("to working space", || colour::to_working(&mut picture, &camera));

    let work = timed("scratch file, write", || {
        WorkFile::write_rgb(&folder.join("frame.work"), &picture)
    })?;
    let back = timed("scratch file, read", || work.read_rgb())?;
    drop(back);
    let planes = picture.planes().each_ref();
    timed("FITS, float", || {
        write_fits_f32(&folder.join("linear.fits"), &planes, &keywords())
    })?;

    timed("sRGB curve", || colour::encode_srgb(&mut picture));
    pictures(&folder, &picture)?;
    println!("{:>24} {:7.0} MiB", "peak memory", peak_mib().unwrap_or(f64::NAN));
    Ok(())
}

fn keywords() -> [(&'static str, FitsValue, &'static str); 2] {
    [
        ("EXPTIME", FitsValue::Float(90.0), "[s] exposure of one frame"),
        (
            "HISTORY",
            FitsValue::Text("made up by the example that measures speed".into()),
            "",
        ),
    ]
}

fn pictures(folder: &std::path::Path, picture: &Rgb) -> Result<(), Box<dyn std::error::Error>> {
    let (width, height) = (picture.width(), picture.height());
    let planes = picture.planes().each_ref();
    let icc = icc::rec2020_srgb_curve();
    timed("TIFF, 16 bit", || {
        write_tiff16(&folder.join("picture.tif"), &planes, &icc, "picture")
    })?;
    let shape = TiffShape {
        width,
        height,
        channels: 3,
    };
    let deflated = TiffSettings { deflate: true };
    let merged = PlaneRows(&planes);
    let path = folder.join("deflated.tif");
    timed("TIFF, 16 bit, deflated", || {
        write_tiff16_rows(&path, shape, &icc, "picture", deflated, &merged)
    })?;
    let matte = Plane::from_fn(width, height, |_, y| {
        ((y as f32 / height as f32 - 0.6) * 40.0).clamp(0.0, 1.0)
    });
    let path = folder.join("matte.tif");
    timed("TIFF, 16 bit, grey", || {
        write_tiff16(&path, &[&matte], &icc::grey_linear(), "matte")
    })?;
    let row = |y: usize, out: &mut [u16], cover: &dyn Fn(usize) -> f32| {
        for (x, pixel) in out.as_chunks_mut::<4>().0.iter_mut().enumerate() {
            let [r, g, b] = picture.at(x, y);
            *pixel = [r, g, b, cover(x)].map(to_u16);
        }
        Ok(())
    };
    let land = |y: usize, out: &mut [u16]| row(y, out, &|x| matte.at(x, y));
    let sky = |y: usize, out: &mut [u16]| row(y, out, &|_| 1.0);
    let layer = |name: &str, pixels| OraLayer {
        name: name.into(),
        x: 0,
        y: 0,
        width,
        height,
        opacity: 1.0,
        composite_op: CompositeOp::SrcOver,
        visible: true,
        pixels,
    };
    let layers = vec![
        layer("land", &land as &dyn Rows16),
        layer("sky", &sky),
        layer("background", &sky),
    ];
    let image = OraImage {
        width,
        height,
        layers,
        merged: &merged,
        dpi: 300,
        icc: &icc,
    };
    timed("OpenRaster, 3 layers", || {
        write_ora(&folder.join("layers.ora"), &image)
    })?;
    let jpeg = timed("JPEG", || jpeg_bytes(picture, 92, &icc))?;
    std::fs::write(folder.join("preview.jpg"), jpeg)?;
    let small = timed("reduce to 1600", || resize_area(picture, 1600));
    std::fs::write(folder.join("small.png"), png_bytes(&small, &icc)?)?;
    Ok(())
}

fn timed<T>(what: &str, work: impl FnOnce() -> T) -> T {
    let start = Instant::now();
    let result = work();
    println!("{what:>24} {:7.3} s", start.elapsed().as_secs_f64());
    result
}

/// What the made-up camera answers to white.
const RESPONSE: [f32; 3] = [0.45, 1.0, 0.65];

/// A sky with noise, a dark ridge, and white stars of FWHM 2 px on a grid that shifts by fractions.
fn night(width: usize, height: usize) -> Mosaic {
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let mut noise = || {
        let mut sum = -2.0;
        for _ in 0..4 {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            sum += (state >> 40) as f32 / (1 << 24) as f32;
        }
        sum * 0.005
    };
    let cfa = Cfa::RGGB;
    let plane = Plane::from_fn(width, height, |x, y| {
        let ridge = 0.7 * height as f32 + 40.0 * (x as f32 * 0.011).sin() + 6.0 * (x as f32 * 0.17).sin();
        let cover = (y as f32 - ridge + 0.5).clamp(0.0, 1.0);
        let cell = (x / 23, y / 23);
        let random = |k: usize| ((cell.0 * 7919 + cell.1 * 104_729 + k * 31_337) % 1009) as f32 / 1009.0;
        let (dx, dy) = (
            (x % 23) as f32 - 8.0 - 7.0 * random(1),
            (y % 23) as f32 - 8.0 - 7.0 * random(2),
        );
        let star = 0.9 * random(3).powi(3) * (-(dx * dx + dy * dy) / (2.0 * 0.849 * 0.849)).exp();
        let light = (0.02 + star) * (1.0 - cover) + 0.004 * cover;
        light * RESPONSE[cfa.colour(x, y)] + noise() * 0.3
    });
    Mosaic { plane, cfa }
}

/// The most memory this process has held, where the system tells.
fn peak_mib() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"))?;
    Some(line.trim().strip_suffix("kB")?.trim().parse::<f64>().ok()? / 1024.0)
}
