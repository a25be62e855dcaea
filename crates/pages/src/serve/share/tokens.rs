//! The one-time token and the sessions it opens.

use std::time::{Duration, Instant};

use subtle::{Choice, ConstantTimeEq};

/// 128 bits: nobody guesses one.
pub(super) const BYTES: usize = 16;
/// A code that nobody scanned is good for so long.
pub(super) const GOOD_FOR: Duration = Duration::from_secs(600);
/// Phones that may be let in at a time; the first one goes when there are more.
const PHONES: usize = 6;

/// So many bytes of the system's own random source.
pub(super) type Secret = [u8; BYTES];

/// As it stands in addresses and cookies.
pub(super) fn written(secret: &Secret) -> String {
    secret.iter().map(|b| format!("{b:02x}")).collect()
}

/// Whether `text` is that secret; takes the same time whatever is wrong with it.
pub(super) fn is(secret: &Secret, text: &str) -> Choice {
    written(secret).as_bytes().ct_eq(text.as_bytes())
}

/// What opens the shared address, and for whom it is open.
pub(super) struct Tokens {
    /// Who may be let in at a time.
    most: usize,
    /// Until somebody used it.
    once: Option<(Secret, Instant)>,
    sessions: Vec<Secret>,
}

impl Default for Tokens {
    fn default() -> Self {
        Self::for_so_many(PHONES)
    }
}

impl Tokens {
    /// With room for `most` sessions; the first one goes when there are more.
    pub(super) fn for_so_many(most: usize) -> Self {
        Self {
            most,
            once: None,
            sessions: Vec::new(),
        }
    }

    /// Opens a session.
    pub(super) fn admit(&mut self, session: Secret) {
        if self.sessions.len() == self.most {
            self.sessions.remove(0);
        }
        self.sessions.push(session);
    }

    /// A new one-time token; the one before opens nothing any more.
    pub(super) fn renew(&mut self, secret: Secret, now: Instant) {
        self.once = Some((secret, now));
    }

    /// The token that still opens, if there is one.
    pub(super) fn waiting(&self, now: Instant) -> Option<&Secret> {
        let (secret, since) = self.once.as_ref()?;
        (now.duration_since(*since) < GOOD_FOR).then_some(secret)
    }

    /// Spends the token for a session.
    pub(super) fn exchange(&mut self, text: &str, session: Secret, now: Instant) -> bool {
        let right = self.waiting(now).is_some_and(|secret| is(secret, text).into());
        if right {
            self.once = None;
            self.admit(session);
        }
        right
    }

    /// Whether a cookie belongs to an open session. All are looked at, so that the time tells nothing.
    pub(super) fn knows(&self, text: &str) -> bool {
        let all = self.sessions.iter().map(|secret| is(secret, text));
        all.fold(Choice::from(0), |a, b| a | b).into()
    }

    pub(super) fn phones(&self) -> usize {
        self.sessions.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_opens_once() {
        let (mut tokens, now) = (Tokens::default(), Instant::now());
        assert!(!tokens.exchange("", [9; BYTES], now), "before there is one");
        tokens.renew([0xab; BYTES], now);
        let right = "ab".repeat(BYTES);
        for wrong in ["", "ab", &right[2..], &right.to_uppercase(), &format!("{right}0")] {
            assert!(!tokens.exchange(wrong, [9; BYTES], now), "{wrong}");
        }
        assert!(tokens.exchange(&right, [1; BYTES], now));
        assert!(!tokens.exchange(&right, [2; BYTES], now), "spent");
        assert!(tokens.knows(&"01".repeat(BYTES)));
        assert!(!tokens.knows(&"02".repeat(BYTES)) && !tokens.knows("") && !tokens.knows(&right));
    }

    #[test]
    fn a_token_ages_and_a_new_one_ends_the_old() {
        let (mut tokens, now) = (Tokens::default(), Instant::now());
        tokens.renew([1; BYTES], now);
        assert!(!tokens.exchange(&"01".repeat(BYTES), [9; BYTES], now + GOOD_FOR));
        tokens.renew([2; BYTES], now);
        tokens.renew([3; BYTES], now);
        assert!(!tokens.exchange(&"02".repeat(BYTES), [9; BYTES], now));
        assert!(tokens.exchange(&"03".repeat(BYTES), [9; BYTES], now));
    }

    #[test]
    fn phones_beyond_the_last_put_the_first_out() {
        let (mut tokens, now) = (Tokens::default(), Instant::now());
        for n in 0..=PHONES as u8 {
            tokens.renew([200 + n; BYTES], now);
            assert!(tokens.exchange(&written(&[200 + n; BYTES]), [n; BYTES], now));
        }
        assert_eq!(tokens.phones(), PHONES);
        assert!(!tokens.knows(&written(&[0; BYTES])));
        assert!(tokens.knows(&written(&[1; BYTES])) && tokens.knows(&written(&[PHONES as u8; BYTES])));
    }
}
