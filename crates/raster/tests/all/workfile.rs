//! Scratch files: what goes in comes out, to the step that is promised.

use std::fs;

use nightloom_raster::workfile::{WORK_MAX, WORK_MIN, WORK_STEP};
use nightloom_raster::{Plane, Rgb, WorkFile, WorkFileError};

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
    huge[8..32].fill(0xff);
    for bytes in [&whole[..whole.len() - 1], &whole[..20], &[], &other, &huge] {
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
    let failing = WorkFile::create(&path, 10, 10, 3, |plane, y, _| {
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
