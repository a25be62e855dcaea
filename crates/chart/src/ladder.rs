//! Equivalents of one exposure: time across, ISO up, one slanting line for each f-number.

use nightloom_optics::{Exposure, Ladder, LadderLimits, Limit, Setting};

use super::Look;
use super::labels::{Side, Taken, rect, time};
use super::svg::{Scale, Sheet};
use nightloom_outing::short;

const WIDTH: f64 = 1000.0;
const HEIGHT: f64 = 560.0;
const LEFT: f64 = 76.0;
const RIGHT: f64 = 976.0;
const TOP: f64 = 50.0;
const FOOT: f64 = 490.0;
/// Stops shown beyond the first and the last rung, and the fewest shown at all.
const MARGIN: f64 = 1.5;
const LEAST: [f64; 2] = [7.0, 5.0];

/// Draws a ladder of equivalents, with where it ends and which limit ends it.
///
/// Marks lie where they stand exactly (15 s at 16 s), so that all settings of one exposure and one
/// f-number lie on one line. `limits` are those the ladder was made with.
pub fn ladder_chart(ladder: &Ladder, limits: &LadderLimits, look: Look) -> String {
    let Some((first, last)) = ladder.rungs.first().zip(ladder.rungs.last()) else {
        return Sheet::new(WIDTH, HEIGHT, look, "No exposure").done();
    };
    let title = format!("Equivalents of {}", told(&first.settings));
    let mut sheet = Sheet::new(WIDTH, HEIGHT, look, &title);
    sheet.words([LEFT, 26.0], "big", &title);
    let ev = format!("EV100 {:.1}", first.settings.ev100()).replace('-', "−");
    sheet.words([RIGHT, 26.0], "end soft", &ev);
    let draw = Draw::new(ladder, limits, &first.settings);
    draw.grid(&mut sheet);
    let size = [RIGHT - LEFT, FOOT - TOP];
    let mut taken = Taken::default();
    sheet.clipped("ladder", [LEFT, TOP], size, |sheet| {
        draw.beyond(sheet);
        draw.f_numbers(sheet);
        draw.rungs(sheet, &last.settings);
    });
    draw.names_of_limits(&mut sheet, &mut taken);
    draw.names_of_rungs(&mut sheet, &mut taken);
    draw.names_of_f_numbers(&mut sheet, &mut taken);
    let end = format!("It ends at {}: {}.", told(&last.settings), draw.why());
    sheet.words([LEFT, FOOT + 56.0], "", &end);
    sheet.done()
}

fn told(e: &Exposure) -> String {
    format!(
        "{} · f/{} · ISO {}",
        time(e.seconds),
        short(e.f_number),
        short(e.iso)
    )
}

/// Stops from 1 s, f/1 or ISO 100 by what a mark stands for; towards more light.
fn stops(setting: Setting, value: f64) -> f64 {
    let meant = setting.meant(value);
    match setting {
        Setting::Time => meant.log2(),
        Setting::Aperture => -2.0 * meant.log2(),
        Setting::Iso => (meant / 100.0).log2(),
    }
}

fn place(e: &Exposure) -> [f64; 2] {
    [stops(Setting::Time, e.seconds), stops(Setting::Iso, e.iso)]
}

struct Draw<'a> {
    ladder: &'a Ladder,
    limits: &'a LadderLimits,
    /// Time, aperture and ISO together: the same for all.
    light: f64,
    x: Scale,
    y: Scale,
    /// First and last stop of time, lowest and highest of ISO.
    bounds: [f64; 4],
}

impl<'a> Draw<'a> {
    fn new(ladder: &'a Ladder, limits: &'a LadderLimits, first: &Exposure) -> Self {
        let places: Vec<_> = ladder.rungs.iter().map(|r| place(&r.settings)).collect();
        let range = |k: usize| {
            let low = places.iter().map(|p| p[k]).fold(f64::MAX, f64::min) - MARGIN;
            let high = places.iter().map(|p| p[k]).fold(f64::MIN, f64::max) + MARGIN;
            let more = (LEAST[k] - (high - low)).max(0.0) / 2.0;
            [low - more, high + more]
        };
        let ([from, to], [low, high]) = (range(0), range(1));
        let [time, iso] = place(first);
        Self {
            ladder,
            limits,
            light: time + iso + stops(Setting::Aperture, first.f_number),
            x: Scale::new([from, to], [LEFT, RIGHT]),
            y: Scale::new([low, high], [FOOT, TOP]),
            bounds: [from, to, low, high],
        }
    }

    fn at(&self, e: &Exposure) -> [f64; 2] {
        let [time, iso] = place(e);
        [self.x.at(time), self.y.at(iso)]
    }

    /// Whole stops with their marks.
    fn marks(setting: Setting, from: f64, to: f64) -> impl Iterator<Item = (f64, f64)> {
        let every = if to - from > 16.0 { 2 } else { 1 };
        (from.ceil() as i32..=to.floor() as i32)
            .filter(move |stop| stop % every == 0)
            .filter_map(move |stop| Some((f64::from(stop), setting.marked(3 * stop)?)))
    }

    fn grid(&self, sheet: &mut Sheet) {
        let [from, to, low, high] = self.bounds;
        for (stop, mark) in Self::marks(Setting::Time, from, to) {
            let x = self.x.at(stop);
            sheet.line("rule", [[x, TOP], [x, FOOT]]);
            sheet.words([x, FOOT + 17.0], "mid soft small", &time(mark));
        }
        for (stop, mark) in Self::marks(Setting::Iso, low, high) {
            let y = self.y.at(stop);
            sheet.line("rule", [[LEFT, y], [RIGHT, y]]);
            sheet.words([LEFT - 7.0, y + 4.0], "end soft small", &short(mark));
        }
        sheet.words([LEFT - 7.0, TOP - 8.0], "end soft small", "ISO");
        sheet.words([RIGHT, FOOT + 33.0], "end soft small", "time");
    }

    /// The value a limit has: as given, or where the ladder had to end.
    fn value(&self, limit: Limit) -> f64 {
        let last = self.ladder.rungs.last().map(|r| r.settings);
        let (given, reached) = match limit {
            Limit::Longest => (self.limits.longest_s, last.map(|e| e.seconds)),
            Limit::Shortest => (self.limits.shortest_s, last.map(|e| e.seconds)),
            Limit::HighestIso => (self.limits.highest_iso, last.map(|e| e.iso)),
            Limit::LowestIso => (self.limits.lowest_iso, last.map(|e| e.iso)),
            Limit::Widest => (self.limits.widest, last.map(|e| e.f_number)),
            Limit::Narrowest => (self.limits.narrowest, last.map(|e| e.f_number)),
        };
        given.or(reached).unwrap_or(1.0)
    }

    fn name(&self, limit: Limit) -> String {
        let value = self.value(limit);
        match limit {
            Limit::Longest => format!("longest time {}", time(value)),
            Limit::Shortest => format!("shortest time {}", time(value)),
            Limit::HighestIso => format!("highest ISO {}", short(value)),
            Limit::LowestIso => format!("lowest ISO {}", short(value)),
            Limit::Widest => format!("widest aperture f/{}", short(value)),
            Limit::Narrowest => format!("narrowest aperture f/{}", short(value)),
        }
    }

    fn why(&self) -> String {
        let names: Vec<_> = self.ladder.ended_by.iter().map(|l| self.name(*l)).collect();
        names.join(" and ")
    }

    /// The limits that stand in the picture, each with its stop.
    fn shown_limits(&self) -> Vec<(Limit, f64)> {
        let given = [
            (Limit::Longest, self.limits.longest_s.is_some()),
            (Limit::Shortest, self.limits.shortest_s.is_some()),
            (Limit::HighestIso, self.limits.highest_iso.is_some()),
            (Limit::LowestIso, self.limits.lowest_iso.is_some()),
        ];
        let [from, to, low, high] = self.bounds;
        given
            .into_iter()
            .filter(|(limit, given)| *given || self.ladder.ended_by.contains(limit))
            .map(|(limit, _)| match limit {
                Limit::Longest | Limit::Shortest => (limit, stops(Setting::Time, self.value(limit))),
                _ => (limit, stops(Setting::Iso, self.value(limit))),
            })
            .filter(|(limit, stop)| match limit {
                Limit::Longest | Limit::Shortest => (from..to).contains(stop),
                _ => (low..high).contains(stop),
            })
            .collect()
    }

    /// What lies beyond the limits, with their edges: thick where one ends the ladder.
    fn beyond(&self, sheet: &mut Sheet) {
        let tone = "var(--shade)";
        for (limit, stop) in self.shown_limits() {
            let (x, y) = (self.x.at(stop), self.y.at(stop));
            match limit {
                Limit::Longest => sheet.block([x, TOP], [RIGHT - x, FOOT - TOP], tone),
                Limit::Shortest => sheet.block([LEFT, TOP], [x - LEFT, FOOT - TOP], tone),
                Limit::HighestIso => sheet.block([LEFT, TOP], [RIGHT - LEFT, y - TOP], tone),
                _ => sheet.block([LEFT, y], [RIGHT - LEFT, FOOT - y], tone),
            }
        }
        for (limit, stop) in self.shown_limits() {
            let (x, y) = (self.x.at(stop), self.y.at(stop));
            let class = if self.ladder.ended_by.contains(&limit) {
                "ink"
            } else {
                "thin dash"
            };
            match limit {
                Limit::Longest | Limit::Shortest => sheet.line(class, [[x, TOP], [x, FOOT]]),
                _ => sheet.line(class, [[LEFT, y], [RIGHT, y]]),
            }
        }
    }

    fn names_of_limits(&self, sheet: &mut Sheet, taken: &mut Taken) {
        for (limit, stop) in self.shown_limits() {
            let (x, y) = (self.x.at(stop), self.y.at(stop));
            let name = self.name(limit);
            let (at, side) = match limit {
                Limit::Longest => ([x - 6.0, FOOT - 8.0], Side::End),
                Limit::Shortest => ([x + 6.0, FOOT - 8.0], Side::Start),
                Limit::HighestIso => ([RIGHT - 8.0, y - 6.0], Side::End),
                _ => ([LEFT + 8.0, y + 15.0], Side::Start),
            };
            taken.write(sheet, at, side, &name);
        }
    }

    /// f-numbers of the ladder, and the whole stops between and beside them.
    fn shown_f_numbers(&self) -> Vec<(f64, bool)> {
        let mut shown: Vec<(f64, bool)> = Vec::new();
        for rung in &self.ladder.rungs {
            if shown.last().is_none_or(|(f, _)| *f != rung.settings.f_number) {
                shown.push((rung.settings.f_number, true));
            }
        }
        let (first, last) = Setting::Aperture.ends();
        let whole = (first..=last).filter(|third| third % 3 == 0);
        for f in whole.filter_map(|third| Setting::Aperture.marked(third)) {
            if !shown.iter().any(|(known, _)| *known == f) {
                shown.push((f, false));
            }
        }
        shown
    }

    /// Where the line of an f-number enters the picture and where it leaves it.
    fn slant(&self, f_number: f64) -> Option<[[f64; 2]; 2]> {
        let [from, to, low, high] = self.bounds;
        let sum = self.light - stops(Setting::Aperture, f_number);
        let (begin, end) = (from.max(sum - high), to.min(sum - low));
        (end - begin > 0.8).then(|| [begin, end].map(|time| [self.x.at(time), self.y.at(sum - time)]))
    }

    fn f_numbers(&self, sheet: &mut Sheet) {
        for (f_number, used) in self.shown_f_numbers() {
            if let Some(ends) = self.slant(f_number) {
                sheet.line(if used { "thin" } else { "thin dots" }, ends);
            }
        }
    }

    fn names_of_f_numbers(&self, sheet: &mut Sheet, taken: &mut Taken) {
        for (f_number, _) in self.shown_f_numbers() {
            let Some([begin, end]) = self.slant(f_number) else {
                continue;
            };
            let words = format!("f/{}", short(f_number));
            // A little way down the line from where it enters.
            let long = (end[0] - begin[0]).hypot(end[1] - begin[1]).max(1.0);
            let on = |way: f64| [0, 1].map(|k| begin[k] + (end[k] - begin[k]) * way / long);
            for way in [24.0, 48.0, long - 24.0, long / 2.0] {
                let [x, y] = on(way);
                if taken.write(sheet, [x, y + 4.0], Side::Middle, &words) {
                    break;
                }
            }
        }
    }

    fn rungs(&self, sheet: &mut Sheet, last: &Exposure) {
        let places: Vec<_> = self.ladder.rungs.iter().map(|r| self.at(&r.settings)).collect();
        sheet.line("line", places.iter().copied());
        for [x, y] in places {
            sheet.put(format_args!(
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\" class=\"fill\"/>"
            ));
        }
        let [x, y] = self.at(last);
        sheet.put(format_args!(
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"8\" class=\"line\"/>"
        ));
    }

    /// The last and the first have their words for certain, the others where there is room.
    fn names_of_rungs(&self, sheet: &mut Sheet, taken: &mut Taken) {
        let rungs = &self.ladder.rungs;
        for rung in rungs {
            let [x, y] = self.at(&rung.settings);
            taken.keep([x - 5.0, y - 5.0, x + 5.0, y + 5.0]);
        }
        let ends = [rungs.len() - 1, 0];
        let between = 1..rungs.len().saturating_sub(1);
        for rung in ends.into_iter().chain(between) {
            self.name_of_rung(sheet, taken, &rungs[rung].settings);
        }
    }

    fn name_of_rung(&self, sheet: &mut Sheet, taken: &mut Taken, e: &Exposure) {
        let [x, y] = self.at(e);
        let words = told(e);
        let right = [x + 10.0, y - 7.0];
        if rect(right, Side::Start, &words)[2] < RIGHT && taken.write(sheet, right, Side::Start, &words) {
            return;
        }
        let lines = [time(e.seconds), format!("f/{}", short(e.f_number))];
        let below = [[x, y + 22.0], [x, y + 35.0]];
        let room = |k: usize| taken.free(rect(below[k], Side::Middle, &lines[k]));
        if room(0) && room(1) && below[1][1] < FOOT {
            for (at, line) in below.into_iter().zip(&lines) {
                taken.write(sheet, at, Side::Middle, line);
            }
        }
    }
}
