use nalgebra::Vector3;
use nightloom_sky::{Air, Angle, airmass_kasten_young, airmass_pickering, extinction_factor};

/// Bennett 1982 as tabulated by Meeus 1998, ch. 16 (0.5°), and computed from the formula.
#[test]
fn bennett() {
    const TOLERANCE_ARCMIN: f64 = 0.01;
    for (altitude, expected) in [(0.0, 34.48), (0.5, 28.754), (10.0, 5.392), (45.0, 0.995)] {
        let found = Air::default()
            .refraction_at_apparent(Angle::from_deg(altitude))
            .arcmin();
        assert!(
            (found - expected).abs() < TOLERANCE_ARCMIN,
            "{altitude}°: {found}′, expected {expected}′"
        );
    }
}

/// True 5, 10 and 15°: 9.67, 5.41, 3.67′, computed from Sæmundsson's formula.
#[test]
fn saemundsson() {
    const TOLERANCE_ARCMIN: f64 = 0.01;
    for (altitude, expected) in [(5.0, 9.67), (10.0, 5.41), (15.0, 3.67)] {
        let found = Air::default()
            .refraction_at_true(Angle::from_deg(altitude))
            .arcmin();
        assert!(
            (found - expected).abs() < TOLERANCE_ARCMIN,
            "{altitude}°: {found}′, expected {expected}′"
        );
    }
}

/// The two formulas undo each other to 0.1′ (Meeus 1998, ch. 16), from 3° up in thin cold air.
#[test]
fn bennett_undoes_saemundsson() {
    const TOLERANCE_ARCMIN: f64 = 0.1;
    let air = Air {
        pressure_hpa: 870.0,
        temperature_c: -5.0,
    };
    for tenth in 30..900 {
        let truth = Angle::from_deg(f64::from(tenth) / 10.0);
        let apparent = truth + air.refraction_at_true(truth);
        let off = (apparent - air.refraction_at_apparent(apparent) - truth)
            .arcmin()
            .abs();
        assert!(off < TOLERANCE_ARCMIN, "{}°: {off}′", truth.deg());
    }
}

/// Bennett's formula turned round is Bennett's formula: the bar is 0.1″ of the model named.
#[test]
fn lifted_by_bennett() {
    const TOLERANCE_ARCSEC: f64 = 0.0005;
    let thin = Air {
        pressure_hpa: 620.0,
        temperature_c: -20.0,
    };
    let none = Air {
        pressure_hpa: 0.0,
        temperature_c: 10.0,
    };
    for air in [Air::default(), thin, none] {
        let mut before = Angle::from_deg(-100.0);
        for step in 0..9600 {
            let truth = Angle::from_deg(-6.0 + f64::from(step) / 100.0);
            let seen = air.lifted_altitude(truth);
            let off = (seen - air.refraction_at_apparent(seen) - truth).arcsec().abs();
            assert!(off < TOLERANCE_ARCSEC, "{}°: {off}″", truth.deg());
            assert!(seen > before, "{}°", truth.deg());
            before = seen;
        }
    }
    // Apparent 0.5° (Meeus 1998, ch. 16: 28.754′), from the true altitude back.
    let seen = Air::default().lifted_altitude(Angle::from_deg(0.5) - Angle::from_arcmin(28.754));
    assert!((seen.deg() - 0.5).abs() < 1e-5, "{}°", seen.deg());
}

#[test]
fn there_and_back() {
    const TOLERANCE_ARCSEC: f64 = 0.001;
    let air = Air {
        pressure_hpa: 870.0,
        temperature_c: -5.0,
    };
    for tenth in 0..900 {
        let altitude = Angle::from_deg(f64::from(tenth) / 10.0);
        let direction = Vector3::new(0.6 * altitude.cos(), 0.8 * altitude.cos(), altitude.sin());
        let back = air.lower(&air.lift(&direction));
        let off = Angle::from_rad(back.cross(&direction).norm().asin()).arcsec();
        assert!(off < TOLERANCE_ARCSEC, "{}°: {off}″", altitude.deg());
        assert!((back.norm() - 1.0).abs() < 1e-12);
    }
}

/// Standard atmosphere (ISO 2533): 898.76 hPa at 1000 m, 794.95 at 2000 m.
#[test]
fn pressure_falls_with_height() {
    const TOLERANCE_HPA: f64 = 0.1;
    for (metres, expected) in [(0.0, 1013.25), (1000.0, 898.76), (2000.0, 794.95)] {
        let found = Air::at_elevation(metres, 0.0).pressure_hpa;
        assert!(
            (found - expected).abs() < TOLERANCE_HPA,
            "{metres} m: {found} hPa"
        );
    }
}

/// Computed from the published formulas (Pickering 2002; Kasten & Young 1989).
#[test]
fn airmass() {
    const TOLERANCE: f64 = 0.002;
    let table = [
        (30.0, 1.993, 1.994),
        (20.0, 2.900, 2.903),
        (10.0, 5.581, 5.586),
        (5.0, 10.33, 10.31),
        (0.0, 38.7, 37.9),
    ];
    for (altitude, pickering, kasten) in table {
        let at = Angle::from_deg(altitude);
        assert!(
            (airmass_pickering(at) / pickering - 1.0).abs() < TOLERANCE,
            "{altitude}°"
        );
        assert!(
            (airmass_kasten_young(at) / kasten - 1.0).abs() < TOLERANCE,
            "{altitude}°"
        );
    }
}

/// Five magnitudes are a factor of a hundred (Pogson 1856).
#[test]
fn extinction() {
    assert!((extinction_factor(0.25, 20.0) - 0.01).abs() < 1e-12);
    assert!((extinction_factor(0.0, 38.0) - 1.0).abs() < 1e-12);
}
