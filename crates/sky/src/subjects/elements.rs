//! The user's own comet, by the elements that circulars give.

use jiff::civil::Date;

use super::{Subject, SubjectError};
use crate::{Angle, CometOrbit, Target};

/// The elements and what each is, in the order in which circulars give them.
const ELEMENTS: [(&str, &str); 6] = [
    (
        "T",
        "the passage through perihelion, like 2026-10-05.31 or a Julian date",
    ),
    ("q", "the perihelion distance in au, like 0.87"),
    ("e", "the eccentricity, like 0.998"),
    ("peri", "the argument of perihelion in degrees"),
    ("node", "the longitude of the ascending node in degrees"),
    ("i", "the inclination in degrees"),
];

/// `NAME T=2026-10-05.31 q=0.87 e=0.998 peri=12.3 node=210.4 i=45.6` (TT; ecliptic and equinox J2000.0), in any
/// order, also with commas between; none where no element is given.
pub(super) fn comet(query: &str) -> Option<Result<Subject, SubjectError>> {
    let words = || {
        query
            .split(|c: char| c.is_whitespace() || c == ',')
            .filter(|w| !w.is_empty())
    };
    let given: Vec<(&str, &str)> = words().filter_map(|w| w.split_once('=')).collect();
    if given.is_empty() {
        return None;
    }
    let name = words().filter(|w| !w.contains('=')).collect::<Vec<_>>().join(" ");
    let name = if name.is_empty() { "comet".to_owned() } else { name };
    let orbit = elements(&given);
    Some(match orbit {
        Ok(orbit) => Ok(Subject::own(name, Target::Comet(orbit))),
        Err(problem) => Err(SubjectError::Orbit { name, problem }),
    })
}

fn elements(given: &[(&str, &str)]) -> Result<CometOrbit, String> {
    let is = |key: &str, wanted: &str| key.eq_ignore_ascii_case(wanted);
    if let Some((key, _)) = given
        .iter()
        .find(|(k, _)| !ELEMENTS.iter().any(|(e, _)| is(k, e)))
    {
        let names = ELEMENTS.map(|(name, _)| name).join(", ");
        return Err(format!("“{key}” is no element; expected {names}"));
    }
    let mut values = [0.0; ELEMENTS.len()];
    for (value, (name, what)) in values.iter_mut().zip(ELEMENTS) {
        let text = given.iter().find(|(k, _)| is(k, name)).map(|(_, v)| *v);
        let text = text.ok_or_else(|| format!("{name} is missing: {what}"))?;
        let number = if name == "T" {
            julian_date(text)
        } else {
            text.parse().ok()
        };
        *value = number
            .filter(|v: &f64| v.is_finite())
            .ok_or_else(|| format!("{name} is “{text}”; expected {what}"))?;
    }
    let [
        perihelion_jd_tdb,
        perihelion_au,
        eccentricity,
        peri,
        node,
        inclination,
    ] = values;
    let orbit = CometOrbit {
        perihelion_au,
        eccentricity,
        inclination: Angle::from_deg(inclination),
        ascending_node: Angle::from_deg(node),
        argument_of_perihelion: Angle::from_deg(peri),
        perihelion_jd_tdb,
    };
    orbit.checked().map_err(|e| e.to_string())
}

/// A Julian date, or a calendar date with a fraction of a day.
fn julian_date(text: &str) -> Option<f64> {
    if let Ok(number) = text.parse() {
        return Some(number);
    }
    let (whole, fraction) = match text.split_once('.') {
        Some((date, digits)) => (date, format!("0.{digits}").parse().ok()?),
        None => (text, 0.0),
    };
    let date: Date = whole.parse().ok()?;
    let epoch = Date::new(1970, 1, 1).ok()?;
    let days = date.since(epoch).ok()?.get_days();
    Some(2_440_587.5 + f64::from(days) + fraction)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JD 2451544.5 is 2000 January 1.0 (Meeus 1998, ch. 7).
    #[test]
    fn perihelion_by_calendar_and_by_julian_date() {
        assert_eq!(julian_date("2000-01-01.5"), Some(2_451_545.0));
        assert_eq!(julian_date("1987-01-27"), Some(2_446_822.5));
        assert_eq!(julian_date("2446822.5"), Some(2_446_822.5));
        assert_eq!(julian_date("soon"), None);
    }

    #[test]
    fn a_comet_by_its_elements() {
        let own = comet("C/2026 X1, T=2026-10-05.31, q=0.87 e=0.998 peri=12.3 node=210.4 i=45.6");
        let own = own.expect("elements are given").expect("an orbit");
        assert_eq!(own.name, "C/2026 X1");
        let instant = "2026-10-05T00:00:00Z".parse().expect("an instant");
        let Ok(Target::Comet(orbit)) = own.target_at(instant) else {
            panic!("no comet");
        };
        assert_eq!((orbit.perihelion_au, orbit.eccentricity), (0.87, 0.998));
        assert!((orbit.ascending_node.deg() - 210.4).abs() < 1e-12);
    }

    #[test]
    fn what_is_wrong_is_said() {
        let problem = |query: &str| match comet(query) {
            Some(Err(e)) => e.to_string(),
            other => panic!("{query}: {other:?}"),
        };
        assert!(problem("X q=0.87 e=0.998 peri=12 node=210 i=45").contains("T is missing"));
        assert!(problem("X T=soon q=0.87 e=0.9 peri=1 node=2 i=3").contains("T is “soon”"));
        assert!(problem("X T=2460000 q=-1 e=0.9 peri=1 node=2 i=3").contains("expected"));
        assert!(problem("X a=3").contains("no element"));
        assert!(comet("veil").is_none());
    }
}
