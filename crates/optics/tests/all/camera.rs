//! Scale and field of view anywhere in the frame.

use nalgebra::Vector3;
use nightloom_optics::{Camera, Lens, Projection, SENSOR_FORMATS, SensorFormat, level};

const ALL: [Projection; 5] = [
    Projection::Rectilinear,
    Projection::Equidistant,
    Projection::Equisolid,
    Projection::Stereographic,
    Projection::Orthographic,
];

/// Published: s = 206.265 p/f at the centre; a rectilinear lens stretches by sec θ across and sec² θ
/// along the radius.
#[test]
fn scale_of_a_rectilinear_lens() {
    let camera = Camera::new(Projection::Rectilinear, 24.0, 5.95, [36.0, 24.0]).unwrap();
    let centre = camera.lens.scale_at(camera.lens.centre_px).unwrap();
    let want = 206.264_806 * 5.95 / 24.0;
    assert!((centre.radial.arcsec() / want - 1.0).abs() < 1e-8);
    assert!((centre.tangential.arcsec() / want - 1.0).abs() < 1e-8);
    let corner = camera.corners()[3];
    let cos = camera.lens.angle_off_axis(corner).unwrap().cos();
    let scale = camera.lens.scale_at(corner).unwrap();
    assert!((scale.radial.arcsec() / (want * cos * cos) - 1.0).abs() < 1e-8);
    assert!((scale.tangential.arcsec() / (want * cos) - 1.0).abs() < 1e-8);
}

/// Against differences of `unproject`, for every projection with distortion.
#[test]
fn scale_is_the_derivative_of_the_projection() {
    const STEP_PX: f64 = 0.01;
    let mut compared = 0;
    for projection in ALL {
        for radial in [[0.0; 3], [-0.05, 0.01, 0.0], [0.04, 0.0, 0.0]] {
            let lens = Lens {
                projection,
                focal_px: 2000.0,
                centre_px: [1500.0, 1000.0],
                radial,
            };
            for at in [
                [1500.0, 1000.0],
                [1600.0, 1000.0],
                [2700.0, 200.0],
                [10.0, 1990.0],
            ] {
                let scale = lens.scale_at(at).unwrap();
                let (dx, dy) = (at[0] - 1500.0, at[1] - 1000.0);
                let r: f64 = f64::hypot(dx, dy);
                let (ux, uy) = if r > 0.0 { (dx / r, dy / r) } else { (1.0, 0.0) };
                let measured = |x: f64, y: f64| {
                    let there = |k: f64| {
                        lens.unproject([at[0] + k * x * STEP_PX, at[1] + k * y * STEP_PX])
                            .unwrap()
                    };
                    (there(0.5).into_inner() - there(-0.5).into_inner()).norm() / STEP_PX
                };
                assert!(
                    (measured(ux, uy) / scale.radial.rad() - 1.0).abs() < 1e-6,
                    "{lens:?} {at:?}"
                );
                assert!(
                    (measured(-uy, ux) / scale.tangential.rad() - 1.0).abs() < 1e-6,
                    "{lens:?} {at:?}"
                );
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 60);
    // Beyond the image circle there is no scale.
    let lens = Lens {
        projection: Projection::Orthographic,
        ..Lens::rectilinear(500.0, 3000, 2000)
    };
    assert!(lens.scale_at([0.0, 0.0]).is_none());
}

/// Angles of view of 36 × 24 mm: 2 atan(d/2f), as every lens maker prints them (24 mm: 84° across the
/// corners, 74° by 53°); an equidistant fisheye of 15 mm has 43.27/15 radians: 165°.
#[test]
fn field_of_view() {
    let field = |projection, focal| {
        Camera::new(projection, focal, 4.3, [36.0, 24.0])
            .unwrap()
            .field_of_view()
    };
    let wide = field(Projection::Rectilinear, 24.0);
    for (got, want) in [(wide.width, 73.74), (wide.height, 53.13), (wide.diagonal, 84.06)] {
        assert!((got.unwrap().deg() - want).abs() < 0.005, "{got:?}");
    }
    let fisheye = field(Projection::Equidistant, 15.0).diagonal.unwrap();
    assert!((fisheye.deg() - (1300f64.sqrt() * 1.2).to_degrees() / 15.0).abs() < 1e-9);
    // A circular fisheye ends within the picture.
    let circular = field(Projection::Orthographic, 8.0);
    assert!(circular.width.is_none() && circular.diagonal.is_none());
}

#[test]
fn a_crop_sees_what_it_saw() {
    let camera = Camera::new(Projection::Equisolid, 15.0, 6.0, [36.0, 24.0]).unwrap();
    let part = camera.cropped(1000.0, 500.0, 2000.0, 1500.0);
    let (whole, cut) = (
        camera.lens.unproject([1700.0, 900.0]).unwrap(),
        part.lens.unproject([700.0, 400.0]).unwrap(),
    );
    assert!((whole.into_inner() - cut.into_inner()).norm() < 1e-12);
    assert_eq!(part.corners()[3], [1999.5, 1499.5]);
    assert!((part.focal_mm() - 15.0).abs() < 1e-12);
}

/// Crop factors as the trade calls them.
#[test]
fn formats_are_found_by_name() {
    for (name, factor) in [
        ("full-frame", 1.0),
        ("APS-C", 1.5),
        ("aps-c-1.6", 1.6),
        ("four-thirds", 2.0),
        ("one-inch", 2.7),
        ("aps-h", 1.3),
        ("medium-format", 0.79),
    ] {
        let format = SensorFormat::named(name).unwrap();
        let crop_factor = 36f64.hypot(24.0) / format.width_mm.hypot(format.height_mm);
        assert!((crop_factor - factor).abs() < 0.05, "{name}: {crop_factor}");
    }
    assert!(SensorFormat::named("huge").is_none());
    assert!(SENSOR_FORMATS.windows(2).all(|w| w[0].width_mm > w[1].width_mm));
}

/// Facing north: east is right, up is up. The same east, and straight up.
#[test]
fn a_level_camera_has_its_top_up() {
    for (forward, right) in [
        (Vector3::y(), Vector3::x()),
        (Vector3::x(), -Vector3::y()),
        (Vector3::new(0.0, 1.0, 1.0), Vector3::x()),
        (Vector3::z(), Vector3::x()),
    ] {
        let camera = level(&forward);
        assert!((camera * forward.normalize() - Vector3::z()).norm() < 1e-12);
        assert!((camera * right - Vector3::x()).norm() < 1e-12);
        assert!((camera.matrix().determinant() - 1.0).abs() < 1e-12);
        let up = camera * Vector3::z();
        assert!(up.x.abs() < 1e-12 && up.y <= 1e-12, "{up:?}");
    }
}
