//! The shot list in words that every face of the program says alike.

use super::{Block, BlockKind, ShotList};

/// Said beside every list: law and site first, then cold, dark and the road.
pub const CAUTIONS: [&str; 5] = [
    "Local law and the site's rules come first: closures, night access, lights, wildlife.",
    "Cold and dark slow the head: do the sums before, keep warm, eat and drink, know the ground by day.",
    "Carry two lights and a charged phone; keep from edges, water and roads while looking at a screen.",
    "Leave this plan with someone, with a time to turn back by, and turn back then.",
    "Do not drive tired: sleep first, or let someone else drive.",
];

/// `90 s`, or `1/4 s` where that is how it is written.
pub fn short_seconds(seconds: f64) -> String {
    let whole = (1.0 / seconds).round();
    if seconds < 0.3 && (whole * seconds - 1.0).abs() < 1e-6 {
        return format!("1/{whole:.0} s");
    }
    format!("{} s", (seconds * 100.0).round() / 100.0)
}

impl Block {
    /// `4 × 90 s · f/2.8 · ISO 1600 · gap 4 s`; empty where no frames are taken.
    pub fn detail(&self) -> String {
        let Some(exposure_s) = self.exposure_s.filter(|_| self.count > 0) else {
            return String::new();
        };
        let mut parts = vec![format!("{} × {}", self.count, short_seconds(exposure_s))];
        parts.extend(self.f_number.map(|n| format!("f/{n}")));
        parts.extend(self.iso.map(|iso| format!("ISO {iso}")));
        if self.count > 1 && self.kind != BlockKind::Test {
            let told = |what: &str, s: Option<f64>| s.map(|s| format!("{what} {}", short_seconds(s)));
            parts.extend(told("gap", self.gap_s));
            parts.extend(told("interval", self.interval_s));
        }
        // A figure and its unit stay together.
        let parts = parts.into_iter().map(|part| part.replace(' ', "\u{a0}"));
        parts.collect::<Vec<_>>().join(" · ")
    }
}

impl ShotList {
    /// Why the answer is no where the plan does not fit, and what to do.
    pub fn no(&self) -> String {
        let by = format!("the plan does not fit, by {:.0} min", self.short_by_min.ceil());
        let why = self.short.join("; ");
        let way_out = match &self.proposal {
            Some(cuts) => {
                let cuts = cuts.iter().map(|c| format!("{} of the {}", c.frames, c.what.words()));
                format!("it fits without {}", cuts.collect::<Vec<_>>().join(" and "))
            }
            None => "fewer frames alone do not make it fit: shorten the exposures or the pauses, choose another light, or another night".into(),
        };
        format!("{by} ({why}); {way_out}")
    }
}
