//! Which way to turn the focus, where frames before and after a turn of the ring tell.
//!
//! The blur of a point out of focus grows with the distance from the focus, so two frames tell on which side of the
//! first the second lies, unless the turn went through the focus: of that the next frame tells.

use crate::cause::Cause;

use super::FrameCheck;

/// Widths this near are alike, as a part of them: seeing and wind change them by as much (common practice, no
/// source).
const ALIKE: f64 = 0.05;
/// Fewer stars do not tell their width well enough.
const LEAST_STARS: usize = 10;
/// Blur of the softer frame in sharp widths, below which there is no turn to measure by.
const LEAST_BLUR: f64 = 0.3;

/// Tells the way to turn in the next step of a frame out of focus, by the frames `before` it, oldest first.
pub(super) fn tell<'a>(
    check: &mut FrameCheck,
    before: impl DoubleEndedIterator<Item = &'a FrameCheck>,
    sharp_px: f64,
) {
    let comparable =
        |c: &&FrameCheck| c.settings[2] == check.settings[2] && same_scale(c, check) && width(c).is_some();
    let (true, Some(now), Some(last)) = (
        check.first() == Some(Cause::Focus),
        width(check),
        before.rev().find(comparable),
    ) else {
        return;
    };
    let Some(was) = width(last) else {
        return;
    };
    let name = std::path::Path::new(&last.frame)
        .file_name()
        .map_or_else(|| last.frame.clone(), |n| n.to_string_lossy().into_owned());
    check.next = advice(was, now, sharp_px, &name);
}

/// Whether two frames were taken at one focal length, as far as they were identified.
fn same_scale(a: &FrameCheck, b: &FrameCheck) -> bool {
    let scales = a.scale_arcsec_px.zip(b.scale_arcsec_px);
    scales.is_none_or(|(a, b)| (a / b - 1.0).abs() < 0.03)
}

/// Width of a frame's stars at its sharpest place, pixels.
fn width(check: &FrameCheck) -> Option<f64> {
    let least = check.figures.as_ref().map(|f| f.growth.least_px);
    let width = least.filter(|w| *w > 0.0).unwrap_or(check.fwhm_px);
    (check.measured && check.stars >= LEAST_STARS && width > 0.0).then_some(width)
}

fn advice(was: f64, now: f64, sharp: f64, name: &str) -> String {
    let blur = |w: f64| (w * w - sharp * sharp).max(0.0).sqrt();
    let (before, after) = (blur(was), blur(now));
    let told = format!("stars {was:.1} → {now:.1} px wide since {name}");
    if (now / was - 1.0).abs() < ALIKE || before.max(after) < LEAST_BLUR * sharp {
        return format!(
            "{}: if you turned the focus ring between them, the best place lies about halfway back; if not, turn it a \
             little and take a frame to compare.",
            capital(&told)
        );
    }
    if now < was {
        let more = after / (before - after).max(1e-9);
        return format!(
            "{}: go on turning the same way, about {} as far again; if the next is softer, you have passed it.",
            capital(&told),
            times(more)
        );
    }
    let back = after / (after - before).max(1e-9);
    format!(
        "{}: turn back, about {} as far as you turned.",
        capital(&told),
        times(back)
    )
}

fn capital(sentence: &str) -> String {
    let mut letters = sentence.chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// A multiple of a turn of the hand, no finer than the hand is.
fn times(ratio: f64) -> String {
    match ratio {
        r if r < 0.4 => "a third".into(),
        r if r < 0.75 => "half".into(),
        r if r < 1.25 => "once".into(),
        r if r < 1.75 => "one and a half times".into(),
        r => format!("{:.0} times", r.min(10.0)),
    }
}

#[cfg(test)]
mod tests {
    use crate::cause::CauseFound;

    use super::*;

    const SHARP: f64 = 2.3;

    /// Width by the distance from the focus, in the unit of turns: blur of 4 px a turn.
    fn at(turns: f64) -> f64 {
        SHARP.hypot(4.0 * turns)
    }

    fn frame(name: &str, width: f64, cause: Cause) -> FrameCheck {
        FrameCheck {
            measured: true,
            fwhm_px: width,
            stars: 100,
            causes: vec![CauseFound {
                cause,
                likelihood: 0.9,
                figure: String::new(),
            }],
            next: "as it was".into(),
            ..FrameCheck::unreadable(name.into(), String::new())
        }
    }

    fn told(from: f64, to: f64) -> String {
        let before = [frame("card/a.dng", at(from), Cause::Focus)];
        let mut check = frame("card/b.dng", at(to), Cause::Focus);
        tell(&mut check, before.iter(), SHARP);
        check.next
    }

    /// Following the advice from either side of the focus brings a frame nearer to it, by the blur's geometry.
    #[test]
    fn the_advice_leads_to_the_focus() {
        for (from, to) in [(-2.0, -1.0), (-1.0, -2.0), (2.0, 1.2), (0.8, 1.6), (1.5, 0.5)] {
            let turn: f64 = to - from;
            let next = told(from, to);
            let (blur, was) = (4.0 * f64::abs(to), 4.0 * f64::abs(from));
            let goal = if blur < was {
                assert!(
                    next.contains("go on turning the same way"),
                    "{from} → {to}: {next}"
                );
                to + turn * (blur / (was - blur))
            } else {
                assert!(next.contains("turn back"), "{from} → {to}: {next}");
                to - turn * (blur / (blur - was))
            };
            assert!(goal.abs() < 1e-9, "{from} → {to} leads to {goal}");
        }
        assert!(told(-2.0, -1.0).contains("about once as far again"));
        assert!(told(-1.0, -1.5).contains("about 3 times as far as you turned"));
        assert!(told(-1.5, -1.0).contains("about 2 times as far again"));
        assert!(told(-1.0, 1.0).contains("halfway back"));
    }

    #[test]
    fn only_what_is_out_of_focus_is_told_and_only_against_the_same_aperture() {
        let before = [frame("a", at(2.0), Cause::Focus)];
        let mut good = frame("b", at(0.1), Cause::Good);
        tell(&mut good, before.iter(), SHARP);
        assert_eq!(good.next, "as it was");
        let mut other = frame("b", at(1.0), Cause::Focus);
        other.settings[2] = Some(4.0);
        tell(&mut other, before.iter(), SHARP);
        assert_eq!(other.next, "as it was");
        let zoomed = [FrameCheck {
            scale_arcsec_px: Some(40.0),
            ..frame("a", at(2.0), Cause::Focus)
        }];
        let mut nearer = FrameCheck {
            scale_arcsec_px: Some(20.0),
            ..frame("b", at(1.0), Cause::Focus)
        };
        tell(&mut nearer, zoomed.iter(), SHARP);
        assert_eq!(nearer.next, "as it was");
        let mut alone = frame("b", at(1.0), Cause::Focus);
        tell(&mut alone, [].iter(), SHARP);
        assert_eq!(alone.next, "as it was");
    }
}
