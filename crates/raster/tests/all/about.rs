//! What a picture says of itself, read back by `kamadak-exif`, `tiff`, `png` and `zune-jpeg`.

use std::fs;
use std::io::Cursor;

use exif::{Exif, In, Reader, Tag, Value};
use nightloom_raster::write::*;
use nightloom_raster::{Rgb, icc};

fn about() -> About {
    About {
        description: Some("Tracked sky: 12 frames of 60 s & land <2>".into()),
        make: Some("A maker".into()),
        model: Some("A body".into()),
        lens: Some("24 mm f/1.8".into()),
        focal_mm: Some(24.0),
        f_number: Some(2.8),
        iso: Some(1600.0),
        exposure_s: Some(960.5),
        frames: 14,
        taken: Some(TakenAt {
            local: "2026-09-12T23:40:07".into(),
            offset: Some("+02:00".into()),
            utc: Some("2026-09-12T21:40:07Z".into()),
        }),
        creator: Some("Jörg Müller".into()),
        copyright: Some("© 2026 Jörg Müller".into()),
        place: Some(TakenWhere {
            latitude_deg: -46.52,
            longitude_deg: 8.034_567,
            elevation_m: 1850.5,
        }),
    }
}

fn picture() -> Rgb {
    Rgb::filled(40, 30, [0.2, 0.4, 0.6])
}

fn text(exif: &Exif, tag: Tag) -> String {
    match exif.get_field(tag, In::PRIMARY).map(|f| &f.value) {
        Some(Value::Ascii(parts)) => String::from_utf8(parts[0].clone()).unwrap(),
        other => panic!("{tag}: {other:?}"),
    }
}

fn numbers(exif: &Exif, tag: Tag) -> Vec<f64> {
    match exif.get_field(tag, In::PRIMARY).map(|f| &f.value) {
        Some(Value::Rational(v)) => v.iter().map(|r| r.to_f64()).collect(),
        Some(Value::Short(v)) => v.iter().map(|v| f64::from(*v)).collect(),
        other => panic!("{tag}: {other:?}"),
    }
}

fn holds_all(exif: &Exif) {
    let about = about();
    for (tag, want) in [
        (Tag::ImageDescription, about.description.unwrap()),
        (Tag::Make, "A maker".into()),
        (Tag::Model, "A body".into()),
        (Tag::LensModel, "24 mm f/1.8".into()),
        (Tag::Artist, "Jörg Müller".into()),
        (Tag::Copyright, "© 2026 Jörg Müller".into()),
        (Tag::Software, format!("Nightloom {}", env!("CARGO_PKG_VERSION"))),
        (Tag::DateTimeOriginal, "2026:09:12 23:40:07".into()),
        (Tag::OffsetTimeOriginal, "+02:00".into()),
        (Tag::GPSLatitudeRef, "S".into()),
        (Tag::GPSLongitudeRef, "E".into()),
    ] {
        assert_eq!(text(exif, tag), want, "{tag}");
    }
    let composite = Tag(exif::Context::Exif, 0xA460);
    for (tag, want) in [
        (Tag::FocalLength, vec![24.0]),
        (Tag::FNumber, vec![2.8]),
        (Tag::PhotographicSensitivity, vec![1600.0]),
        (Tag::ExposureTime, vec![960.5]),
        (Tag::GPSLatitude, vec![46.0, 31.0, 12.0]),
        (Tag::GPSLongitude, vec![8.0, 2.0, 4.441]),
        (Tag::GPSAltitude, vec![1850.5]),
        // General composite (EXIF 2.32, 4.6.5).
        (composite, vec![2.0]),
    ] {
        let found = numbers(exif, tag);
        let near = found.iter().zip(&want).all(|(a, b)| (a - b).abs() < 1e-9);
        assert!(near && found.len() == want.len(), "{tag}: {found:?}");
    }
}

fn packet_holds_all(packet: &str) {
    for part in [
        "<Iptc4xmpExt:DigitalSourceType>http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture<",
        "<exif:DateTimeOriginal>2026-09-12T23:40:07+02:00<",
        "<xmp:CreateDate>2026-09-12T21:40:07Z<",
        "<exif:GPSLatitude>46,31.200000S<",
        "<exif:GPSLongitude>8,2.074020E<",
        "60 s &amp; land &lt;2&gt;",
        "<rdf:li>Jörg Müller</rdf:li>",
        "<exif:ExposureTime>9605/10<",
    ] {
        assert!(packet.contains(part), "{part}: {packet}");
    }
}

#[test]
fn a_tiff_says_what_it_is_and_keeps_its_pixels() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("picture.tif");
    let picture = picture();
    let planes = picture.planes().each_ref();
    let page = TiffPage {
        shape: TiffShape {
            width: 40,
            height: 30,
            channels: 3,
        },
        icc: &icc::rec2020_srgb_curve(),
        name: None,
        rows: &PlaneRows(&planes),
    };
    write_tiff16_pages(&path, &[page], &about(), TiffSettings::default()).unwrap();
    let bytes = fs::read(&path).unwrap();
    holds_all(
        &Reader::new()
            .read_from_container(&mut Cursor::new(&bytes))
            .unwrap(),
    );
    let mut decoder = tiff::decoder::Decoder::new(Cursor::new(&bytes)).unwrap();
    let packet = decoder
        .get_tag_u8_vec(tiff::tags::Tag::from_u16_exhaustive(700))
        .unwrap();
    packet_holds_all(std::str::from_utf8(&packet).unwrap());
    let tiff::decoder::DecodingResult::U16(samples) = decoder.read_image().unwrap() else {
        panic!("not 16 bit")
    };
    assert_eq!(samples[..3], [0.2, 0.4, 0.6].map(to_u16));
    // Same words, same bytes.
    write_tiff16_pages(&path, &[page], &about(), TiffSettings::default()).unwrap();
    assert_eq!(bytes, fs::read(&path).unwrap());
}

#[test]
fn a_jpeg_says_what_it_is() {
    let bytes = jpeg_bytes_about(&picture(), 90, &icc::srgb(), &about()).unwrap();
    holds_all(
        &Reader::new()
            .read_from_container(&mut Cursor::new(&bytes))
            .unwrap(),
    );
    packet_holds_all(&String::from_utf8_lossy(&bytes));
    let mut decoder = zune_jpeg::JpegDecoder::new(zune_jpeg::zune_core::bytestream::ZCursor::new(&bytes));
    assert_eq!(decoder.decode().unwrap().len(), 40 * 30 * 3);
    assert_eq!(decoder.icc_profile().unwrap(), icc::srgb());
}

#[test]
fn a_png_says_what_it_is() {
    let bytes = png_bytes_about(&picture(), &icc::srgb(), &about()).unwrap();
    holds_all(
        &Reader::new()
            .read_from_container(&mut Cursor::new(&bytes))
            .unwrap(),
    );
    let mut reader = png::Decoder::new(Cursor::new(&bytes)).read_info().unwrap();
    let info = reader.info();
    let packet = info
        .utf8_text
        .iter()
        .find(|t| t.keyword == "XML:com.adobe.xmp")
        .unwrap();
    packet_holds_all(&packet.get_text().unwrap());
    let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
    reader.next_frame(&mut pixels).unwrap();
    assert_eq!(pixels[..3], [0.2, 0.4, 0.6].map(to_u8));
}

#[test]
fn what_is_not_known_is_not_written() {
    let nothing = jpeg_bytes_about(&picture(), 90, &[], &About::default()).unwrap();
    let exif = Reader::new()
        .read_from_container(&mut Cursor::new(&nothing))
        .unwrap();
    let tags: Vec<Tag> = exif.fields().map(|f| f.tag).collect();
    assert_eq!(tags, [Tag::Orientation, Tag::Software]);
    // No place unless it is given.
    let untold = About {
        place: None,
        ..about()
    };
    let bytes = jpeg_bytes_about(&picture(), 90, &[], &untold).unwrap();
    let exif = Reader::new()
        .read_from_container(&mut Cursor::new(&bytes))
        .unwrap();
    assert!(exif.fields().all(|f| f.tag.context() != exif::Context::Gps));
    assert!(!String::from_utf8_lossy(&bytes).contains("GPS"));
}

#[test]
fn exposures_and_apertures_keep_their_value() {
    for (value, over) in [
        (1.0 / 250.0, "1/250"),
        (0.5, "1/2"),
        (1.8, "18/10"),
        (3600.0, "3600/1"),
        (2.518, "2518/1000"),
    ] {
        let about = About {
            f_number: Some(value),
            ..About::default()
        };
        let bytes = jpeg_bytes_about(&picture(), 90, &[], &about).unwrap();
        let exif = Reader::new()
            .read_from_container(&mut Cursor::new(&bytes))
            .unwrap();
        let found = numbers(&exif, Tag::FNumber)[0];
        assert!((found - value).abs() < 1e-5 * value, "{value}: {found}");
        assert!(String::from_utf8_lossy(&bytes).contains(&format!("<exif:FNumber>{over}<")));
    }
}

#[test]
fn pages_have_their_names_and_their_alpha() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("layers.tif");
    let shape = |channels| TiffShape {
        width: 21,
        height: 13,
        channels,
    };
    let below = |y: usize, out: &mut [u16]| {
        out.fill(100 * y as u16);
        Ok(())
    };
    let above = |y: usize, out: &mut [u16]| {
        for pixel in out.chunks_exact_mut(4) {
            pixel.copy_from_slice(&[9, 8, 7, 1000 * y as u16]);
        }
        Ok(())
    };
    let page = |channels, name, rows| TiffPage {
        shape: shape(channels),
        icc: &[],
        name: Some(name),
        rows,
    };
    let pages = [page(3, "sky", &below as &dyn Rows16), page(4, "land", &above)];
    for deflate in [false, true] {
        write_tiff16_pages(&path, &pages, &about(), TiffSettings { deflate }).unwrap();
        let mut decoder = tiff::decoder::Decoder::new(Cursor::new(fs::read(&path).unwrap())).unwrap();
        let tag = tiff::tags::Tag::from_u16_exhaustive;
        let mut seen = Vec::new();
        loop {
            let name = decoder.get_tag_ascii_string(tag(285)).unwrap();
            let number = decoder.get_tag_u16_vec(tag(297)).unwrap();
            let tiff::decoder::DecodingResult::U16(samples) = decoder.read_image().unwrap() else {
                panic!("not 16 bit")
            };
            let extra = decoder.find_tag_unsigned_vec::<u16>(tag(338)).unwrap();
            seen.push((name, number, samples.len(), samples[samples.len() - 1], extra));
            if !decoder.more_images() {
                break;
            }
            decoder.next_image().unwrap();
        }
        assert_eq!(
            seen,
            [
                ("sky".to_owned(), vec![0, 2], 21 * 13 * 3, 1200, None),
                // 2: unassociated alpha (TIFF 6.0, section 18).
                ("land".to_owned(), vec![1, 2], 21 * 13 * 4, 12000, Some(vec![2])),
            ]
        );
    }
    assert!(write_tiff16_pages(&path, &[], &about(), TiffSettings::default()).is_err());
}
