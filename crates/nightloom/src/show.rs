//! Progress: a bar with the time left on a terminal, plain lines elsewhere.

use std::io::IsTerminal;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use nightloom_outing::Step;

use crate::out;

/// Steps of the bar.
const STEPS: u64 = 1000;
/// On plain lines, one at most this often within a stage.
const QUIET: Duration = Duration::from_secs(10);
/// Nothing is said of the time left before this part of the job is done.
const TELLING: f64 = 0.03;

/// Shows how far the work is.
pub(crate) struct Show {
    bar: Option<ProgressBar>,
    state: Mutex<State>,
}

struct State {
    began: Instant,
    stage: String,
    said: Instant,
}

impl State {
    fn new() -> Self {
        Self {
            began: Instant::now(),
            stage: String::new(),
            said: Instant::now(),
        }
    }
}

impl Show {
    pub(crate) fn new() -> Self {
        let bar = std::io::stderr().is_terminal().then(|| {
            let bar = ProgressBar::with_draw_target(Some(STEPS), ProgressDrawTarget::stderr_with_hz(8));
            if let Ok(style) = ProgressStyle::with_template("{bar:24} {percent:>3} % {msg}") {
                bar.set_style(style);
            }
            bar
        });
        Self {
            bar,
            state: Mutex::new(State::new()),
        }
    }

    /// A new job: its time is counted from now.
    pub(crate) fn begin(&self) {
        *self.state() = State::new();
        if let Some(bar) = &self.bar {
            bar.reset();
        }
    }

    /// Takes the bar away.
    pub(crate) fn end(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }

    pub(crate) fn progress(&self, step: &Step<'_>) {
        let mut state = self.state();
        let part = step.overall.unwrap_or(step.done).clamp(0.0, 1.0);
        let left = step
            .overall
            .and_then(|part| time_left(state.began.elapsed(), part));
        let left = left
            .map(|t| format!(", {} left", in_words(t)))
            .unwrap_or_default();
        if let Some(bar) = &self.bar {
            bar.set_position((part * STEPS as f64) as u64);
            let note = if step.note.is_empty() {
                String::new()
            } else {
                format!(": {}", out::plain(step.note))
            };
            bar.set_message(format!("{}{note}{left}", step.stage));
            return;
        }
        let new_stage = state.stage != step.stage;
        if new_stage || state.said.elapsed() >= QUIET {
            out::say(&format!("{:>3.0} % {}{left}", part * 100.0, step.stage));
            state.stage = step.stage.to_owned();
            state.said = Instant::now();
        }
    }

    pub(crate) fn note(&self, line: &str) {
        match &self.bar {
            Some(bar) => bar.suspend(|| out::say(line)),
            None => out::say(line),
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// What is left at the speed so far.
fn time_left(spent: Duration, part: f64) -> Option<Duration> {
    let seconds = spent.as_secs_f64() * (1.0 - part) / part;
    (part >= TELLING && seconds.is_finite()).then(|| Duration::from_secs_f64(seconds.clamp(0.0, 1e6)))
}

fn in_words(time: Duration) -> String {
    match time.as_secs() {
        s @ 0..=99 => format!("{s} s"),
        s => format!("{} min", (s + 30) / 60),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_left_is_what_remains_at_the_speed_so_far() {
        let left = time_left(Duration::from_secs(30), 0.25);
        assert_eq!(left, Some(Duration::from_secs(90)));
        assert_eq!(time_left(Duration::from_secs(30), 0.0), None);
        assert_eq!(time_left(Duration::from_secs(30), 1.0), Some(Duration::ZERO));
        assert_eq!(in_words(Duration::from_secs(150)), "3 min");
    }
}
