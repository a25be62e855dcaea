//! Changes by chance, the same for the same seed.

/// SplitMix64 (Steele, Lea & Flood 2014).
pub(super) struct Random(pub(super) u64);

impl Random {
    pub(super) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    pub(super) fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
}

/// Words that parsers stumble over.
const WORDS: [&[u8]; 18] = [
    b"\0",
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"\x80\0\0\0",
    b"-1",
    b"1e999",
    b"nan",
    b"inf",
    b"\"",
    b"[[",
    b"]",
    b"=",
    b"\r\n",
    b"99999999999999999999",
    b"\xef\xbb\xbf",
    b"\xc3\x28",
    b"..",
    b"\x1b[2J",
];

/// One change: bits, bytes, words, pieces moved, taken away, doubled, or put in from elsewhere. The head, where lengths
/// and counts stand, is changed as often as all the rest.
pub(super) fn mutate(input: &mut Vec<u8>, corpus: &[Vec<u8>], random: &mut Random) {
    if input.is_empty() {
        input.extend(WORDS[random.below(WORDS.len())]);
        return;
    }
    let length = input.len();
    let at = if random.below(2) == 0 {
        random.below(length.min(512))
    } else {
        random.below(length)
    };
    let size = 1 + random.below(64).min(length - 1);
    match random.below(9) {
        0 | 1 => input[at] ^= 1 << random.below(8),
        2 => input[at] = random.next() as u8,
        3 => input.truncate(at),
        4 => {
            let word = WORDS[random.below(WORDS.len())];
            input.splice(at..at, word.iter().copied());
        }
        5 => {
            let word = WORDS[random.below(WORDS.len())];
            let end = (at + word.len()).min(length);
            input.splice(at..end, word.iter().copied());
        }
        6 => {
            let end = (at + size).min(length);
            input.drain(at..end);
        }
        7 => {
            let piece = input[at..(at + size).min(length)].to_vec();
            let to = random.below(length);
            input.splice(to..to, piece);
        }
        _ => {
            let other = &corpus[random.below(corpus.len())];
            if !other.is_empty() {
                let from = random.below(other.len());
                let piece = &other[from..(from + size).min(other.len())];
                input.splice(at..at, piece.iter().copied());
            }
        }
    }
}
