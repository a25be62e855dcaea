//! `nightloom year`.

use std::path::PathBuf;

use clap::Args;
use jiff::civil::Date;
use nightloom_chart::{Look, year_chart};
use nightloom_outing::evening::{Evening, hours};
use nightloom_sky::night::{YEARS, Year, YearNight};
use nightloom_sky::subjects::Subject;
use rayon::prelude::*;
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out::{self, line};
use crate::place::EveningArgs;

/// `nightloom year`.
#[derive(Args, Debug)]
pub(crate) struct YearArgs {
    #[command(flatten)]
    evening: EveningArgs,
    /// The year, 1990 to 2060.
    #[arg(long, value_name = "Y", allow_negative_numbers = true)]
    year: i16,
    /// A subject by name, HIP and a number, or RA,DEC in ICRS degrees; may be given more than once.
    #[arg(long, value_name = "S")]
    subject: Vec<String>,
    /// Write the year's nights as a chart: SVG, PNG or PDF by the ending of the name.
    #[arg(long, value_name = "FILE", value_parser = crate::out::chart_name)]
    chart: Option<PathBuf>,
    /// List every night, not only the best ones and the months.
    #[arg(long)]
    all: bool,
    /// Draw it red on black instead of black on white.
    #[arg(long)]
    red: bool,
}

pub(crate) fn run(args: &YearArgs, context: &Context) -> Result<Value, Failure> {
    let evening = args.evening.resolve(context)?;
    let years = answer(args, &evening)?;
    if !context.json {
        for year in &years {
            tell(args, &evening, year);
            line("");
        }
        if !args.all {
            line("Every night with --all.");
        }
    }
    if let Some(file) = &args.chart {
        let svg = year_chart(&years, &evening.told(), Look::red(args.red));
        out::chart(file, &svg, context.json)?;
    }
    let mut json = out::of_each(years.iter().map(out::value));
    json["year"] = json!(args.year);
    json["site"] = evening.json();
    Ok(json)
}

impl YearArgs {
    /// The place in words, and its nights for each subject.
    pub(crate) fn worked(&self, context: &Context) -> Result<(String, Vec<Year>), Failure> {
        let evening = self.evening.resolve(context)?;
        let years = answer(self, &evening)?;
        Ok((evening.told(), years))
    }
}

fn no_year(year: i16) -> Failure {
    Failure::said(format!(
        "the year is {year}; expected 1990 to 2060, the years whose positions are built in"
    ))
}

/// The year for each subject; once, of the dark alone, where there is none.
fn answer(args: &YearArgs, evening: &Evening) -> Result<Vec<Year>, Failure> {
    if !YEARS.contains(&args.year) {
        return Err(no_year(args.year));
    }
    let subjects = evening.subjects(&args.subject)?;
    match &subjects[..] {
        [] => Ok(vec![year_of(args.year, evening, None)?]),
        all => all
            .iter()
            .map(|subject| year_of(args.year, evening, Some(subject)))
            .collect(),
    }
}

fn year_of(year: i16, evening: &Evening, subject: Option<&Subject>) -> Result<Year, Failure> {
    let day = |month, day| Date::new(year, month, day).map_err(|_| no_year(year));
    // The months on as many threads as there are; each night is the same by itself.
    let parts: Vec<Year> = (1..=12)
        .into_par_iter()
        .map(|month| {
            let first = day(month, 1)?;
            let nights = evening.nights(first, first.last_of_month())?;
            Ok(nights.year(subject)?)
        })
        .collect::<Result<_, Failure>>()?;
    Ok(Year {
        subject: subject.map(|s| s.name.clone()),
        nights: parts.into_iter().flat_map(|part| part.nights).collect(),
    })
}

/// Nights that are named before the months.
const BEST: usize = 10;

fn tell(args: &YearArgs, evening: &Evening, year: &Year) {
    let what = year
        .subject
        .as_ref()
        .map(|s| format!(" for {s}"))
        .unwrap_or_default();
    line(&format!(
        "The nights of {}{what} at {}",
        args.year,
        evening.told()
    ));
    line("");
    if args.all {
        table(year.nights.iter(), year.subject.is_some());
        return;
    }
    let mut best: Vec<&YearNight> = year.nights.iter().filter(|n| n.worth_minutes() > 0.0).collect();
    best.sort_by(|a, b| {
        b.worth_minutes()
            .total_cmp(&a.worth_minutes())
            .then(a.evening.cmp(&b.evening))
    });
    best.truncate(BEST);
    if best.is_empty() {
        line("No night of it is dark with the subject up.");
    } else {
        line(&format!("The best {}, the best first:", best.len()));
        table(best.into_iter(), year.subject.is_some());
    }
    line("");
    months(year);
}

/// A line for each month: its dark hours without moon, and its best night.
fn months(year: &Year) {
    line(&format!("{:<10}{:>12}  {}", "month", "no moon", "best night"));
    for nights in year
        .nights
        .chunk_by(|a, b| a.evening.month() == b.evening.month())
    {
        let dark: f64 = nights.iter().map(|n| n.moonless_dark_minutes).sum();
        let best = nights
            .iter()
            .max_by(|a, b| a.worth_minutes().total_cmp(&b.worth_minutes()));
        let (Some(first), Some(best)) = (nights.first(), best) else {
            continue;
        };
        let best = match best.worth_minutes() {
            w if w > 0.0 => format!("{}, {}", best.evening, hours(w)),
            _ => "none".into(),
        };
        line(&format!(
            "{:<10}{:>12}  {best}",
            first.evening.strftime("%Y-%m").to_string(),
            hours(dark)
        ));
    }
}

fn table<'a>(nights: impl Iterator<Item = &'a YearNight>, subject: bool) {
    let mut head = format!("{:<12}{:>10}{:>12}", "evening", "dark", "no moon");
    if subject {
        head += &format!("{:>12}{:>10}", "subject up", "worth");
    }
    line(&head);
    for night in nights {
        let mut row = format!(
            "{:<12}{:>10}{:>12}",
            night.evening.to_string(),
            hours(night.dark_minutes),
            hours(night.moonless_dark_minutes)
        );
        if let (Some(up), Some(worth)) = (night.subject_minutes, night.graded_minutes) {
            row += &format!("{:>12}{:>10}", hours(up), hours(worth));
        }
        line(&row);
    }
}
