//! Nebulae, clusters, galaxies, star clouds: Messier's, and the large ones that short lenses frame.

use super::{Subject, SubjectKind, number, rows};
use crate::Angle;

/// Made by `data/make_subjects.py`, which says where each figure is from.
static TABLE: &str = include_str!("../../data/deep_sky.csv");

pub(super) fn subjects() -> impl Iterator<Item = Subject> {
    rows(TABLE, ';').map(|row| {
        let filled = |field: &'static str| field.split(',').filter(|name| !name.is_empty());
        let mut names = filled(row[1]).chain(filled(row[0]));
        let name = names.next().unwrap_or_default();
        let mut subject = Subject::at(name, kind(row[2]), number(row[3]), number(row[4])).also(names);
        let arcmin = |field: &str| field.parse().ok().map(Angle::from_arcmin);
        subject.size = arcmin(row[5]).map(|major| (major, arcmin(row[6]).unwrap_or(major)));
        subject.magnitude = row[7].parse().ok();
        subject
    })
}

/// The types of the source.
fn kind(code: &str) -> SubjectKind {
    match code {
        "G" => SubjectKind::Galaxy,
        "OCl" => SubjectKind::OpenCluster,
        "GCl" => SubjectKind::GlobularCluster,
        "PN" => SubjectKind::PlanetaryNebula,
        "SNR" => SubjectKind::SupernovaRemnant,
        "DrkN" => SubjectKind::DarkNebula,
        "*Ass" => SubjectKind::StarCloud,
        "**" => SubjectKind::DoubleStar,
        "Other" => SubjectKind::Asterism,
        _ => SubjectKind::Nebula,
    }
}
