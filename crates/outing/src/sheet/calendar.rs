//! The plan as an iCalendar file, for the phone's own calendar.
//!
//! RFC 5545: lines end in CR LF and are folded at 75 octets (§ 3.1), text is escaped (§ 3.3.11), times are in UTC (§ 3.3.5).

use nightloom_sky::Instant;

use super::Content;

/// Octets of a line before it is folded.
const LINE: usize = 75;

/// One event from leaving to being back, and one for each line of the shot list. `now` is when it is made.
pub fn calendar(content: &Content, now: Instant) -> String {
    let mut out = Lines(String::new());
    out.put("BEGIN:VCALENDAR");
    out.put("VERSION:2.0");
    out.put("PRODID:-//Nightloom//Field sheet//EN");
    let busy = content.busy();
    let about = [content.place.clone(), content.window_told.clone()].join("\n");
    let whole = Event {
        name: format!("{}-night", content.id),
        from: busy.from,
        to: busy.to,
        title: content.title.clone(),
        about,
    };
    whole.write(&mut out, now);
    for (n, step) in content.steps.iter().enumerate() {
        let about: Vec<&str> = [step.detail.as_str(), step.block.note.as_str()]
            .into_iter()
            .filter(|t| !t.is_empty())
            .collect();
        let event = Event {
            name: format!("{}-{n}", content.id),
            from: step.block.from,
            to: step.block.to,
            title: step.words.to_owned(),
            about: about.join("\n"),
        };
        event.write(&mut out, now);
    }
    out.put("END:VCALENDAR");
    out.0
}

struct Event {
    name: String,
    from: Instant,
    to: Instant,
    title: String,
    about: String,
}

impl Event {
    fn write(&self, out: &mut Lines, now: Instant) {
        out.put("BEGIN:VEVENT");
        out.put(&format!("UID:{}@nightloom", self.name));
        out.put(&format!("DTSTAMP:{}", utc(now)));
        out.put(&format!("DTSTART:{}", utc(self.from)));
        out.put(&format!("DTEND:{}", utc(self.to)));
        out.put(&format!("SUMMARY:{}", escaped(&self.title)));
        if !self.about.is_empty() {
            out.put(&format!("DESCRIPTION:{}", escaped(&self.about)));
        }
        out.put("END:VEVENT");
    }
}

/// `20270109T213000Z`.
fn utc(at: Instant) -> String {
    at.plus_seconds(0.5)
        .timestamp()
        .strftime("%Y%m%dT%H%M%SZ")
        .to_string()
}

fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\\' | ';' | ',' => out.extend(['\\', c]),
            '\n' => out.push_str("\\n"),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

struct Lines(String);

impl Lines {
    /// One line, folded between characters.
    fn put(&mut self, line: &str) {
        let mut octets = 0;
        for c in line.chars() {
            if octets + c.len_utf8() > LINE {
                self.0.push_str("\r\n ");
                octets = 1;
            }
            self.0.push(c);
            octets += c.len_utf8();
        }
        self.0.push_str("\r\n");
    }
}
