//! The sheet for paper: a PDF in the built-in fonts, black on white, made without a browser.

mod dial;
mod flow;
mod font;
mod piece;
mod widths;

use nightloom_optics::Setting;
use nightloom_outing::setting_words;
use nightloom_outing::sheet::{BEAM, Content, LadderOf, NightFault, SheetStep, TITLE as NAME, fill};

use super::Paper;
use super::html::parts::{dropped, stops_of};
use super::words::{self, column, heading, say};
use dial::dial;
use flow::{Flow, Frame};
use font::{Face, encode};
use piece::{Mark, Piece, Style};

const TITLE: Style = style(Face::Bold, 17.0, 0.0);
const HEADING: Style = style(Face::Bold, 11.5, 0.0);
const BODY: Style = style(Face::Regular, 9.0, 0.0);
const BOLD: Style = style(Face::Bold, 9.0, 0.0);
const SMALL: Style = style(Face::Regular, 8.0, 0.25);
/// From a box to tick to its words.
const TICK: f32 = 15.0;
/// For the times of a step.
const WHEN: f32 = 60.0;

const fn style(face: Face, size: f32, grey: f32) -> Style {
    Style { face, size, grey }
}

/// The finished file.
pub struct Made {
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// How many pages it has.
    pub pages: usize,
}

/// The whole document. Equal content gives equal bytes.
pub fn document(content: &Content, short_by_min: f64, paper: Paper) -> Made {
    let frame = Frame::of(paper);
    let mut page = Page {
        flow: Flow::new(frame),
        width: frame.column(),
    };
    page.flow.banner(&banner(content, frame.width()));
    page.shot_list(content, short_by_min);
    if !content.panorama.is_empty() {
        page.heading(heading::PANORAMA);
        content
            .panorama_told
            .iter()
            .for_each(|line| page.paragraph(BODY, line));
        page.ticks(&content.panorama);
    }
    page.pole(content);
    page.ladders(content);
    page.heading(heading::RECHECK);
    page.lead(BODY, &content.recheck_when);
    page.ticks(&content.recheck);
    page.faults(content);
    page.heading(heading::PACK);
    page.ticks(&content.pack);
    page.heading(heading::SET_UP);
    page.ticks(&content.set_up);
    page.heading(heading::CARE);
    content.cautions.iter().for_each(|c| page.paragraph(BODY, c));
    page.times(content);
    if page.flow.lossy() {
        page.paragraph(SMALL, say::NOT_SHOWN);
    }
    let foot = format!("{} · {} · {}", content.evening, content.id, content.title);
    let (bytes, pages) = page.flow.finish(&content.title, &foot);
    Made { bytes, pages }
}

fn banner(content: &Content, width: f32) -> Piece {
    let mut piece = Piece::default();
    let mut y = piece.text(
        [0.0, 0.0],
        width,
        SMALL,
        &format!("{} · {}", words::PROGRAM, NAME),
    );
    y = piece.text([0.0, y], width, TITLE, &content.title);
    let subject = content
        .subject
        .iter()
        .map(|s| format!(" · {s}"))
        .collect::<String>();
    y = piece.text(
        [0.0, y + 1.0],
        width,
        BODY,
        &format!("{}{subject}", content.night_of),
    );
    y = piece.text([0.0, y], width, BODY, &content.place);
    piece.text([0.0, y], width, BODY, &content.zone);
    piece.rule(width, 4.0, 0.0);
    piece.air(2.0)
}

struct Page {
    flow: Flow,
    width: f32,
}

impl Page {
    fn heading(&mut self, text: &str) {
        let mut piece = Piece {
            leads: true,
            ..Piece::default()
        };
        piece.text([0.0, 8.0], self.width, HEADING, text);
        piece.rule(self.width, 1.5, 0.0);
        self.flow.place(piece.air(1.5));
    }

    fn paragraph(&mut self, style: Style, text: &str) {
        let mut piece = Piece::default();
        piece.text([0.0, 0.0], self.width, style, text);
        self.flow.place(piece.air(3.0));
    }

    /// A paragraph that stays with what comes after it.
    fn lead(&mut self, style: Style, text: &str) {
        let mut piece = Piece {
            leads: true,
            ..Piece::default()
        };
        piece.text([0.0, 2.0], self.width, style, text);
        self.flow.place(piece.air(2.5));
    }

    fn ticks(&mut self, items: &[String]) {
        for item in items {
            let mut piece = Piece::default();
            piece.tick([0.0, 0.0], BODY);
            piece.text([TICK, 0.0], self.width - TICK, BODY, item);
            self.flow.place(piece.air(2.6));
        }
    }

    fn shot_list(&mut self, content: &Content, short_by_min: f64) {
        self.heading(heading::LIST);
        if !content.fits {
            self.lead(BOLD, &content.no_room(short_by_min));
            content.short.iter().for_each(|why| self.paragraph(BOLD, why));
        }
        content
            .warnings
            .iter()
            .for_each(|warning| self.paragraph(BODY, warning));
        self.lead(BODY, &content.window_told);
        for step in &content.steps {
            self.flow.place(self.step(content, step));
        }
        self.paragraph(BODY, &content.sums.join(" "));
        if !content.drop_first.is_empty() {
            self.lead(BOLD, heading::DROP);
            content
                .drop_first
                .iter()
                .for_each(|cut| self.paragraph(SMALL, &dropped(cut)));
        }
        self.leave(content);
    }

    fn step(&self, content: &Content, step: &SheetStep) -> Piece {
        let mut piece = Piece::default();
        let left = TICK + WHEN;
        let block = &step.block;
        piece.tick([0.0, 0.0], BODY);
        let when = format!(
            "{}–{}",
            content.clock.short(block.from),
            content.clock.short(block.to)
        );
        piece.text([TICK, 0.0], WHEN, BODY, &when);
        let mut y = piece.text([left, 0.0], self.width - left, BOLD, step.words);
        let mut note_left = left;
        if step.detail.is_empty() {
            // A pause is told on one line.
            note_left += BOLD.face.width(&encode(step.words).0, BOLD.size) + 6.0;
            y = BOLD.size - SMALL.size;
        } else {
            y = piece.text([left, y], self.width - left, BODY, &step.detail);
        }
        piece.text([note_left, y], self.width - note_left, SMALL, &block.note);
        piece.air(3.2)
    }

    /// What stays with somebody at home, framed.
    fn leave(&mut self, content: &Content) {
        let (mut piece, inner) = (Piece::default(), self.width - 16.0);
        let mut y = piece.text([8.0, 11.0], inner, BOLD, heading::LEAVE);
        y = piece.text([8.0, y], inner, BODY, say::LEAVE);
        let back = content.back().unwrap_or_default();
        y = piece.text([8.0, y], inner, BODY, &format!("{} · {back}", content.place));
        for name in [say::LEAVE_WITH, say::TURN_BACK, say::CALL_BY] {
            y = piece.text([8.0, y + 6.0], inner, BODY, name);
            piece.marks.push(rule([80.0, y - 1.0], 8.0 + inner));
        }
        let (top, foot, right) = (6.0, y + 6.0, self.width);
        for (from, to) in [
            ([0.0, top], [right, top]),
            ([right, top], [right, foot]),
            ([right, foot], [0.0, foot]),
            ([0.0, foot], [0.0, top]),
        ] {
            piece.marks.push(Mark::Line {
                from,
                to,
                width: 0.6,
                grey: 0.0,
            });
        }
        piece.height = foot;
        self.flow.place(piece.air(4.0));
    }

    fn pole(&mut self, content: &Content) {
        let pole = &content.pole;
        let side = if pole.south {
            say::POLE_SOUTH
        } else {
            say::POLE_NORTH
        };
        let alt = format!("{:.1}", pole.pole_altitude_deg);
        self.heading(&format!("{}: {}", heading::POLE, pole.star));
        self.paragraph(BODY, &fill(say::POLE_AXIS, &[("alt", &alt), ("side", side)]));
        if pole.is_low() {
            self.paragraph(BOLD, say::POLE_LOW);
        }
        self.paragraph(BODY, &format!("{} {}", say::NO_BEAM, BEAM[1]));
        content
            .pole_help
            .iter()
            .for_each(|hint| self.paragraph(BODY, hint));
        self.flow.place(dial(content, self.width));
        self.paragraph(SMALL, say::POLE_DIAL);
        let mut table = Table::of(&[
            column::CLOCK,
            column::UTC,
            column::ANGLE,
            column::HAND,
            column::OFF,
        ]);
        for (at, row) in pole.half_hours(content.busy()) {
            let cells = [
                content.clock.short(at),
                content.clock.utc(at),
                format!("{:.0}°", row.clock_angle_deg),
                row.hand(),
                format!("{:.1}′", row.separation_arcmin),
            ];
            table.row(cells, BODY);
        }
        self.table(&table);
        self.paragraph(SMALL, say::POLE);
    }

    fn ladders(&mut self, content: &Content) {
        self.heading(heading::STOPS);
        let told = if content.ladders.is_empty() {
            say::NO_STOPS
        } else {
            say::STOPS
        };
        self.lead(BODY, told);
        content.ladders.iter().for_each(|ladder| self.ladder(ladder));
    }

    fn ladder(&mut self, ladder: &LadderOf) {
        self.lead(BOLD, ladder.words);
        let mut table = Table::of(&[column::TIME, column::APERTURE, column::ISO, column::STOPS]);
        for rung in &ladder.rungs {
            let planned = rung.stops == 0.0;
            let cells = [
                setting_words(Setting::Time, &rung.settings),
                setting_words(Setting::Aperture, &rung.settings),
                rung.settings.iso.to_string(),
                if planned { say::PLAN.into() } else { stops_of(rung) },
            ];
            table.row(cells, if planned { BOLD } else { BODY });
        }
        self.table(&table);
    }

    fn faults(&mut self, content: &Content) {
        self.heading(heading::FAULTS);
        self.lead(BODY, say::FAULTS);
        for fault in content.faults {
            self.flow.place(self.fault(fault));
        }
    }

    fn fault(&self, fault: &NightFault) -> Piece {
        let mut piece = Piece::default();
        let mut y = piece.text([0.0, 0.0], self.width, BOLD, fault.see);
        y = piece.text([0.0, y], self.width, SMALL, fault.why);
        for (line, act) in fault.act.iter().enumerate() {
            piece.text([4.0, y], 12.0, BODY, &format!("{}.", line + 1));
            y = piece.text([16.0, y], self.width - 16.0, BODY, act);
        }
        piece.air(5.0)
    }

    fn times(&mut self, content: &Content) {
        self.heading(heading::TIMES);
        let mut table = Table::of(&[column::CLOCK, column::UTC, ""]);
        table.lefts = vec![0.0, 0.14, 0.28];
        for moment in &content.moments {
            let cells = [
                content.clock.short(moment.at),
                content.clock.utc(moment.at),
                moment.words.clone(),
            ];
            table.row(cells, BODY);
        }
        self.table(&table);
    }

    /// Rows stay together, as far as a column holds them.
    fn table(&mut self, table: &Table) {
        for (k, (cells, style)) in table.rows.iter().enumerate() {
            let mut piece = self.row(&table.lefts, cells, *style);
            piece.leads = k + 1 < table.rows.len();
            self.flow.place(piece);
        }
    }

    /// One row, ruled below.
    fn row(&self, lefts: &[f32], cells: &[String], style: Style) -> Piece {
        let mut piece = Piece::default();
        for (column, (cell, left)) in cells.iter().zip(lefts).enumerate() {
            let right = lefts.get(column + 1).unwrap_or(&1.0);
            let room = (right - left) * self.width - 4.0;
            piece.text([left * self.width, 1.0], room, style, cell);
        }
        piece.rule(self.width, 0.8, 0.65);
        piece
    }
}

fn rule(from: [f32; 2], to: f32) -> Mark {
    Mark::Line {
        from,
        to: [to, from[1]],
        width: 0.5,
        grey: 0.0,
    }
}

/// A table: its rows, the first of them its columns' names, and the share of the width where each column begins.
struct Table {
    lefts: Vec<f32>,
    rows: Vec<(Vec<String>, Style)>,
}

impl Table {
    /// Equal columns.
    fn of(names: &[&str]) -> Self {
        let count = names.len() as f32;
        Self {
            lefts: (0..names.len()).map(|k| k as f32 / count).collect(),
            rows: vec![(names.iter().map(|n| (*n).to_owned()).collect(), SMALL)],
        }
    }

    fn row<const N: usize>(&mut self, cells: [String; N], style: Style) {
        self.rows.push((cells.into(), style));
    }
}
