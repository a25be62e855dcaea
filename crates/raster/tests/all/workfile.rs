//! Work files: what goes in comes out, to the step that is promised.

use std::fs;

use nightloom_raster::workfile::{WORK_MAX, WORK_MIN, WORK_STEP};
use nightloom_raster::{Plane, Rgb, WorkFile, WorkFileError, WorkShape, WorkValues};

fn picture(width: usize, height: usize) -> Rgb {
    let plane = |c: usize| {
        Plane::from_fn(width, height, |x, y| {
            ((x * 31 + y * 17 + c * 7) % 997) as f32 / 600.0 - 0.05
        })
    };
    Rgb::from_planes([plane(0), plane(1), plane(2)])
}

#[test]
fn a_frame_comes_back_within_half_a_step() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("frame");
    let picture = picture(613, 1207);
    let file = WorkFile::write_rgb(&path, &picture).unwrap();
    assert_eq!((file.width(), file.height(), file.planes()), (613, 1207, 3));
    let back = WorkFile::open(&path).unwrap().read_rgb().unwrap();
    let (mut sum, mut n) = (0.0_f64, 0.0_f64);
    for (a, b) in picture.planes().iter().zip(back.planes()) {
        for (a, b) in a.data().iter().zip(b.data()) {
            assert!((a - b).abs() <= WORK_STEP * 0.51, "{a} became {b}");
            sum += f64::from(a - b).powi(2);
            n += 1.0;
        }
    }
    let rms = (sum / n).sqrt();
    assert!((8.0e-6..9.6e-6).contains(&rms), "rms {rms}");
}

#[test]
fn values_outside_are_clamped_and_no_number_is_lowest() {
    let folder = tempfile::tempdir().unwrap();
    let values = [-1.0, 5.0, f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 0.0];
    let plane = Plane::from_vec(6, 1, values.to_vec());
    let file = WorkFile::write_plane(&folder.path().join("frame"), &plane).unwrap();
    let back = file.read_plane(0).unwrap();
    assert_eq!(
        back.data(),
        [WORK_MIN, WORK_MAX, WORK_MIN, WORK_MAX, WORK_MIN, 0.0]
    );
}

#[test]
fn what_is_stored_exactly_comes_back_to_the_bit() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("stack");
    let plane = Plane::from_fn(300, 200, |x, y| (x as f32 - 7.3) * 1e-3 + y as f32);
    let tiny = Plane::filled(300, 200, f32::MIN_POSITIVE);
    let file = WorkFile::write_planes(&path, &[&plane, &tiny], WorkValues::Float32).unwrap();
    let mut block = [0.0; 6];
    file.read_block(0, [11, 150], 3, 2, &mut block).unwrap();
    let want = |k: usize| plane.at(11 + k % 3, 150 + k / 3);
    assert!(block.iter().enumerate().all(|(k, v)| *v == want(k)));
    assert_eq!(file.read_planes().unwrap(), [plane, tiny]);
    assert!(file.read_planes::<3>().is_err());
    let small = Plane::filled(3, 3, 0.0);
    let unlike = [&Plane::filled(3, 4, 0.0), &small];
    assert!(WorkFile::write_planes(&path, &unlike, WorkValues::Float32).is_err());
}

/// Any program can read it: a line of JSON of 128 bytes, then the values.
#[test]
fn the_header_is_a_line_of_json() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("stack");
    WorkFile::write_planes(&path, &[&Plane::filled(2, 1, 1.5)], WorkValues::Float32).unwrap();
    let bytes = fs::read(&path).unwrap();
    let (head, values) = bytes.split_at(128);
    let (values, hashes) = values.split_at(8);
    assert_eq!(hashes[..32], *blake3::hash(values).as_bytes());
    assert_eq!(
        hashes[32..],
        *blake3::hash(&[head, &hashes[..32]].concat()).as_bytes()
    );
    assert_eq!(
        String::from_utf8_lossy(head).trim_end(),
        r#"{"nightloom_work_file":3,"width":2,"height":1,"planes":1,"values":"float32"}"#
    );
    assert_eq!((head[127], values), (b'\n', &[0, 0, 192, 63, 0, 0, 192, 63][..]));
}

#[test]
fn bands_are_read_by_several_threads() {
    let folder = tempfile::tempdir().unwrap();
    let picture = picture(101, 60);
    let file = WorkFile::write_rgb(&folder.path().join("frame"), &picture).unwrap();
    std::thread::scope(|scope| {
        for plane in 0..3 {
            let (file, picture) = (&file, &picture);
            scope.spawn(move || {
                let mut band = vec![0.0; 101 * 7];
                for y0 in [53, 0, 20] {
                    file.read_rows(plane, y0, 7, &mut band).unwrap();
                    for (i, v) in band.iter().enumerate() {
                        let want = picture.planes()[plane].at(i % 101, y0 + i / 101);
                        assert!((v - want).abs() <= WORK_STEP);
                    }
                }
            });
        }
    });
}

#[test]
fn rows_that_do_not_exist_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let file = WorkFile::write_plane(&folder.path().join("frame"), &Plane::filled(4, 5, 0.5)).unwrap();
    let mut band = vec![0.0; 8];
    for (plane, y0, rows) in [(1, 0, 2), (0, 4, 2), (0, usize::MAX, 2), (0, 0, 1)] {
        assert!(matches!(
            file.read_rows(plane, y0, rows, &mut band),
            Err(WorkFileError::Range { .. })
        ));
    }
    assert!(matches!(file.read_rgb(), Err(WorkFileError::Range { .. })));
}

#[test]
fn a_damaged_scratch_file_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("frame");
    WorkFile::write_plane(&path, &Plane::filled(40, 50, 0.5)).unwrap();
    let whole = fs::read(&path).unwrap();
    let mut other = whole.clone();
    other[0] ^= 1;
    let mut huge = whole.clone();
    let at = whole.windows(12).position(|w| w == b"\"height\":50,").unwrap();
    huge.splice(at..at + 12, b"\"height\":18446744073709551615,".iter().copied());
    let huge = huge[..whole.len()].to_vec();
    let mut later = whole.clone();
    let at = whole.windows(3).position(|w| w == b":3,").unwrap();
    later[at + 1] = b'4';
    for bytes in [
        &whole[..whole.len() - 1],
        &whole[..20],
        &[],
        &other,
        &huge,
        &later,
    ] {
        fs::write(&path, bytes).unwrap();
        let error = WorkFile::open(&path).unwrap_err();
        assert!(matches!(error, WorkFileError::Damaged { .. }), "{error}");
        assert!(
            error.to_string().contains("frame") && error.to_string().contains("Delete it"),
            "{error}"
        );
    }
    fs::remove_file(&path).unwrap();
    assert!(matches!(WorkFile::open(&path), Err(WorkFileError::Io { .. })));
}

#[test]
fn a_source_that_fails_leaves_no_scratch_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("frame");
    let shape = WorkShape {
        width: 10,
        height: 10,
        planes: 3,
        values: WorkValues::Fixed16,
    };
    let failing = WorkFile::create(&path, shape, |plane, y, _| {
        if (plane, y) == (2, 5) {
            Err(std::io::Error::other("gone"))
        } else {
            Ok(())
        }
    });
    assert!(failing.is_err());
    assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn an_empty_frame_is_a_frame() {
    let folder = tempfile::tempdir().unwrap();
    let file = WorkFile::write_plane(&folder.path().join("frame"), &Plane::filled(0, 5, 0.0)).unwrap();
    assert_eq!(file.read_plane(0).unwrap().data().len(), 0);
}

/// Whatever byte of it changes: what is read is what was written, or it is told.
#[test]
fn a_flipped_bit_anywhere_is_told_when_its_rows_are_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("frame");
    // Three bands a plane.
    let picture = picture(4096, 300);
    WorkFile::write_rgb(&path, &picture).unwrap();
    let whole = fs::read(&path).unwrap();
    let good = WorkFile::open(&path).unwrap().read_rgb().unwrap();
    for k in 0..120 {
        let at = (k * whole.len() / 119).min(whole.len() - 1);
        let mut bytes = whole.clone();
        bytes[at] ^= 1 << (k % 8);
        fs::write(&path, &bytes).unwrap();
        let read = WorkFile::open(&path).and_then(|f| f.read_rgb());
        assert!(
            matches!(read, Err(WorkFileError::Damaged { .. })),
            "a flip at {at} of {} went through: {}",
            whole.len(),
            read.is_ok_and(|r| r == good)
        );
    }
    // Rows of other bands are still good.
    let mut bytes = whole.clone();
    bytes[128] ^= 1;
    fs::write(&path, &bytes).unwrap();
    let file = WorkFile::open(&path).unwrap();
    let mut row = vec![0.0; 4096];
    assert!(file.read_rows(0, 0, 1, &mut row).is_err());
    assert!(file.read_rows(0, 299, 1, &mut row).is_ok() && row == good.planes()[0].row(299));
}
