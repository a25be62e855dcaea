//! Subjects: names, places, boundaries, the Milky Way, the ecliptic, showers, against outside tables.

use nalgebra::{UnitVector3, Vector3};
use nightloom_sky::subjects::zodiacal::{point_of_ecliptic, solar_longitude};
use nightloom_sky::subjects::{
    Subject, SubjectError, SubjectKind, all, boundaries, constellations, find, milky_way, search, showers,
};
use nightloom_sky::{Angle, Instant, Site, SolarBody, Star, Target};

use crate::table::rows;

const ARCSEC_DEG: f64 = 1.0 / 3600.0;

fn direction(ra_deg: f64, dec_deg: f64) -> UnitVector3<f64> {
    let (ra, dec) = (ra_deg.to_radians(), dec_deg.to_radians());
    UnitVector3::new_normalize(Vector3::new(
        dec.cos() * ra.cos(),
        dec.cos() * ra.sin(),
        dec.sin(),
    ))
}

fn now() -> Instant {
    "2026-08-13T00:00:00Z".parse().unwrap()
}

fn star_of(subject: &Subject) -> Star {
    match subject.target_at(now()).unwrap() {
        Target::Star(star) => star,
        other => panic!("{} is {other:?}", subject.name),
    }
}

/// Right ascension and declination, degrees.
fn place(subject: &Subject) -> (f64, f64) {
    let star = star_of(subject);
    (star.right_ascension.deg(), star.declination.deg())
}

fn separation_deg(a: (f64, f64), b: (f64, f64)) -> f64 {
    let (a, b) = (direction(a.0, a.1), direction(b.0, b.1));
    a.cross(&b).norm().atan2(a.dot(&b)).to_degrees()
}

fn site(row: &[f64]) -> Site {
    Site::new(row[0], row[1], 0.0).unwrap()
}

fn degrees_apart(a: f64, b: f64) -> f64 {
    Angle::from_deg(a - b).wrapped_180().deg().abs()
}

#[test]
fn constellations_are_the_88_and_lie_around_their_names() {
    assert_eq!(constellations::all().len(), 88);
    for c in constellations::all() {
        let label = direction(c.right_ascension.deg(), c.declination.deg());
        assert_eq!(
            boundaries::constellation_of(&label).unwrap().abbreviation,
            c.abbreviation
        );
        assert_eq!(find(c.name).unwrap().name, c.name);
        assert!((10.0..130.0).contains(&c.extent.deg()), "{}", c.name);
    }
    // Spellings of the IAU's list that copies get wrong.
    for name in [
        "Chamaeleon",
        "Ophiuchus",
        "Piscis Austrinus",
        "Boötes",
        "Canes Venatici",
    ] {
        assert!(constellations::all().iter().any(|c| c.name == name), "{name}");
    }
}

/// Against astropy on 2400 random places, no aberration in them: none may differ.
#[test]
fn boundaries_agree_with_astropy() {
    let table = include_str!("../reference/boundaries.csv");
    let mut count = 0;
    for line in table.lines().filter(|l| !l.starts_with('#')).skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let at = direction(cells[0].parse().unwrap(), cells[1].parse().unwrap());
        assert_eq!(
            boundaries::constellation_of(&at).unwrap().abbreviation,
            cells[2],
            "{line}"
        );
        count += 1;
    }
    assert_eq!(count, 2400);
}

#[test]
fn every_row_of_the_tables_is_whole() {
    for subject in all() {
        assert!(!subject.name.is_empty(), "{subject:?}");
        if let Target::Star(star) = subject.target_at(now()).unwrap() {
            let (ra, dec) = (star.right_ascension.deg(), star.declination.deg());
            assert!(
                (0.0..=360.0).contains(&ra) && (-90.0..=90.0).contains(&dec),
                "{subject:?}"
            );
        }
        if let Some((major, minor)) = subject.size {
            assert!(major.rad() >= minor.rad() && minor.rad() > 0.0, "{subject:?}");
        }
        assert!(
            subject.magnitude.is_none_or(|m| (-2.0..13.0).contains(&m)),
            "{subject:?}"
        );
        // Its own name leads back to it.
        assert_eq!(find(&subject.name).unwrap().name, subject.name);
    }
    let count = |kind: SubjectKind| all().iter().filter(|s| s.kind == kind).count();
    assert_eq!(
        (count(SubjectKind::Planet), count(SubjectKind::Constellation)),
        (7, 88)
    );
    assert_eq!(count(SubjectKind::Star), 369);
    for n in 1..=110 {
        let messier = find(&format!("M{n}")).unwrap();
        assert!(
            messier.name == format!("M {n}") || messier.also.contains(&format!("M {n}")),
            "{messier:?}"
        );
    }
}

/// OpenNGC's places, to the last digit that is embedded.
#[test]
fn deep_sky_places_agree_with_the_source() {
    let table = rows(include_str!("../reference/deep_sky_sample.csv"));
    assert!(table.len() > 20);
    for (designation, source) in table {
        let off = separation_deg(place(&find(&designation).unwrap()), (source[0], source[1]));
        assert!(off < 0.5 * ARCSEC_DEG, "{designation} is {off}° off");
    }
}

/// The IAU's file gives these at J2000 (ICRS); the catalogue's epoch is 1991.25, so motion over 8.75 years is taken off.
#[test]
fn named_stars_stand_where_the_iau_has_them() {
    for (name, ra, dec) in [
        ("Betelgeuse", 88.792_939, 7.407_064),
        ("Polaris", 37.954_561, 89.264_109),
        ("Rigil Kentaurus", 219.902_066, -60.833_975),
        ("Vega", 279.234_735, 38.783_689),
        ("Acrux", 186.649_563, -63.099_093),
        ("Zubeneschamali", 229.251_724, -9.382_914),
        ("Polaris Australis", 317.195_164, -88.956_499),
        ("Wurren", 17.096_173, -55.245_758),
    ] {
        let star = star_of(&find(name).unwrap());
        let years = 2000.0 - star.epoch;
        let dec_then = star.declination.deg() + star.motion_north.deg() * years;
        let ra_then = star.right_ascension.deg() + star.motion_east.deg() * years / star.declination.cos();
        let off = separation_deg((ra_then, dec_then), (ra, dec));
        // The nearest star's orbit about its companion is not in the motion.
        assert!(off < 1.0 * ARCSEC_DEG, "{name} is {}″ off", off * 3600.0);
    }
}

#[test]
fn the_search_forgives_spelling() {
    for (query, name) in [
        ("m31", "Andromeda Galaxy"),
        ("M 31", "Andromeda Galaxy"),
        ("messier 31", "Andromeda Galaxy"),
        ("Messier031", "Andromeda Galaxy"),
        ("ngc7000", "North America Nebula"),
        ("NGC 7000", "North America Nebula"),
        ("north america", "North America Nebula"),
        ("the north-america nebula", "North America Nebula"),
        ("NGC0224", "Andromeda Galaxy"),
        ("ic 434", "Horsehead Region"),
        ("Barnard 33", "Horsehead Nebula"),
        ("b33", "Horsehead Nebula"),
        ("sh2-276", "Barnard's Loop"),
        ("barnards loop", "Barnard's Loop"),
        ("Mel 22", "Pleiades"),
        ("seven sisters", "Pleiades"),
        ("alpha orionis", "Betelgeuse"),
        ("Alpha Ori", "Betelgeuse"),
        ("alf ori", "Betelgeuse"),
        ("α Ori", "Betelgeuse"),
        ("BETELGEUSE", "Betelgeuse"),
        ("θ¹ Eri", "Acamar"),
        ("theta1 eridani", "Acamar"),
        ("alpha centauri", "Rigil Kentaurus"),
        ("ξ UMi", ""),
        ("gamma cas", "gamma Cassiopeiae"),
        ("80 UMa", "Alcor"),
        ("HIP 11767", "Polaris"),
        ("hip11767", "Polaris"),
        ("pole star", "Polaris"),
        ("bootes", "Boötes"),
        ("BOÖTES", "Boötes"),
        ("UMa", "Ursa Major"),
        ("Milky Way core", "Milky Way core"),
        ("milky way", "Milky Way core"),
        ("galactic center", "Milky Way core"),
        ("Jupiter", "Jupiter"),
        ("the moon", "Moon"),
        ("perseids", "Perseids"),
        ("η-Aquariids", "eta Aquariids"),
        ("southern cross", "Crux"),
        ("orions belt", "Orion's Belt"),
        ("LMC", "Large Magellanic Cloud"),
        ("rosette", "Rosette Nebula"),
        ("zodiacal light", "Zodiacal light, evening"),
    ] {
        match find(query) {
            Ok(subject) => assert_eq!(subject.name, name, "{query}"),
            Err(error) => assert!(name.is_empty(), "{query}: {error}"),
        }
    }
}

#[test]
fn an_unknown_name_offers_the_nearest() {
    for (query, expected) in [
        ("Betelguese", "Betelgeuse"),
        ("Andromida", "Andromeda"),
        ("Plejades", "Pleiades"),
        ("Calfornia Nebula", "California Nebula"),
        ("Persieds", "Perseids"),
        ("Jupter", "Jupiter"),
        ("Cassiop", "Cassiopeia"),
        ("NGC 7001", "North America Nebula"),
    ] {
        let error = find(query).unwrap_err();
        let SubjectError::Unknown { nearest, .. } = &error else {
            panic!("{query}: {error}")
        };
        assert!(nearest.iter().any(|n| n == expected), "{query}: {nearest:?}");
        assert!(nearest.len() <= 5 && error.to_string().contains(query), "{error}");
    }
    let lost = find("qqqqqqqqqqqq").unwrap_err().to_string();
    assert!(lost.contains("RA,DEC"), "{lost}");
    assert_eq!(find("  "), Err(SubjectError::Empty));
    assert_eq!(find("HIP 999999"), Err(SubjectError::Star { hip: 999_999 }));
}

#[test]
fn coordinates_and_numbers_of_stars_are_taken() {
    let own = find("83.822, −5.39").unwrap();
    assert_eq!(own.kind, SubjectKind::Own);
    assert!(separation_deg(place(&own), (83.822, -5.39)) < 1e-9);
    for wrong in ["361,0", "10,91", "-1,5", "nan,5"] {
        let error = find(wrong).unwrap_err();
        assert!(
            matches!(error, SubjectError::Coordinates { .. }),
            "{wrong}: {error}"
        );
    }
    // 61 Cygni A is not named, and is embedded.
    let plain = find("HIP 104214").unwrap();
    assert!(separation_deg(place(&plain), (316.725, 38.749)) < 0.02);
    assert_eq!(
        find("Mars").unwrap().target_at(now()).unwrap(),
        Target::Body(SolarBody::Mars)
    );
}

#[test]
fn the_list_can_be_narrowed() {
    assert_eq!(search("").len(), all().len());
    let veils: Vec<&str> = search("veil").iter().map(|s| s.name.as_str()).collect();
    assert_eq!(
        veils,
        ["Western Veil Nebula", "Eastern Veil Nebula", "Veil Nebula"]
    );
    assert!(search("M 31").iter().any(|s| s.name == "Andromeda Galaxy"));
    assert!(search("nothing of the kind").is_empty());
}

#[test]
fn galactic_coordinates_agree_with_astropy() {
    for line in include_str!("../reference/galactic.csv")
        .lines()
        .filter(|l| !l.starts_with('#'))
        .skip(1)
    {
        let v: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
        let back = milky_way::from_galactic(Angle::from_deg(v[2]), Angle::from_deg(v[3]));
        let off = back.cross(&direction(v[0], v[1])).norm().to_degrees();
        // astropy goes by way of FK5, whose axes are 0.02″ off.
        assert!(off < 0.05 * ARCSEC_DEG, "{line}: {}″", off * 3600.0);
    }
}

/// astropy's AltAz without air has aberration in it, 20.5″ at most; the search for the highest point steps by 0.01°.
#[test]
fn the_arch_stands_where_astropy_has_it() {
    const PLACE_DEG: f64 = 21.0 * ARCSEC_DEG;
    const LEAN_DEG: f64 = 0.2;
    for (utc, v) in rows(include_str!("../reference/arch.csv")) {
        let arch = milky_way::Arch::new(&site(&v).ground_from_icrs(utc.parse().unwrap()));
        for (longitude, at) in [(0.0, 2), (100.0, 4)] {
            let point = arch.point(Angle::from_deg(longitude));
            let off = separation_deg((point.azimuth.deg(), point.altitude.deg()), (v[at + 1], v[at]));
            assert!(off < PLACE_DEG, "{utc} {longitude}: {off}°");
        }
        let highest = arch.highest();
        assert!((highest.altitude.deg() - v[7]).abs() < PLACE_DEG, "{utc}");
        // Near its top the arch is flat: where along it the top is, is known less well by what the altitude is uncertain by.
        assert!(
            degrees_apart(highest.longitude.deg(), v[6]) < 0.1,
            "{utc}: {highest:?}"
        );
        let lean = arch.lean(Angle::default()).deg();
        assert!(
            ((lean - v[9] + 90.0).rem_euclid(180.0) - 90.0).abs() < LEAN_DEG,
            "{utc}: {lean} instead of {}",
            v[9]
        );
        let (one, other) = arch.feet();
        assert!((degrees_apart(one.deg(), other.deg()) - 180.0).abs() < 1e-9);
        assert!(
            (degrees_apart(one.deg(), highest.azimuth.deg()) - 90.0).abs() < 1e-6,
            "{utc}"
        );
        let count = arch.points(360).filter(|p| p.altitude.rad() > 0.0).count();
        assert!((179..=181).contains(&count), "half of a great circle is up");
    }
}

#[test]
fn the_core_is_where_the_radio_source_is() {
    // Sagittarius A* in the galactic frame: l 359.9442°, b −0.0462° (Reid & Brunthaler 2004).
    let core = milky_way::galactic_from_icrs() * milky_way::core();
    let longitude = core.y.atan2(core.x).to_degrees().rem_euclid(360.0);
    assert!(degrees_apart(longitude, 359.944_2) < 1e-4);
    assert!((core.z.asin().to_degrees() + 0.046_2).abs() < 1e-4);
}

#[test]
fn the_ecliptic_stands_where_astropy_has_it() {
    // The sun by the same theory; aberration of the compared points, 20.5″; steps of 0.01° along the ecliptic.
    const SUN_DEG: f64 = 1.0 * ARCSEC_DEG;
    const PLACE_DEG: f64 = 21.0 * ARCSEC_DEG;
    for (utc, v) in rows(include_str!("../reference/ecliptic.csv")) {
        let instant: Instant = utc.parse().unwrap();
        let longitude = solar_longitude(instant).unwrap().deg();
        assert!(
            degrees_apart(longitude, v[2]) < SUN_DEG,
            "{utc}: {longitude} instead of {}",
            v[2]
        );
        let ground = site(&v).ground_from_icrs(instant);
        let here = ground * point_of_ecliptic(instant, Angle::from_deg(45.0)).unwrap();
        let seen = (here.x.atan2(here.y).to_degrees(), here.z.asin().to_degrees());
        let off = separation_deg(seen, (v[6], v[5]));
        assert!(off < PLACE_DEG, "{utc}: {off}°");
    }
}

#[test]
fn showers_are_at_their_height_and_wander_as_published() {
    let on = |text: &str| text.parse::<Instant>().unwrap();
    // IMO, 2026 calendar, table 5: the day of the maximum, by the sun's longitude.
    for (code, day) in [
        ("QUA", "2026-01-03"),
        ("LYR", "2026-04-22"),
        ("PER", "2026-08-13"),
        ("ORI", "2026-10-21"),
        ("GEM", "2026-12-14"),
    ] {
        let shower = showers::all().iter().find(|s| s.code == code).unwrap();
        let noon = solar_longitude(on(&format!("{day}T12:00:00Z"))).unwrap();
        assert!(
            degrees_apart(noon.deg(), shower.maximum.deg()) < 0.6,
            "{code}: {noon:?}"
        );
        let Target::Star(radiant) = shower.radiant_at(on(&format!("{day}T12:00:00Z"))).unwrap() else {
            panic!()
        };
        let peak = (shower.right_ascension.deg(), shower.declination.deg());
        let off = separation_deg((radiant.right_ascension.deg(), radiant.declination.deg()), peak);
        assert!(off < 0.6, "{code}: {off}°");
    }
    // IMO's table of drifts has the Perseids at 37°, +56° on Aug 5 (from memory): 8 days and 6° before the maximum.
    let perseids = showers::all().iter().find(|s| s.code == "PER").unwrap();
    let Target::Star(early) = perseids.radiant_at(on("2026-08-05T12:00:00Z")).unwrap() else {
        panic!()
    };
    let off = separation_deg(
        (early.right_ascension.deg(), early.declination.deg()),
        (37.0, 56.0),
    );
    assert!(off < 1.5, "{off}° at {early:?}");
    assert!(showers::all().len() >= 30 && showers::all().iter().filter(|s| s.read_in_source).count() == 12);
}
