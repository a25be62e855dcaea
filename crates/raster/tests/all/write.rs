//! Files out, read back by other code than wrote them where this crate has it: the `tiff`, `png`,
//! `zip` and `zune-jpeg` decoders and a FITS reader of a few lines. Readers outside Rust are tried by
//! `reference/readback.py`.

use std::fs;
use std::io::{self, Cursor, Read};
use std::path::Path;

use nightloom_raster::write::*;
use nightloom_raster::{Plane, Rgb, colour, icc, resize_area, resize_area_plane};

/// Sky above, land below, a star; values 0..1 in the display encoding.
fn picture(width: usize, height: usize) -> Rgb {
    let plane = |c: usize| {
        Plane::from_fn(width, height, |x, y| {
            let sky = 0.2 + 0.05 * c as f32 + 0.3 * y as f32 / height as f32;
            let star = (-((x as f32 - 20.3).powi(2) + (y as f32 - 9.6).powi(2)) / 2.0).exp();
            let noise = ((x * 7919 + y * 104_729 + c * 31) % 1000) as f32 / 50_000.0;
            if y * 3 > height * 2 {
                0.05 + noise
            } else {
                (sky + star + noise).min(1.0)
            }
        })
    };
    Rgb::from_planes([plane(0), plane(1), plane(2)])
}

fn planes(picture: &Rgb) -> [&Plane; 3] {
    picture.planes().each_ref()
}

#[test]
fn numbers_are_rounded_and_clamped() {
    for (value, want) in [
        (0.0, 0),
        (1.0, 65535),
        (-0.1, 0),
        (2.0, 65535),
        (f32::NAN, 0),
        (0.5, 32768),
        (1.4 / 65535.0, 1),
    ] {
        assert_eq!(to_u16(value), want, "{value}");
    }
    for (value, want) in [
        (0.0, 0),
        (1.0, 255),
        (-0.1, 0),
        (2.0, 255),
        (f32::NAN, 0),
        (0.5, 128),
    ] {
        assert_eq!(to_u8(value), want, "{value}");
    }
    for code in 0..=u16::MAX {
        assert_eq!(to_u16(f32::from(code) / 65535.0), code);
    }
}

fn open_tiff(path: &Path) -> tiff::decoder::Decoder<io::BufReader<fs::File>> {
    tiff::decoder::Decoder::new(io::BufReader::new(fs::File::open(path).unwrap())).unwrap()
}

#[test]
fn sixteen_bit_tiff_holds_every_sample_and_the_profile() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("picture.tif");
    // More rows than one strip.
    let picture = picture(900, 701);
    let rows = &PlaneRows(&planes(&picture));
    let shape = TiffShape {
        width: 900,
        height: 701,
        channels: 3,
    };
    let mut sizes = Vec::new();
    for deflate in [false, true] {
        let settings = TiffSettings { deflate };
        write_tiff16_rows(
            &path,
            shape,
            &icc::rec2020_srgb_curve(),
            "a picture",
            settings,
            rows,
        )
        .unwrap();
        let mut decoder = open_tiff(&path);
        assert_eq!(decoder.dimensions().unwrap(), (900, 701));
        assert_eq!(decoder.colortype().unwrap(), tiff::ColorType::RGB(16));
        assert_eq!(
            decoder.get_tag_u8_vec(tiff::tags::Tag::IccProfile).unwrap(),
            icc::rec2020_srgb_curve()
        );
        assert_eq!(
            decoder
                .get_tag_ascii_string(tiff::tags::Tag::ImageDescription)
                .unwrap(),
            "a picture"
        );
        let tiff::decoder::DecodingResult::U16(samples) = decoder.read_image().unwrap() else {
            panic!("not 16 bit")
        };
        for (i, s) in samples.iter().enumerate() {
            let (x, y, c) = (i / 3 % 900, i / 2700, i % 3);
            assert_eq!(*s, to_u16(picture.at(x, y)[c]));
        }
        sizes.push(fs::metadata(&path).unwrap().len());
    }
    assert!(sizes[1] < sizes[0]);
}

#[test]
fn a_grey_tiff_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("matte.tif");
    let matte = Plane::from_fn(33, 20, |x, y| (x + y) as f32 / 51.0);
    write_tiff16(&path, &[&matte], &icc::grey_linear(), "").unwrap();
    let mut decoder = open_tiff(&path);
    assert_eq!(decoder.colortype().unwrap(), tiff::ColorType::Gray(16));
    let tiff::decoder::DecodingResult::U16(samples) = decoder.read_image().unwrap() else {
        panic!("not 16 bit")
    };
    assert!(samples.iter().zip(matte.data()).all(|(s, v)| *s == to_u16(*v)));
}

#[test]
fn what_no_tiff_can_hold_is_refused_in_a_sentence() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("picture.tif");
    let (a, b) = (Plane::filled(4, 4, 0.0), Plane::filled(4, 5, 0.0));
    for planes in [&[][..], &[&a, &a][..], &[&a, &a, &b][..]] {
        let error = write_tiff16(&path, planes, &[], "").unwrap_err();
        assert!(error.to_string().contains("picture.tif"), "{error}");
    }
    assert!(write_tiff16(&path, &[&Plane::filled(0, 4, 0.0)], &[], "").is_err());
    assert!(matches!(
        write_tiff16(&path, &[&a], &[], "Höhe"),
        Err(WriteError::Text { .. })
    ));
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

/// Every writer, given a source of rows or a folder that fails: no file of the final name.
#[test]
fn failing_sources_and_folders_leave_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let failing = |y: usize, _: &mut [u16]| {
        if y == 11 {
            Err(io::Error::other("row lost"))
        } else {
            Ok(())
        }
    };
    let path = folder.path().join("picture");
    let shape = TiffShape {
        width: 20,
        height: 30,
        channels: 3,
    };
    let error = write_tiff16_rows(&path, shape, &[], "", TiffSettings::default(), &failing).unwrap_err();
    assert!(error.to_string().contains("row lost"), "{error}");
    let picture = picture(20, 30);
    let whole = PlaneRows(&planes(&picture));
    let image = OraImage {
        width: 20,
        height: 30,
        layers: vec![layer("sky", &failing, 20, 30)],
        merged: &whole,
        dpi: 300,
        icc: &[],
    };
    assert!(write_ora(&path, &image).is_err());
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);

    let nowhere = folder.path().join("none").join("picture");
    assert!(write_tiff16(&nowhere, &planes(&picture), &[], "").is_err());
    assert!(write_fits_f32(&nowhere, &planes(&picture), &[]).is_err());
}

/// A FITS reader of the least kind: header cards and big-endian floats (FITS 4.0, 3 and 4).
fn read_fits(bytes: &[u8]) -> (Vec<String>, Vec<f32>) {
    let cards: Vec<String> = bytes
        .chunks(80)
        .map(|c| String::from_utf8(c.to_vec()).unwrap_or_default())
        .collect();
    let end = cards.iter().position(|c| c.trim_end() == "END").unwrap();
    let data = ((end + 1) * 80).next_multiple_of(2880);
    let values = bytes[data..]
        .as_chunks::<4>()
        .0
        .iter()
        .map(|b| f32::from_be_bytes(*b))
        .collect();
    (cards[..end].to_vec(), values)
}

#[test]
fn fits_holds_values_and_keywords() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("stack.fits");
    let linear =
        Rgb::from_planes([0.0, 1.0, 2.0].map(|k| Plane::from_fn(37, 21, |x, y| k - 0.01 * (x * y) as f32)));
    let long = "each of the twelve frames was turned, weighted and combined with the others; ".repeat(3);
    let keywords = [
        ("EXPTIME", FitsValue::Float(90.0), "seconds"),
        ("NFRAMES", FitsValue::Integer(12), "frames combined"),
        ("OBJECT", FitsValue::Text("the Swan's neck".into()), ""),
        (
            "LINEAR",
            FitsValue::Logical(true),
            "values are proportional to light, with a comment that is far too long",
        ),
        ("NOISE", FitsValue::Float(1.25e-7), ""),
        ("HISTORY", FitsValue::Text(long.clone()), ""),
    ];
    write_fits_f32(&path, &planes(&linear), &keywords).unwrap();
    let bytes = fs::read(&path).unwrap();
    assert_eq!(bytes.len() % 2880, 0);
    let (cards, values) = read_fits(&bytes);
    for (i, plane) in linear.planes().iter().enumerate() {
        assert_eq!(&values[i * 37 * 21..(i + 1) * 37 * 21], plane.data());
    }
    let card = |start: &str| {
        cards
            .iter()
            .find(|c| c.starts_with(start))
            .unwrap_or_else(|| panic!("no {start}"))
            .as_str()
    };
    assert_eq!(
        cards[0].split('/').next().unwrap().trim_end(),
        "SIMPLE  =                    T"
    );
    assert_eq!(
        card("NAXIS3  =").split('/').next().unwrap().trim_end(),
        "NAXIS3  =                    3"
    );
    assert_eq!(
        card("EXPTIME =").trim_end(),
        "EXPTIME =                 90.0 / seconds"
    );
    assert_eq!(card("OBJECT  =").trim_end(), "OBJECT  = 'the Swan''s neck'");
    assert_eq!(card("NOISE   =").trim_end(), "NOISE   =              1.25E-7");
    let history: String = cards.iter().filter_map(|c| c.strip_prefix("HISTORY ")).collect();
    assert_eq!(history.trim_end(), long.trim_end());
}

#[test]
fn keywords_that_fits_forbids_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("stack.fits");
    let plane = Plane::filled(3, 2, 0.0);
    let text = |t: &str| FitsValue::Text(t.into());
    for (name, value) in [
        ("exptime", FitsValue::Integer(1)),
        ("TOOLONGNAME", FitsValue::Integer(1)),
        ("", FitsValue::Integer(1)),
        ("NAXIS1", FitsValue::Integer(1)),
        ("END", text("")),
        ("X", FitsValue::Float(f64::NAN)),
        ("X", text("Höhe")),
        ("X", text(&"x".repeat(69))),
        ("X", text("a\nb")),
    ] {
        let error = write_fits_f32(&path, &[&plane], &[(name, value, "")]).unwrap_err();
        assert!(matches!(error, WriteError::Text { .. }), "{error}");
    }
    assert!(write_fits_f32(&path, &[], &[]).is_err());
    assert!(write_fits_f32(&path, &[&plane, &Plane::filled(2, 2, 0.0)], &[]).is_err());
    assert!(!path.exists());
}

/// Mean difference of levels that JPEG at quality 95 may leave on this picture.
const JPEG_TOLERANCE_LEVELS: f64 = 1.5;

#[test]
fn jpeg_looks_like_the_picture_and_carries_the_profile() {
    let picture = picture(203, 117);
    let bytes = jpeg_bytes(&picture, 95, &icc::srgb()).unwrap();
    let mut decoder = zune_jpeg::JpegDecoder::new(zune_jpeg::zune_core::bytestream::ZCursor::new(&bytes));
    let pixels = decoder.decode().unwrap();
    assert_eq!(decoder.icc_profile().unwrap(), icc::srgb());
    let info = decoder.info().unwrap();
    assert_eq!((info.width, info.height), (203, 117));
    let error: f64 = pixels
        .iter()
        .enumerate()
        .map(|(i, &got)| (f64::from(got) - f64::from(to_u8(picture.at(i / 3 % 203, i / 609)[i % 3]))).abs())
        .sum::<f64>()
        / pixels.len() as f64;
    assert!(error < JPEG_TOLERANCE_LEVELS, "{error}");
    assert_eq!(bytes, jpeg_bytes(&picture, 95, &icc::srgb()).unwrap());
    assert!(matches!(
        jpeg_bytes(&Rgb::filled(0, 3, [0.0; 3]), 95, &[]),
        Err(WriteError::Shape { .. })
    ));
    assert!(jpeg_bytes(&Rgb::filled(1, 65536, [0.0; 3]), 95, &[]).is_err());
}

fn read_png(bytes: &[u8]) -> (png::OutputInfo, Vec<u8>, Option<Vec<u8>>) {
    let mut reader = png::Decoder::new(Cursor::new(bytes)).read_info().unwrap();
    let mut out = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut out).unwrap();
    let icc = reader.info().icc_profile.as_ref().map(|p| p.to_vec());
    (info, out, icc)
}

#[test]
fn eight_bit_png_holds_every_pixel() {
    let picture = picture(53, 31);
    let (info, pixels, icc) = read_png(&png_bytes(&picture, &icc::srgb()).unwrap());
    assert_eq!(
        (info.width, info.height, info.color_type, info.bit_depth),
        (53, 31, png::ColorType::Rgb, png::BitDepth::Eight)
    );
    assert_eq!(icc.unwrap(), icc::srgb());
    for (i, got) in pixels.iter().enumerate() {
        assert_eq!(*got, to_u8(picture.at(i / 3 % 53, i / 159)[i % 3]));
    }
    assert!(png_bytes(&Rgb::filled(0, 0, [0.0; 3]), &[]).is_err());
}

fn layer<'a>(name: &str, pixels: &'a dyn Rows16, width: usize, height: usize) -> OraLayer<'a> {
    OraLayer {
        name: name.into(),
        x: 0,
        y: 0,
        width,
        height,
        opacity: 1.0,
        composite_op: CompositeOp::SrcOver,
        visible: true,
        pixels,
    }
}

/// Colour and its cover as rows of RGB with straight alpha.
fn rgba<'a>(rgb: &'a Rgb, alpha: &'a Plane) -> impl Fn(usize, &mut [u16]) -> io::Result<()> + Sync + 'a {
    move |y, out| {
        for (x, pixel) in out.as_chunks_mut::<4>().0.iter_mut().enumerate() {
            let [r, g, b] = rgb.at(x, y);
            *pixel = [r, g, b, alpha.at(x, y)].map(to_u16);
        }
        Ok(())
    }
}

/// A picture of two layers as OpenRaster.
fn write_layers(path: &Path, picture: &Rgb) {
    let (w, h) = (picture.width(), picture.height());
    let alpha = Plane::from_fn(w, h, |_, y| (y as f32 / h as f32 - 0.3).clamp(0.0, 1.0));
    let whole = Plane::filled(w, h, 1.0);
    let (land, sky) = (rgba(picture, &alpha), rgba(picture, &whole));
    let merged = PlaneRows(&planes(picture));
    let mut layers = vec![layer("land & <trees>", &land, w, h), layer("sky", &sky, w, h)];
    layers[0].x = -3;
    layers[1].opacity = 0.5;
    let icc = icc::rec2020_srgb_curve();
    write_ora(
        path,
        &OraImage {
            width: w,
            height: h,
            layers,
            merged: &merged,
            dpi: 300,
            icc: &icc,
        },
    )
    .unwrap();
}

#[test]
fn openraster_is_a_zip_of_pngs_in_the_order_the_format_asks() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("layers.ora");
    let picture = picture(300, 400);
    write_layers(&path, &picture);
    let bytes = fs::read(&path).unwrap();
    // "mimetype" is first and stored, so that its text stands at byte 38 of the file.
    assert_eq!(&bytes[30..54], b"mimetypeimage/openraster");
    let mut zip = zip::ZipArchive::new(Cursor::new(&bytes)).unwrap();
    let names: Vec<String> = zip.file_names().map(|n| n.unwrap().into_owned()).collect();
    for name in [
        "stack.xml",
        "data/layer0.png",
        "data/layer1.png",
        "mergedimage.png",
        "Thumbnails/thumbnail.png",
    ] {
        assert!(names.iter().any(|n| n == name), "no {name} in {names:?}");
    }
    let mut entry = |name: &str| {
        let mut out = Vec::new();
        zip.by_name(name).unwrap().read_to_end(&mut out).unwrap();
        out
    };
    let stack = String::from_utf8(entry("stack.xml")).unwrap();
    assert!(
        stack.contains(r#"w="300" h="400""#)
            && stack.contains(r#"name="land &amp; &lt;trees&gt;" src="data/layer0.png" x="-3" y="0""#),
        "{stack}"
    );
    assert!(
        stack.contains(r#"opacity="0.5""#) && stack.contains(r#"composite-op="svg:src-over""#),
        "{stack}"
    );
    let (info, pixels, icc) = read_png(&entry("data/layer0.png"));
    assert_eq!(
        (info.color_type, info.bit_depth),
        (png::ColorType::Rgba, png::BitDepth::Sixteen)
    );
    assert_eq!(icc.unwrap(), icc::rec2020_srgb_curve());
    for (i, got) in pixels.as_chunks::<2>().0.iter().enumerate() {
        let (x, y, c) = (i / 4 % 300, i / 1200, i % 4);
        let want = if c < 3 {
            picture.at(x, y)[c]
        } else {
            (y as f32 / 400.0 - 0.3).clamp(0.0, 1.0)
        };
        assert_eq!(u16::from_be_bytes(*got), to_u16(want), "({x}, {y}) {c}");
    }
    let (merged, ..) = read_png(&entry("mergedimage.png"));
    assert_eq!((merged.width, merged.height), (300, 400));
    let (thumbnail, ..) = read_png(&entry("Thumbnails/thumbnail.png"));
    assert_eq!((thumbnail.width, thumbnail.height), (192, 256));
    assert_eq!(thumbnail.bit_depth, png::BitDepth::Eight);
}

#[test]
fn the_same_picture_gives_the_same_bytes_on_any_number_of_threads() {
    let folder = tempfile::tempdir().unwrap();
    let picture = picture(300, 200);
    let with = |threads| {
        let path = folder.path().join("layers.ora");
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
            .install(|| write_layers(&path, &picture));
        fs::read(&path).unwrap()
    };
    assert_eq!(with(1), with(3));
}

#[test]
fn impossible_layers_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("layers.ora");
    let picture = picture(5, 5);
    let rows = PlaneRows(&planes(&picture));
    for layer in [layer("sky", &rows, 0, 5), layer("s\u{7}ky", &rows, 5, 5)] {
        let image = OraImage {
            width: 5,
            height: 5,
            layers: vec![layer],
            merged: &rows,
            dpi: 300,
            icc: &[],
        };
        let error = write_ora(&path, &image).unwrap_err();
        assert!(error.to_string().contains("layers.ora"), "{error}");
    }
    assert!(!path.exists());
}

/// Exact share of area: checked against sums done by hand for 5 → 3 pixels.
#[test]
fn reducing_averages_area_and_keeps_the_mean() {
    let row = Plane::from_vec(5, 1, vec![1.0, 2.0, 3.0, 4.0, 5.0]);
    let small = resize_area_plane(&row, 3);
    // Cells of 5/3 pixels: (1 + 2·2/3)/(5/3), (2/3 + 3 + 4·2/3… by thirds.
    let want = [
        (1.0 + 2.0 * 2.0 / 3.0) * 0.6,
        (2.0 / 3.0 + 3.0 + 4.0 / 3.0) * 0.6,
        (4.0 * 2.0 / 3.0 + 5.0) * 0.6,
    ];
    for (a, b) in small.data().iter().zip(want) {
        assert!((a - b).abs() < 1e-6, "{a}, not {b}");
    }
    let picture = picture(301, 200);
    let small = resize_area(&picture, 97);
    assert_eq!((small.width(), small.height()), (97, 64));
    for (a, b) in picture.planes().iter().zip(small.planes()) {
        let mean = |p: &Plane| p.data().iter().map(|v| f64::from(*v)).sum::<f64>() / p.data().len() as f64;
        assert!((mean(a) - mean(b)).abs() < 1e-6);
    }
    assert_eq!(resize_area(&picture, 301), picture);
    assert_eq!(resize_area(&Rgb::filled(1000, 1, [0.5; 3]), 10).height(), 1);
    assert_eq!(resize_area(&Rgb::filled(0, 0, [0.5; 3]), 10).height(), 0);
    assert!(colour::luminance(resize_area(&picture, 0).at(0, 0)).is_finite());
}

/// Strips are compressed beside each other; what reads them is the `png` crate.
#[test]
fn a_png_of_many_strips_is_whole_and_the_same_on_any_number_of_threads() {
    let (width, height) = (1100, 1400);
    // Noise, a flat place and a slope: what compresses badly, well, and by its rows.
    let value = |x: usize, y: usize, c: usize| -> u16 {
        match (x / 300 + y / 500) % 3 {
            0 => {
                (((x * 7919 + y * 104_729 + c * 31) as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 48) as u16
            }
            1 => 65535,
            _ => (40 * x + 3 * y + c) as u16,
        }
    };
    let rows = |y: usize, out: &mut [u16]| {
        let channels = out.len() / width;
        out.iter_mut()
            .enumerate()
            .for_each(|(k, o)| *o = value(k / channels, y, k % channels));
        Ok(())
    };
    let written = |threads: usize| {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.ora");
        let image = OraImage {
            width,
            height,
            layers: vec![layer("all", &rows, width, height)],
            merged: &rows,
            dpi: 300,
            icc: &icc::srgb(),
        };
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| write_ora(&path, &image)).unwrap();
        std::fs::read(&path).unwrap()
    };
    let bytes = written(1);
    assert!(bytes == written(3), "the bytes depend on the threads");
    let mut zip = zip::ZipArchive::new(Cursor::new(&bytes[..])).unwrap();
    for (name, channels) in [("data/layer0.png", 4), ("mergedimage.png", 3)] {
        let mut png = Vec::new();
        zip.by_name(name).unwrap().read_to_end(&mut png).unwrap();
        let (info, pixels, _) = read_png(&png);
        assert_eq!((info.width, info.height), (width as u32, height as u32));
        for (k, pair) in pixels.as_chunks::<2>().0.iter().enumerate() {
            let want = value(k / channels % width, k / channels / width, k % channels);
            assert_eq!(u16::from_be_bytes(*pair), want, "{name}, sample {k}");
        }
        assert!(
            png.len() < width * height * channels * 2 * 6 / 10,
            "{}",
            png.len()
        );
    }
}
