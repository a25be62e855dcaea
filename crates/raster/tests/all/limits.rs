//! What a file may cost, by what it declares and by what it holds.

use std::fs;
use std::io::Write;

use nightloom_raster::{DecodeError, Limits, decode_here, open_regular, read_regular, read_text};

fn png(path: &std::path::Path, side: u32, kind: png::ColorType, depth: png::BitDepth) {
    let mut encoder = png::Encoder::new(fs::File::create(path).unwrap(), side, side);
    encoder.set_color(kind);
    encoder.set_depth(depth);
    if kind == png::ColorType::Indexed {
        encoder.set_palette(vec![0, 0, 0, 9, 9, 9]);
    }
    let mut writer = encoder.write_header().unwrap();
    // A head that claims the size, and a row of pixels.
    let mut stream = writer.stream_writer().unwrap();
    stream.write_all(&vec![0; side as usize / 8]).unwrap();
    drop(stream);
}

#[test]
fn a_small_file_that_claims_much_is_refused_before_it_costs() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bomb.png");
    // 324 megapixels for the program to work on; 10 megapixels that so few bytes cannot hold.
    png(&path, 18_000, png::ColorType::Indexed, png::BitDepth::One);
    let error = decode_here(&path, &Limits::default()).unwrap_err();
    assert!(matches!(error, DecodeError::TooLarge { .. }), "{error}");
    png(&path, 10_000, png::ColorType::Rgb, png::BitDepth::Sixteen);
    let error = decode_here(&path, &Limits::default()).unwrap_err();
    assert!(error.to_string().contains("cannot hold"), "{error}");
    // The same for a JPEG of 3 KB whose head is changed to 9000 × 9000.
    let mut jpeg = fs::read(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/fixtures/decode/turned.jpg"
    ))
    .unwrap();
    let head = jpeg
        .windows(4)
        .position(|w| w[0] == 0xff && w[1] == 0xc0 && w[2] == 0)
        .unwrap();
    jpeg[head + 5..head + 9].copy_from_slice(&[0x23, 0x28, 0x23, 0x28]);
    jpeg.truncate(jpeg.len().min(100_000));
    let path = folder.path().join("bomb.jpg");
    fs::write(&path, jpeg).unwrap();
    let error = decode_here(&path, &Limits::default()).unwrap_err();
    assert!(error.to_string().contains("cannot hold"), "{error}");
}

#[test]
fn only_regular_files_of_a_bounded_size_are_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("text");
    fs::write(&path, "ridge").unwrap();
    assert_eq!(read_text(&path).unwrap(), "ridge");
    assert_eq!(read_regular(&path, 5).unwrap(), b"ridge");
    assert_eq!(
        read_regular(&path, 4).unwrap_err().kind(),
        std::io::ErrorKind::FileTooLarge
    );
    fs::write(&path, [0xff, 0xfe]).unwrap();
    assert_eq!(
        read_text(&path).unwrap_err().kind(),
        std::io::ErrorKind::InvalidData
    );
    assert!(open_regular(folder.path()).is_err());
    #[cfg(unix)]
    {
        let pipe = folder.path().join("pipe");
        assert!(
            std::process::Command::new("mkfifo")
                .arg(&pipe)
                .status()
                .unwrap()
                .success()
        );
        assert!(open_regular(&pipe).is_err() && read_text(std::path::Path::new("/dev/zero")).is_err());
    }
}
