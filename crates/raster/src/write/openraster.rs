//! OpenRaster, the open format for layered pictures (freedesktop.org, baseline 0.0.5).

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use zip::result::ZipError;
use zip::write::{SimpleFileOptions, ZipWriter};
use zip::{CompressionMethod, DateTime};

use super::png::{PngShape, encode16};
use super::{Rows16, WriteError, png_bytes};
use crate::atomic::write_whole;
use crate::{Plane, Rgb, resize};

/// Longest side of the thumbnail that the format asks for, pixels.
const THUMBNAIL_SIDE: usize = 256;

/// How a layer is laid on those below it (Compositing and Blending Level 1, W3C 2015).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum CompositeOp {
    /// Over what is below.
    #[default]
    SrcOver,
    /// Multiplied with it.
    Multiply,
    /// Negatives multiplied.
    Screen,
    /// The lighter of both.
    Lighten,
    /// Added.
    Plus,
}

impl CompositeOp {
    fn name(self) -> &'static str {
        match self {
            Self::SrcOver => "svg:src-over",
            Self::Multiply => "svg:multiply",
            Self::Screen => "svg:screen",
            Self::Lighten => "svg:lighten",
            Self::Plus => "svg:plus",
        }
    }
}

/// One layer: its pixels as rows of 16-bit RGB with straight alpha (four samples a pixel) in the
/// encoding of the picture's profile; a closure will do.
pub struct OraLayer<'a> {
    /// The name shown.
    pub name: String,
    /// Left edge on the canvas, pixels.
    pub x: i32,
    /// Top edge on the canvas, pixels.
    pub y: i32,
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// 0 to 1.
    pub opacity: f32,
    /// How it is laid on those below.
    pub composite_op: CompositeOp,
    /// Whether it is shown.
    pub visible: bool,
    /// The pixels.
    pub pixels: &'a dyn Rows16,
}

/// A layered picture.
pub struct OraImage<'a> {
    /// Pixels across the canvas.
    pub width: usize,
    /// Pixels down the canvas.
    pub height: usize,
    /// The layers, *topmost first*, as in the format's own list.
    pub layers: Vec<OraLayer<'a>>,
    /// The finished picture, canvas-sized rows of 16-bit RGB (three samples a pixel).
    pub merged: &'a dyn Rows16,
    /// Resolution, dots per inch.
    pub dpi: u32,
    /// The profile of all layers.
    pub icc: &'a [u8],
}

/// Writes a layered picture. Same layers, same bytes: no time is recorded.
///
/// # Errors
/// [`WriteError`] when a size or name is impossible, a row cannot be had, or the file cannot be
/// written.
pub fn write_ora(path: &Path, image: &OraImage) -> Result<(), WriteError> {
    if image.width == 0 || image.height == 0 {
        return Err(WriteError::shape(
            path,
            "at least one pixel",
            format!("{} × {}", image.width, image.height),
        ));
    }
    if let Some(layer) = image.layers.iter().find(|l| l.width == 0 || l.height == 0) {
        return Err(WriteError::shape(
            path,
            "layers of at least one pixel",
            format!("layer {:?} of {} × {}", layer.name, layer.width, layer.height),
        ));
    }
    if let Some(layer) = image.layers.iter().find(|l| l.name.chars().any(char::is_control)) {
        return Err(WriteError::text(
            path,
            &layer.name,
            "a layer's name has no control characters",
        ));
    }
    write_whole(path, |file| entries(file, image)).map_err(WriteError::io(path))
}

fn entries(file: &mut BufWriter<File>, image: &OraImage) -> io::Result<()> {
    let mut zip = ZipWriter::new(file);
    // PNG is compressed already, and `mimetype` must be stored.
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Stored)
        .last_modified_time(DateTime::default())
        .unix_permissions(0o644);
    let mut entry = |name: &str, fill: &mut dyn FnMut(&mut dyn Write) -> io::Result<()>| {
        zip.start_file(name, options).map_err(as_io)?;
        fill(&mut zip)
    };
    entry("mimetype", &mut |out| out.write_all(b"image/openraster"))?;
    entry("stack.xml", &mut |out| out.write_all(stack(image).as_bytes()))?;
    let dpi = Some(f64::from(image.dpi));
    for (index, layer) in image.layers.iter().enumerate() {
        let shape = PngShape {
            width: layer.width,
            height: layer.height,
            channels: 4,
            icc: image.icc,
            dpi,
        };
        entry(&layer_file(index), &mut |mut out| {
            encode16(&mut out, shape, layer.pixels)
        })?;
    }
    let shape = PngShape {
        width: image.width,
        height: image.height,
        channels: 3,
        icc: image.icc,
        dpi,
    };
    entry("mergedimage.png", &mut |mut out| {
        encode16(&mut out, shape, image.merged)
    })?;
    let small = thumbnail(image)?;
    entry("Thumbnails/thumbnail.png", &mut |out| out.write_all(&small))?;
    zip.finish().map_err(as_io)?;
    Ok(())
}

fn layer_file(index: usize) -> String {
    format!("data/layer{index}.png")
}

fn stack(image: &OraImage) -> String {
    let mut xml = format!(
        "<?xml version='1.0' encoding='UTF-8'?>\n<image version=\"0.0.5\" w=\"{}\" h=\"{}\" xres=\"{2}\" yres=\"{2}\">\n <stack>\n",
        image.width, image.height, image.dpi
    );
    for (index, layer) in image.layers.iter().enumerate() {
        let visibility = if layer.visible { "visible" } else { "hidden" };
        xml.push_str(&format!(
            "  <layer name=\"{}\" src=\"{}\" x=\"{}\" y=\"{}\" opacity=\"{}\" visibility=\"{visibility}\" composite-op=\"{}\"/>\n",
            escaped(&layer.name),
            layer_file(index),
            layer.x,
            layer.y,
            layer.opacity.clamp(0.0, 1.0),
            layer.composite_op.name(),
        ));
    }
    xml.push_str(" </stack>\n</image>\n");
    xml
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

/// The merged picture made small, from its rows.
fn thumbnail(image: &OraImage) -> io::Result<Vec<u8>> {
    let rows = |y: usize, out: &mut [f32]| {
        let mut samples = vec![0_u16; image.width * 3];
        image.merged.row(y, &mut samples)?;
        for (out, &s) in out.iter_mut().zip(&samples) {
            *out = f32::from(s) / 65535.0;
        }
        Ok::<_, io::Error>(())
    };
    let small = resize::reduce_rows((image.width, image.height), THUMBNAIL_SIDE, 3, rows)?;
    let (width, height, values) = (small.width, small.height, small.samples);
    let plane = |c: usize| Plane::from_fn(width, height, |x, y| values[(y * width + x) * 3 + c]);
    let picture = Rgb::from_planes([plane(0), plane(1), plane(2)]);
    png_bytes(&picture, image.icc).map_err(io::Error::other)
}

fn as_io(error: ZipError) -> io::Error {
    match error {
        ZipError::Io(e) => e,
        other => io::Error::other(other),
    }
}
