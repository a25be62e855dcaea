//! What cards, cables, disks and bad copies do to a file, by chance.

use nightloom_fit::Random;

/// Kinds of damage, with the word for each.
pub(crate) const KINDS: [&str; 9] = [
    "cut off",
    "bits flipped",
    "bits flipped in the head",
    "head's word changed",
    "block of zeros",
    "block of rubbish",
    "block from elsewhere",
    "block lost",
    "block there twice",
];

pub(crate) fn below(random: &mut Random, end: usize) -> usize {
    ((random.uniform() * end as f64) as usize).min(end.saturating_sub(1))
}

/// Sectors and clusters of cards and disks.
fn block(random: &mut Random, length: usize) -> (usize, usize) {
    let size = [512, 4096, 16 << 10, 64 << 10][below(random, 4)].min(length / 2);
    let at = below(random, length - size) & !511;
    (at, at + size)
}

/// A damaged copy of a file.
pub(crate) fn damaged(whole: &[u8], kind: usize, random: &mut Random) -> Vec<u8> {
    let mut file = whole.to_vec();
    let length = file.len();
    // Directories stand at a raw's beginning and end.
    let head = |random: &mut Random| match below(random, 2) {
        0 => below(random, 600.min(length)),
        _ => length - 1 - below(random, 800.min(length)),
    };
    match KINDS[kind] {
        "cut off" => file.truncate(below(random, length)),
        "bits flipped" => (0..1 + below(random, 8)).for_each(|_| {
            let at = below(random, length);
            file[at] ^= 1 << below(random, 8);
        }),
        "bits flipped in the head" => (0..1 + below(random, 4)).for_each(|_| {
            let at = head(random);
            file[at] ^= 1 << below(random, 8);
        }),
        "head's word changed" => {
            let at = head(random).min(length - 4);
            let word = [
                0,
                u32::MAX,
                0x7fff_ffff,
                0x8000_0000,
                (random.uniform() * 4e9) as u32,
            ];
            file[at..at + 4].copy_from_slice(&word[below(random, 5)].to_le_bytes());
        }
        "block of zeros" => {
            let (from, to) = block(random, length);
            file[from..to].fill(0);
        }
        "block of rubbish" => {
            let (from, to) = block(random, length);
            file[from..to]
                .iter_mut()
                .for_each(|b| *b = (random.uniform() * 256.0) as u8);
        }
        "block from elsewhere" => {
            let (from, to) = block(random, length);
            let other = below(random, length - (to - from)) & !511;
            file.copy_within(from..to, other);
        }
        "block lost" => {
            let (from, to) = block(random, length);
            file.drain(from..to);
        }
        _ => {
            let (from, to) = block(random, length);
            let piece = file[from..to].to_vec();
            file.splice(to..to, piece);
        }
    }
    file
}
