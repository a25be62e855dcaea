//! A chart in pixels.

use tiny_skia::{
    Color, FillRule, LineCap, LineJoin, Mask, Path, PathBuilder, Pixmap, Stroke as Pen, StrokeDash, Transform,
};

use super::ChartFileError;
use super::outline::Segment;
use super::scene::{Paint, Scene, Stroke, What};

/// Pixels to a unit of the SVG: sharp on a screen of today and at 19 cm on paper.
const SCALE: f64 = 2.0;
/// Units of an SVG to the metre: CSS pixels, 96 to the inch.
const UNITS_PER_METRE: f64 = 96.0 / 0.0254;

/// The chart as an 8-bit RGB PNG (ISO/IEC 15948), sRGB.
pub(super) fn png(scene: &Scene) -> Result<Vec<u8>, ChartFileError> {
    let map = drawn(scene, SCALE)?;
    let packing = |e: ::png::EncodingError| ChartFileError::Packing(e.to_string());
    let mut bytes = Vec::new();
    let mut info = ::png::Info::with_size(map.width(), map.height());
    (info.color_type, info.bit_depth) = (::png::ColorType::Rgb, ::png::BitDepth::Eight);
    info.srgb = Some(::png::SrgbRenderingIntent::Perceptual);
    let per_metre = (UNITS_PER_METRE * SCALE).round() as u32;
    info.pixel_dims = Some(::png::PixelDimensions {
        xppu: per_metre,
        yppu: per_metre,
        unit: ::png::Unit::Meter,
    });
    let title = ::png::text_metadata::ITXtChunk::new("Title", scene.title.clone());
    info.utf8_text.push(title);
    let mut encoder = ::png::Encoder::with_info(&mut bytes, info).map_err(packing)?;
    encoder.set_compression(::png::Compression::Balanced);
    let mut writer = encoder.write_header().map_err(packing)?;
    // Everything lies on paper, so nothing shines through.
    let rgb: Vec<u8> = map
        .pixels()
        .iter()
        .flat_map(|p| [p.red(), p.green(), p.blue()])
        .collect();
    writer.write_image_data(&rgb).map_err(packing)?;
    writer.finish().map_err(packing)?;
    Ok(bytes)
}

/// The chart over white, at some pixels to the unit.
fn drawn(scene: &Scene, scale: f64) -> Result<Pixmap, ChartFileError> {
    let [width, height] = scene.size;
    let side = |units: f64| (units * scale).round().clamp(0.0, 20_000.0) as u32;
    let map = Pixmap::new(side(width), side(height));
    let mut map = map.ok_or(ChartFileError::Size { width, height })?;
    map.fill(Color::WHITE);
    let place = Transform::from_scale(scale as f32, scale as f32);
    let mut masks: Vec<Option<Mask>> = Vec::new();
    for clip in &scene.clips {
        let round = clip.within.and_then(|n| masks[n].clone());
        masks.push(mask(&clip.outline, round, place, &map));
    }
    for mark in &scene.marks {
        let path = match &mark.what {
            What::Outline(outline) => path(outline),
            What::Words(words) => path(&words.outline()),
        };
        let Some(path) = path else {
            continue;
        };
        let mask = match mark.clip {
            // A clip without an inside leaves nothing.
            Some(n) if masks[n].is_none() => continue,
            Some(n) => masks[n].as_ref(),
            None => None,
        };
        if let Some(fill) = mark.fill {
            map.fill_path(&path, &paint(fill), FillRule::Winding, place, mask);
        }
        if let Some(stroke) = &mark.stroke {
            map.stroke_path(&path, &paint(stroke.paint), &pen(stroke), place, mask);
        }
    }
    Ok(map)
}

/// What lies inside an outline, and inside another mask.
fn mask(outline: &[Segment], round: Option<Mask>, place: Transform, map: &Pixmap) -> Option<Mask> {
    let path = path(outline)?;
    match round {
        Some(mut mask) => {
            mask.intersect_path(&path, FillRule::Winding, true, place);
            Some(mask)
        }
        None => {
            let mut mask = Mask::new(map.width(), map.height())?;
            mask.fill_path(&path, FillRule::Winding, true, place);
            Some(mask)
        }
    }
}

fn path(outline: &[Segment]) -> Option<Path> {
    let mut path = PathBuilder::new();
    for segment in outline {
        match *segment {
            Segment::Move([x, y]) => path.move_to(x as f32, y as f32),
            Segment::Line([x, y]) => path.line_to(x as f32, y as f32),
            Segment::Curve(points) => {
                let [[a, b], [c, d], [x, y]] = points.map(|p| p.map(|v| v as f32));
                path.cubic_to(a, b, c, d, x, y);
            }
            Segment::Close => path.close(),
        }
    }
    path.finish()
}

fn paint(of: Paint) -> tiny_skia::Paint<'static> {
    let [r, g, b] = of.rgb;
    let mut paint = tiny_skia::Paint::default();
    paint.set_color_rgba8(r, g, b, (of.alpha * 255.0).round() as u8);
    paint.anti_alias = true;
    paint
}

fn pen(of: &Stroke) -> Pen {
    // A dash's lengths come in pairs.
    let lengths: Vec<f32> = of.dash.iter().map(|v| *v as f32).collect();
    Pen {
        width: of.width as f32,
        line_cap: if of.round_cap {
            LineCap::Round
        } else {
            LineCap::Butt
        },
        line_join: if of.round_join {
            LineJoin::Round
        } else {
            LineJoin::Miter
        },
        dash: StrokeDash::new(lengths, 0.0),
        ..Pen::default()
    }
}
