//! Raws that are unusual but whole, or wrong in one deliberate way. Each is a small DNG written
//! here tag by tag.

use nightloom_raster::{Cfa, DecodeError, Frame, Limits, Pixels, decode_here, read_meta};
use std::path::Path;
use tiff::encoder::{DirectoryEncoder, Rational, SRational, TiffEncoder, TiffKindStandard};
use tiff::tags::{Tag, Type};

pub(crate) type Directory<'a> = DirectoryEncoder<'a, std::fs::File, TiffKindStandard>;

/// Bytes of TIFF type UNDEFINED.
pub(crate) struct Undefined(pub(crate) Vec<u8>);

impl tiff::encoder::TiffValue for Undefined {
    const BYTE_LEN: u8 = 1;
    const FIELD_TYPE: Type = Type::UNDEFINED;
    fn count(&self) -> usize {
        self.0.len()
    }
    fn data(&self) -> std::borrow::Cow<'_, [u8]> {
        std::borrow::Cow::Borrowed(&self.0)
    }
}

pub(crate) fn set<T: tiff::encoder::TiffValue>(d: &mut Directory, tag: u16, value: T) {
    d.write_tag(Tag::from_u16_exhaustive(tag), value).unwrap();
}

/// A DNG of `samples` (row after row), with `more` written over the plain tags.
fn dng(path: &Path, (w, h): (u32, u32), channels: u16, samples: &[u16], more: impl FnOnce(&mut Directory)) {
    let mut encoder = TiffEncoder::new(std::fs::File::create(path).unwrap()).unwrap();
    let mut d = encoder.image_directory().unwrap();
    let offset = d.write_data(samples).unwrap() as u32;
    set(&mut d, 254, 0u32);
    set(&mut d, 256, w);
    set(&mut d, 257, h);
    set(&mut d, 258, &vec![16u16; channels.into()][..]);
    set(&mut d, 259, 1u16);
    set(&mut d, 262, 32803u16);
    set(&mut d, 271, "Maker");
    set(&mut d, 272, "Model");
    set(&mut d, 273, offset);
    set(&mut d, 277, channels);
    set(&mut d, 278, h);
    set(&mut d, 279, samples.len() as u32 * 2);
    set(&mut d, 33421, [2u16, 2]);
    set(&mut d, 33422, [0u8, 1, 1, 2]);
    set(&mut d, 50706, [1u8, 4, 0, 0]);
    set(&mut d, 50717, 1000u32);
    more(&mut d);
    d.finish().unwrap();
}

pub(crate) fn read(
    size: (u32, u32),
    channels: u16,
    samples: &[u16],
    more: impl FnOnce(&mut Directory),
) -> Result<Frame, DecodeError> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.dng");
    dng(&path, size, channels, samples, more);
    decode_here(&path, &Limits::default())
}

pub(crate) fn rational(n: u32, d: u32) -> Rational {
    Rational { n, d }
}

/// Every sample is its own place's black plus 100, in a file whose active area starts at (3, 1) and whose crop starts at
/// (2, 1) in that: cell and black levels count from the active area's corner (DNG 1.4, `CFAPattern`, `BlackLevelRepeatDim`).
#[test]
fn a_mosaic_of_six_by_six_counts_cell_and_black_from_the_active_area() {
    let (w, h) = (40usize, 37usize);
    let black = |x: usize, y: usize| (40 + 2 * (y % 6 * 6 + x % 6)) as u16;
    let samples: Vec<u16> = (0..w * h).map(|i| 100 + black(i % w + 3, i / w + 5)).collect();
    let levels: Vec<u16> = (0..36).map(|i| black(i % 6, i / 6)).collect();
    let frame = read((w as u32, h as u32), 1, &samples, |d| {
        set(d, 33421, [6u16, 6]);
        set(d, 33422, Cfa::X_TRANS.cell());
        set(d, 50713, [6u16, 6]);
        set(d, 50714, &levels[..]);
        set(d, 50719, [2u32, 1]);
        set(d, 50720, [30u32, 31]);
        set(d, 50829, [1u32, 3, 37, 40]);
    })
    .unwrap();
    let Pixels::Mosaic(mosaic) = &frame.pixels else {
        panic!("a mosaic")
    };
    assert_eq!((mosaic.plane.width(), mosaic.plane.height()), (30, 31));
    assert_eq!(mosaic.cfa, Cfa::X_TRANS.moved(2, 1));
    for (x, y) in (0..31).flat_map(|y| (0..30).map(move |x| (x, y))) {
        let want = 100.0 / (1000.0 - f32::from(black(x + 2, y + 1)));
        assert!((mosaic.plane.at(x, y) - want).abs() < 1.0e-6, "({x}, {y})");
    }
    // Per colour, the mean of its places.
    let of = |c: u8| {
        let own = (0..36).filter(|i| Cfa::X_TRANS.cell()[*i] == c);
        let (sum, n) = own.fold((0.0, 0.0), |(s, n), i| (s + f32::from(levels[i]), n + 1.0f32));
        sum / n
    };
    for (c, place) in [(0, 0), (1, 1), (2, 2)] {
        assert!(
            (frame.levels.black[place] - of(c)).abs() < 1e-3,
            "{:?}",
            frame.levels
        );
    }
}

#[test]
fn mosaics_of_other_filters_are_refused_with_what_to_do() {
    // Four colours; a white pixel; a cell of four by four; a cell that is no square.
    let quad: Vec<u8> = (0..16).map(|i| [0, 1, 1, 2][i / 8 * 2 + i % 4 / 2]).collect();
    let cases: [(&str, [u16; 2], Vec<u8>); 5] = [
        ("emerald", [2, 2], vec![0, 1, 3, 2]),
        ("white", [2, 2], vec![0, 1, 6, 2]),
        ("quad", [4, 4], quad),
        ("flat", [2, 8], (0..16).map(|i| (i % 3) as u8).collect()),
        ("odd", [3, 3], vec![0, 1, 2, 1, 2, 0, 2, 0, 1]),
    ];
    for (name, size, cell) in cases {
        let error = read((48, 48), 1, &[500; 48 * 48], |d| {
            set(d, 33421, size);
            set(d, 33422, &cell[..]);
        })
        .unwrap_err();
        assert!(
            matches!(error, DecodeError::Unsupported { .. }),
            "{name}: {error}"
        );
        let text = error.to_string();
        assert!(
            text.contains("a.dng holds a mosaic of ")
                && text.contains("convert it to a linear (demosaiced) DNG or a 16-bit TIFF"),
            "{name}: {text}"
        );
    }
}

#[test]
fn a_white_balance_that_is_not_a_number_gives_way_to_the_matrix() {
    let matrix: Vec<SRational> = [6000, 0, 0, 0, 10000, 0, 0, 0, 8000]
        .map(|n| SRational { n, d: 10000 })
        .to_vec();
    for neutral in [[(0, 0), (1, 1), (1, 2)], [(0, 1), (1, 1), (1, 2)]] {
        let frame = read((8, 8), 1, &[500; 64], |d| {
            set(d, 50721, &matrix[..]);
            set(d, 50778, 21u16);
            set(d, 50728, &neutral.map(|(n, den)| rational(n, den))[..]);
        })
        .unwrap();
        // White D65 through the matrix: R 0.6 × 0.95046, G 1, B 0.8 × 1.08906 (CIE 15:2018).
        let expected = [1.0 / (0.6 * 0.950_46), 1.0, 1.0 / (0.8 * 1.089_06)];
        for (got, want) in frame.colour.white_balance.iter().zip(expected) {
            assert!((f64::from(*got) - want).abs() < 1.0e-3, "{got} {want}");
        }
        assert!(frame.colour.to_working.iter().flatten().all(|v| v.is_finite()));
    }
}

#[test]
fn without_balance_and_matrix_colour_is_still_finite() {
    let frame = read((8, 8), 1, &[500; 64], |_| {}).unwrap();
    assert_eq!(frame.colour.white_balance, [1.0; 3]);
    for row in frame.colour.to_working {
        assert!((row.iter().sum::<f32>() - 1.0).abs() < 1.0e-6);
    }
}

#[test]
fn black_is_taken_per_filter_and_counted_from_the_active_area() {
    // Every sample is its own place's black plus 100, in a file whose active area starts at (3, 1)
    // and whose crop starts at (2, 1) in that.
    let (w, h) = (21usize, 17usize);
    let black = [40u16, 50, 60, 70];
    let samples: Vec<u16> = (0..w * h)
        .map(|i| {
            let (x, y) = (i % w, i / w);
            100 + black[((y + 1) & 1) * 2 + ((x + 3) & 1)]
        })
        .collect();
    let frame = read((w as u32, h as u32), 1, &samples, |d| {
        set(d, 33422, [1u8, 0, 2, 1]);
        set(d, 50713, [2u16, 2]);
        set(d, 50714, black);
        set(d, 50719, [2u32, 1]);
        set(d, 50720, [14u32, 13]);
        set(d, 50829, [1u32, 3, 17, 21]);
    })
    .unwrap();
    let Pixels::Mosaic(mosaic) = &frame.pixels else {
        panic!("a mosaic")
    };
    assert_eq!((mosaic.plane.width(), mosaic.plane.height()), (14, 13));
    // GRBG from the active area's corner; two across and one down from it stands blue.
    assert_eq!(mosaic.cfa, Cfa::BGGR);
    for y in 0..13 {
        for x in 0..14 {
            let own = f32::from(black[((y + 1) & 1) * 2 + (x & 1)]);
            let want = 100.0 / (1000.0 - own);
            assert!((mosaic.plane.at(x, y) - want).abs() < 1.0e-6, "({x}, {y})");
        }
    }
}

#[test]
fn a_linear_dng_is_colour_and_a_monochrome_one_grey() {
    let samples: Vec<u16> = (0..8 * 8 * 3).map(|i| 100 + (i % 3) as u16 * 200).collect();
    let frame = read((8, 8), 3, &samples, |d| set(d, 262, 34892u16)).unwrap();
    let Pixels::Rgb(rgb) = &frame.pixels else {
        panic!("colour")
    };
    assert_eq!(rgb.at(3, 4), [0.1, 0.3, 0.5]);
    let frame = read((8, 8), 1, &[250; 64], |d| set(d, 262, 1u16)).unwrap();
    let Pixels::Grey(plane) = &frame.pixels else {
        panic!("grey")
    };
    assert_eq!(plane.at(7, 7), 0.25);
}

#[test]
fn a_lossy_dngs_curve_is_undone() {
    // One MapPolynomial over everything: 0.25 v + 0.75 v² (DNG 1.4, chapter 7).
    let mut list = 1u32.to_be_bytes().to_vec();
    let coefficients = [0.0f64, 0.25, 0.75];
    for word in [8, 0x0103_0000, 0, 36 + 8 * 3, 0, 0, 8, 8, 0, 3, 1, 1, 2u32] {
        list.extend(word.to_be_bytes());
    }
    coefficients.iter().for_each(|c| list.extend(c.to_be_bytes()));
    let samples = [600u16; 8 * 8 * 3];
    let frame = read((8, 8), 3, &samples, |d| {
        set(d, 262, 34892u16);
        set(d, 50714, [200u16, 200, 200]);
        set(d, 51009, Undefined(list));
    })
    .unwrap();
    let Pixels::Rgb(rgb) = &frame.pixels else {
        panic!("colour")
    };
    // (600 − 200) / (1000 − 200) is 0.5, and 0.125 + 0.1875 is 0.3125.
    assert_eq!(rgb.at(2, 5), [0.3125; 3]);
}

#[test]
fn huge_declared_sizes_are_refused_before_anything_is_allocated() {
    let cases = [
        (
            (4_000_000_000u32, 4_000_000_000u32),
            "at most 20000 × 20000 is allowed",
        ),
        ((60_000, 8), "at most 20000 × 20000 is allowed"),
        ((20_000, 20_000), "pixels take 12969 MiB, at most 4096 MiB"),
        ((10_000, 10_000), "pixels in a file of"),
        (
            (600, 400),
            "lacks its pixels, or part of them: its picture of 600 × 400 pixels needs a file of at least 240000 bytes",
        ),
    ];
    for (size, sentence) in cases {
        let start = std::time::Instant::now();
        let error = read(size, 1, &[500; 64], |_| {}).unwrap_err().to_string();
        assert!(error.contains(sentence), "{size:?}: {error}");
        assert!(start.elapsed().as_secs_f64() < 1.0);
    }
}

#[test]
fn a_raw_without_its_pixels_still_tells_its_exposure() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.dng");
    let (meta, samples) = (crate::dng::meta(), crate::dng::samples(600 * 400));
    nightloom_simulate::write_dng(&path, &crate::dng::frame(600, 400, &samples, &meta)).unwrap();
    // The directories stand at the end: cut the pixels out of the middle and move the pointer.
    let whole = std::fs::read(&path).unwrap();
    let pixels = 600 * 400 * 2;
    let root = u32::from_le_bytes(whole[4..8].try_into().unwrap()) as usize;
    let cut = {
        let mut file = whole.clone();
        let strip = find_offset(&file, root).expect("a strip offset");
        // Point the strip past the end instead.
        let past = whole.len() as u32;
        file[strip..strip + 4].copy_from_slice(&past.to_le_bytes());
        file
    };
    std::fs::write(&path, &cut).unwrap();
    let error = decode_here(&path, &Limits::default()).unwrap_err();
    assert!(matches!(error, DecodeError::NoPixels { .. }), "{error}");
    let needed = whole.len() + pixels;
    assert!(
        error.to_string().contains(&format!(
            "needs a file of at least {needed} bytes, it has {}",
            whole.len()
        )),
        "{error}"
    );
    let read = read_meta(&path).unwrap();
    assert_eq!(
        (read.exposure_s, read.iso, read.lens),
        (meta.exposure_s, meta.iso, meta.lens)
    );
}

/// Where the value of StripOffsets (tag 273) stands.
fn find_offset(file: &[u8], directory: usize) -> Option<usize> {
    let count = u16::from_le_bytes(file[directory..directory + 2].try_into().ok()?) as usize;
    (0..count)
        .map(|i| directory + 2 + 12 * i)
        .find(|&at| file[at..at + 2] == 273u16.to_le_bytes())
        .map(|at| at + 8)
}

/// A RAF that is nothing but its header and the tag of the sensor's size.
fn fuji(width: u16, height: u16) -> Vec<u8> {
    let mut file = b"FUJIFILMCCD-RAW 0201FF000000X-Nothing".to_vec();
    file.resize(160, 0);
    file[92..96].copy_from_slice(&120u32.to_be_bytes());
    file[120..124].copy_from_slice(&1u32.to_be_bytes());
    file[124..126].copy_from_slice(&0x100u16.to_be_bytes());
    file[126..128].copy_from_slice(&4u16.to_be_bytes());
    file[128..130].copy_from_slice(&height.to_be_bytes());
    file[130..132].copy_from_slice(&width.to_be_bytes());
    file
}

/// A Panasonic directory (their magic, sensor size under tags 2 and 3) and nothing else.
fn panasonic(width: u32, height: u32) -> Vec<u8> {
    let mut file = b"IIU\0\x08\0\0\0\x02\0".to_vec();
    for (tag, value) in [(2u16, width), (3, height)] {
        file.extend(tag.to_le_bytes());
        file.extend(4u16.to_le_bytes());
        file.extend(1u32.to_le_bytes());
        file.extend(value.to_le_bytes());
    }
    file.extend([0; 16]);
    file
}

#[test]
fn raws_that_are_no_dngs_are_measured_before_they_are_decoded() {
    let folder = tempfile::tempdir().unwrap();
    let refuse = |name: &str, data: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, data).unwrap();
        decode_here(&path, &Limits::default()).unwrap_err().to_string()
    };
    let huge = "at most 20000 × 20000 is allowed";
    let empty =
        "lacks its pixels, or part of them: its picture of 6000 × 4000 pixels needs a file of at least";
    for (name, size, sentence) in [("a.raf", (60_000, 4000), huge), ("b.raf", (6000, 4000), empty)] {
        let error = refuse(name, &fuji(size.0, size.1));
        assert!(error.contains(name) && error.contains(sentence), "{error}");
    }
    for (name, size, sentence) in [("a.rw2", (70_000, 4000), huge), ("b.rw2", (6000, 4000), empty)] {
        let error = refuse(name, &panasonic(size.0, size.1));
        assert!(error.contains(name) && error.contains(sentence), "{error}");
    }
}
