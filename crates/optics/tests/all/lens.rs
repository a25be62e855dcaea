//! Lens projection against OpenCV and the published formulas.

use nalgebra::{Rotation3, Vector3};
use nightloom_optics::{Lens, Projection};

/// Pixels against OpenCV.
const PIXEL: f64 = 1e-6;
/// Angle after there and back, radians.
const ROUND_TRIP: f64 = 1e-10;

const ALL: [Projection; 5] = [
    Projection::Rectilinear,
    Projection::Equidistant,
    Projection::Equisolid,
    Projection::Stereographic,
    Projection::Orthographic,
];

fn lens(projection: Projection, radial: [f64; 3]) -> Lens {
    Lens {
        projection,
        focal_px: 1000.0,
        centre_px: [500.0, 300.0],
        radial,
    }
}

fn direction(theta: f64, phi: f64) -> Vector3<f64> {
    Vector3::new(theta.sin() * phi.cos(), theta.sin() * phi.sin(), theta.cos())
}

/// OpenCV's `projectPoints` and `fisheye.projectPoints`; `tests/reference/make_lenses.py`.
#[test]
fn agrees_with_opencv() {
    let text = include_str!("../reference/lenses.csv");
    let mut count = 0;
    for line in text.lines().filter(|l| !l.starts_with('#')).skip(1) {
        let (name, rest) = line.split_once(',').unwrap();
        let v: Vec<f64> = rest.split(',').map(|v| v.parse().unwrap()).collect();
        let projection = if name == "rectilinear" {
            Projection::Rectilinear
        } else {
            Projection::Equidistant
        };
        let lens = Lens {
            projection,
            focal_px: v[0],
            centre_px: [v[1], v[2]],
            radial: [v[3], v[4], v[5]],
        };
        let d = Vector3::new(v[6], v[7], v[8]);
        let [x, y] = lens.project(&d).unwrap();
        assert!(
            (x - v[9]).abs() < PIXEL && (y - v[10]).abs() < PIXEL,
            "({x}, {y}) against {line}"
        );
        let back = lens.unproject([v[9], v[10]]).unwrap();
        assert!((back.into_inner() - d).norm() < 1e-9, "{back:?} against {line}");
        count += 1;
    }
    assert_eq!(count, 90);
}

/// r/f at 30°, 60° and 80° by the formulas of Schneider, Schwalbe & Maas 2009 (ISPRS J. 64, 259),
/// cited from memory: tan θ, θ, 2 sin(θ/2), 2 tan(θ/2), sin θ; values worked out to eight figures.
#[test]
fn fisheye_projections_follow_their_formulas() {
    let expected = [
        [0.577_350_27, 1.732_050_81, 5.671_281_82],
        [
            std::f64::consts::FRAC_PI_6,
            std::f64::consts::FRAC_PI_3,
            1.396_263_40,
        ],
        [0.517_638_09, 1.0, 1.285_575_22],
        [0.535_898_38, 1.154_700_54, 1.678_199_26],
        [0.5, 0.866_025_40, 0.984_807_75],
    ];
    for (projection, radii) in ALL.into_iter().zip(expected) {
        for (theta_deg, radius) in [30.0f64, 60.0, 80.0].into_iter().zip(radii) {
            let [x, y] = lens(projection, [0.0; 3])
                .project(&direction(theta_deg.to_radians(), 0.0))
                .unwrap();
            assert!(
                ((x - 500.0) / 1000.0 - radius).abs() < 1e-8,
                "{projection:?} at {theta_deg}°: {x}"
            );
            assert!((y - 300.0).abs() < 1e-9);
        }
    }
}

#[test]
fn axes_point_right_and_down() {
    let lens = lens(Projection::Rectilinear, [0.0; 3]);
    let at = |x, y| lens.project(&Vector3::new(x, y, 1.0)).unwrap();
    assert_eq!(at(0.0, 0.0), [500.0, 300.0]);
    assert!(at(0.1, 0.0)[0] > 500.0 && at(-0.1, 0.0)[0] < 500.0);
    assert!(at(0.0, 0.1)[1] > 300.0 && at(0.0, -0.1)[1] < 300.0);
}

#[test]
fn there_and_back() {
    for projection in ALL {
        for radial in [[0.0; 3], [-0.06, 0.01, -0.001], [0.04, 0.0, 0.0]] {
            let lens = lens(projection, radial);
            for theta_deg in [0.0f64, 0.001, 5.0, 20.0, 38.0, 50.0] {
                for phi in [0.0, 1.0, 2.5, 4.0] {
                    let d = direction(theta_deg.to_radians(), phi);
                    let pixel = lens.project(&d).unwrap();
                    let back = lens.unproject(pixel).unwrap();
                    assert!(
                        (back.into_inner() - d).norm() < ROUND_TRIP,
                        "{projection:?} {radial:?} {theta_deg}°"
                    );
                }
            }
        }
    }
}

#[test]
fn what_the_lens_does_not_reach_is_none() {
    let rectilinear = lens(Projection::Rectilinear, [0.0; 3]);
    assert!(rectilinear.project(&Vector3::new(0.0, 0.1, -1.0)).is_none());
    assert!(
        lens(Projection::Orthographic, [0.0; 3])
            .unproject([1600.0, 300.0])
            .is_none()
    );
    assert!(
        lens(Projection::Equisolid, [0.0; 3])
            .unproject([2600.0, 300.0])
            .is_none()
    );
    // r (1 − 0.2 r²) turns back at r = 1.29: beyond, two directions would share a pixel.
    let folded = lens(Projection::Rectilinear, [-0.2, 0.0, 0.0]);
    assert!(folded.project(&direction(1.29f64.atan() + 0.05, 0.0)).is_none());
    assert!(folded.unproject([500.0 + 900.0, 300.0]).is_none());
    assert!(folded.project(&direction(1.2f64.atan(), 0.0)).is_some());
}

/// Scale of 206.265 p/f arcsec per pixel at the centre; a rectilinear lens stretches by sec θ
/// across and sec² θ along the radius.
#[test]
fn pixel_scale_at_centre_and_edge() {
    // 24 mm on 5.95 µm pixels.
    let focal_px = 24_000.0 / 5.95;
    let lens = Lens::rectilinear(focal_px, 6000, 4000);
    let scale = |theta: f64, turn: Rotation3<f64>| {
        let d = direction(theta, 0.0);
        let (a, b) = (lens.project(&d).unwrap(), lens.project(&(turn * d)).unwrap());
        turn.angle().to_degrees() * 3600.0 * (theta.sin().max(1e-12)) / ((a[0] - b[0]).hypot(a[1] - b[1]))
    };
    let along = |theta: f64| {
        let (a, b) = (
            lens.project(&direction(theta - 5e-6, 0.0)).unwrap(),
            lens.project(&direction(theta + 5e-6, 0.0)).unwrap(),
        );
        1e-5f64.to_degrees() * 3600.0 / (a[0] - b[0]).abs()
    };
    let centre = 206.265 * 5.95 / 24.0;
    assert!((along(1e-4) / centre - 1.0).abs() < 1e-5);
    let theta = 36.87f64.to_radians();
    assert!((along(theta) * theta.cos().powi(-2) / centre - 1.0).abs() < 1e-5);
    let across = scale(theta, Rotation3::from_axis_angle(&Vector3::z_axis(), 1e-5));
    assert!((across / theta.cos() / centre - 1.0).abs() < 1e-5, "{across}");
}
