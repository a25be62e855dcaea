//! `nightloom new`.

use std::path::PathBuf;

use clap::Args;
use jiff::civil::Date;
use nightloom_outing::evening::subject_names;
use nightloom_outing::shelf::{as_filled, rig_text, site_text};
use nightloom_outing::{Filled, SKYLINE_CSV, SiteSettings, named_zone, typed};
use nightloom_pipeline::{NewOptions, NewReport, new_outing};
use nightloom_sky::subjects;
use serde_json::Value;

use crate::build::meant;
use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::place::SpotArgs;
use crate::told::RigArgs;

/// `nightloom new`.
#[derive(Args, Debug)]
pub(crate) struct NewArgs {
    /// The folder with the night's frames; with a plan it may be empty, or not there yet.
    folder: PathBuf,
    #[command(flatten)]
    spot: SpotArgs,
    /// Time zone by its IANA name; found from the coordinates when not given.
    #[arg(long, value_name = "ZONE")]
    zone: Option<String>,
    /// The date on which the night begins, by the site's clock.
    #[arg(long, visible_alias = "evening", value_name = "YYYY-MM-DD", value_parser = typed::date)]
    date: Option<Date>,
    /// What the picture is to be about.
    #[arg(long, value_name = "S")]
    subject: Option<String>,
    /// A name for the outing.
    #[arg(long, value_name = "TEXT")]
    name: Option<String>,
    #[command(flatten)]
    rig: RigArgs,
    /// Write an outing.toml that is there anew round everything that is set in it; the old one is kept as a copy.
    #[arg(long)]
    force: bool,
    /// Take the folder although it looks like no single night's: a disk, a home, thousands of pictures.
    #[arg(long)]
    yes: bool,
}

pub(crate) fn run(args: &NewArgs, context: &Context) -> Result<Value, Failure> {
    meant(&args.folder, args.yes, context)?;
    let (given, skyline) = args.given()?;
    let options = NewOptions {
        force: args.force,
        given,
    };
    let report = new_outing(&args.folder, &options, &*context.door);
    context.door.end_of_job();
    let report = report?;
    tell(&report, context.json);
    let beside = args.folder.join(SKYLINE_CSV);
    if let Some(csv) = skyline.filter(|_| !beside.exists()) {
        let bytes = std::fs::read(&csv)
            .map_err(|e| Failure::said(format!("{csv} cannot be read ({e}); check its permissions")))?;
        out::write(&beside, &bytes, context.json)?;
    }
    Ok(out::value(&report))
}

impl NewArgs {
    /// What is planned, and the skyline that is kept with the site.
    fn given(&self) -> Result<(Vec<Filled>, Option<String>), Failure> {
        let mut filled = Vec::new();
        let mut add = |key, text: &Option<String>| {
            filled.extend(text.as_ref().map(|text| Filled {
                section: "outing",
                key,
                toml: out::value(text).to_string(),
                from: "as given".into(),
            }));
        };
        add("name", &self.name);
        if let Some(subject) = &self.subject {
            for name in subject_names(subject) {
                subjects::find(name)?;
            }
        }
        add("subject", &self.subject);
        filled.extend(self.date.map(|date| Filled {
            section: "outing",
            key: "evening",
            toml: date.to_string(),
            from: "as given".into(),
        }));
        let kept = self.spot.settings()?.site;
        let zone = self.zone.as_deref().map(named_zone).transpose()?;
        let site = SiteSettings {
            place: self.spot.site()?,
            zone: zone.map(|z| z.name).or(kept.zone),
            skyline: None,
        };
        let from = |what: &str, name: &Option<String>| match name {
            Some(name) => format!("the {what} {name}"),
            None => "as given".into(),
        };
        filled.extend(as_filled(&site_text(&site), &from("site", &self.spot.site)));
        filled.extend(as_filled(
            &rig_text(&self.rig.named()?),
            &from("rig", &self.rig.rig),
        ));
        Ok((filled, kept.skyline))
    }
}

pub(crate) fn tell(report: &NewReport, json: bool) {
    let say = |line: &str| out::result(line, json);
    let file = report.file.display();
    say(&match (
        &report.old,
        report.filled.is_empty() && !report.differences.is_empty(),
    ) {
        (Some(old), _) => format!("Wrote {file} anew; the old one is kept as {}", old.display()),
        (None, true) => format!("{file} stays as it is"),
        _ => format!("Wrote {file}"),
    });
    let roles: Vec<String> = report
        .roles
        .iter()
        .map(|(role, n)| format!("{n} {role}"))
        .collect();
    if !roles.is_empty() {
        say(&format!("Frames: {}", roles.join(", ")));
    }
    if !report.filled.is_empty() {
        say(&format!("Filled in: {}", report.filled.join(", ")));
    }
    for d in &report.differences {
        say(&format!(
            "{}: {} stays; {} says {}",
            d.key, d.kept, d.from, d.found
        ));
    }
    for (name, why) in &report.unreadable {
        say(&format!("Not readable: {name}: {why}"));
    }
    for note in &report.notes {
        say(note);
    }
}
