//! `nightloom year`.

use std::path::PathBuf;

use clap::Args;
use jiff::civil::Date;
use nightloom_outing::chart::{Look, year_chart};
use nightloom_sky::night::{YEARS, Year};
use rayon::prelude::*;
use serde_json::{Value, json};

use crate::cli::Common;
use crate::evening::{Evening, EveningError, PlaceArgs, hours, line};
use crate::{Trouble, charts, out};

/// `nightloom year`.
#[derive(Args, Debug)]
pub(crate) struct YearArgs {
    #[command(flatten)]
    pub(crate) place: PlaceArgs,
    /// The year, 1990 to 2060.
    #[arg(long, value_name = "Y", allow_negative_numbers = true)]
    pub(crate) year: i16,
    /// A subject by name, HIP and a number, or RA,DEC in ICRS degrees.
    #[arg(long, value_name = "S")]
    pub(crate) subject: Option<String>,
    /// Write the year's nights as a chart, an SVG.
    #[arg(long, value_name = "FILE")]
    pub(crate) chart: Option<PathBuf>,
    /// Draw it red on black instead of black on white.
    #[arg(long)]
    pub(crate) red: bool,
    #[command(flatten)]
    pub(crate) common: Common,
}

pub(crate) fn run(args: &YearArgs) -> Result<Value, Trouble> {
    let evening = args.place.resolve()?;
    let year = answer(args, &evening)?;
    if !args.common.json {
        tell(args.year, &evening, &year);
    }
    if let Some(file) = &args.chart {
        charts::write(file, &args.draw(&evening.told(), &year), args.common.json)?;
    }
    let mut json = out::value(&year);
    json["year"] = json!(args.year);
    json["site"] = evening.json();
    Ok(json)
}

impl YearArgs {
    /// The place in words, and its nights.
    pub(crate) fn worked(&self) -> Result<(String, Year), Trouble> {
        let evening = self.place.resolve()?;
        let year = answer(self, &evening)?;
        Ok((evening.told(), year))
    }

    /// The year's chart.
    pub(crate) fn draw(&self, place: &str, year: &Year) -> String {
        let look = if self.red { Look::Red } else { Look::Day };
        year_chart(year, place, look)
    }
}

fn answer(args: &YearArgs, evening: &Evening) -> Result<Year, EveningError> {
    let year = args.year;
    if !YEARS.contains(&year) {
        return Err(EveningError::Year { year });
    }
    let day = |month, day| Date::new(year, month, day).map_err(|_| EveningError::Year { year });
    let asked: Vec<String> = args.subject.iter().cloned().collect();
    let subjects = evening.subjects(&asked)?;
    // The months on as many threads as there are; each night is the same by itself.
    let parts: Vec<Year> = (1..=12)
        .into_par_iter()
        .map(|month| {
            let first = day(month, 1)?;
            let nights = evening.nights(first, first.last_of_month())?;
            Ok(nights.year(subjects.first())?)
        })
        .collect::<Result<_, EveningError>>()?;
    Ok(Year {
        subject: subjects.first().map(|s| s.name.clone()),
        nights: parts.into_iter().flat_map(|part| part.nights).collect(),
    })
}

fn tell(number: i16, evening: &Evening, year: &Year) {
    let what = year
        .subject
        .as_ref()
        .map(|s| format!(" for {s}"))
        .unwrap_or_default();
    line(&format!("The nights of {number}{what} at {}", evening.told()));
    line("");
    let mut head = format!("{:<12}{:>10}{:>12}", "evening", "dark", "no moon");
    if year.subject.is_some() {
        head += &format!("{:>12}{:>10}", "and it up", "worth");
    }
    line(&head);
    for night in &year.nights {
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
