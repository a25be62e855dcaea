//! The nights of a year: one row per month, one column per day, one bar per night.

use jiff::civil::Date;
use nightloom_sky::night::{Year, YearNight};

use super::Look;
use super::night_strip::duration;
use super::svg::{Scale, Sheet};

const LEFT: f64 = 88.0;
const TOP: f64 = 62.0;
const CELL: [f64; 2] = [28.0, 40.0];
const SUM: f64 = 96.0;

/// Draws the nights of a year (or of any span of dates), for each subject below the one before: the height of each bar
/// is the night's worth in minutes over the skyline, each weighed by its grade; its outline is the moonless ones,
/// unweighed. The best night of each month is marked.
///
/// Without a subject the bar is moonless darkness and the outline all darkness.
pub fn year_chart(years: &[Year], place: &str, look: Look) -> String {
    let width = LEFT + 31.0 * CELL[0] + SUM;
    let height = years.iter().map(tall).sum();
    let names: Vec<String> = years.iter().map(|year| title(year, place)).collect();
    let mut sheet = Sheet::new(width, height, look, &names.join("; "));
    let mut down = 0.0;
    for (year, name) in years.iter().zip(&names) {
        sheet.moved([0.0, down], |sheet| draw_year(sheet, year, name));
        down += tall(year);
    }
    sheet.done()
}

fn title(year: &Year, place: &str) -> String {
    match &year.subject {
        Some(subject) => format!("{subject} from {place}: minutes of each night"),
        None => format!("Moonless darkness at {place}: minutes of each night"),
    }
}

fn tall(year: &Year) -> f64 {
    TOP + months(&year.nights).len() as f64 * CELL[1] + 40.0
}

/// Where nights lie on their year's chart: each evening with the left, top, right and foot of its cell, units of the SVG
/// whose width and height come first. For whoever lays something over them.
pub fn year_cells(years: &[Year]) -> ([f64; 2], Vec<(Date, [f64; 4])>) {
    let (mut cells, mut down) = (Vec::new(), 0.0);
    for year in years {
        for (row, nights) in months(&year.nights).iter().enumerate() {
            let top = down + TOP + row as f64 * CELL[1];
            cells.extend(nights.iter().map(|night| {
                let left = LEFT + (f64::from(night.evening.day()) - 1.0) * CELL[0];
                (night.evening, [left, top, left + CELL[0], top + CELL[1]])
            }));
        }
        down += tall(year);
    }
    ([LEFT + 31.0 * CELL[0] + SUM, down], cells)
}

fn draw_year(sheet: &mut Sheet, year: &Year, title: &str) {
    let months = months(&year.nights);
    sheet.words([LEFT, 24.0], "big", title);
    for day in (1..=31).filter(|d| *d == 1 || d % 5 == 0) {
        let x = LEFT + (f64::from(day) - 0.5) * CELL[0];
        sheet.words([x, TOP - 8.0], "mid soft small", &day.to_string());
    }
    let most = year
        .nights
        .iter()
        .map(|n| outline(n).max(bar(n)))
        .fold(1.0, f64::max);
    for (i, month) in months.iter().enumerate() {
        draw_month(sheet, month, TOP + i as f64 * CELL[1], most);
    }
    let foot = TOP + months.len() as f64 * CELL[1] + 24.0;
    let key = match year.subject {
        Some(_) => format!(
            "full height {}; solid: minutes over the skyline in the dark, each weighed by moon and air; outline: those without the moon, unweighed; dot: the month's best",
            duration(most)
        ),
        None => format!(
            "full height {}; solid: dark and moonless; outline: dark; dot: the month's best",
            duration(most)
        ),
    };
    sheet.words([LEFT, foot], "soft small", &key);
}

/// What a night is worth.
fn bar(night: &YearNight) -> f64 {
    night.worth_minutes()
}

/// What it is measured against.
fn outline(night: &YearNight) -> f64 {
    night.subject_minutes.unwrap_or(night.dark_minutes)
}

/// Consecutive nights of one month.
fn months(nights: &[YearNight]) -> Vec<&[YearNight]> {
    nights
        .chunk_by(|a, b| (a.evening.year(), a.evening.month()) == (b.evening.year(), b.evening.month()))
        .collect()
}

fn draw_month(sheet: &mut Sheet, nights: &[YearNight], top: f64, most: f64) {
    let foot = top + CELL[1] - 6.0;
    let y = Scale::new([0.0, most], [foot, top + 4.0]);
    sheet.words(
        [LEFT - 10.0, foot],
        "end",
        &nights[0].evening.strftime("%b %Y").to_string(),
    );
    sheet.line("rule", [[LEFT, foot], [LEFT + 31.0 * CELL[0], foot]]);
    let best = nights.iter().map(bar).fold(0.0, f64::max);
    for night in nights.iter().filter(|n| outline(n).max(bar(n)) >= 0.5) {
        let x = LEFT + (f64::from(night.evening.day()) - 1.0) * CELL[0] + 3.0;
        let wide = CELL[0] - 6.0;
        let (full, all) = (y.at(bar(night)), y.at(outline(night)));
        sheet.put(format_args!(
            "<g><title>{}: {} of {}</title>",
            night.evening,
            duration(bar(night)),
            duration(outline(night))
        ));
        sheet.line("thin", [[x, foot], [x, all], [x + wide, all], [x + wide, foot]]);
        sheet.put(format_args!(
            "<rect x=\"{x:.1}\" y=\"{full:.1}\" width=\"{wide:.1}\" height=\"{:.1}\" class=\"fill\"/></g>",
            (foot - full).max(0.0)
        ));
        if best > 0.0 && bar(night) == best {
            sheet.put(format_args!(
                "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"2.4\" class=\"fill\"/>",
                x + wide / 2.0,
                foot + 4.0
            ));
        }
    }
    let sum: f64 = nights.iter().map(bar).sum();
    let words = format!("{:.0} h", sum / 60.0);
    sheet.words([LEFT + 31.0 * CELL[0] + 12.0, foot], "soft", &words);
}
