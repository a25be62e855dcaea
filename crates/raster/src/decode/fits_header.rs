//! What a FITS header may claim, asked before the reader makes room by it.

/// Axes and columns a header may have (FITS 4.0, sections 4.4.1.1 and 7.3.1).
const MOST_AXES: i64 = 999;
const CARD: usize = 80;
const BLOCK: usize = 2880;

/// Looks through the headers of a file: a count of axes or columns beyond the standard's, a negative number where a size
/// belongs, or more pixels than the file has bytes is an error, in words.
pub(super) fn sound(data: &[u8]) -> Result<(), String> {
    let begins = |block: &&[u8]| block.starts_with(b"SIMPLE  =") || block.starts_with(b"XTENSION=");
    let blocks: Vec<&[u8]> = data.chunks(BLOCK).collect();
    for first in (0..blocks.len()).filter(|&k| begins(&blocks[k])) {
        let cards = data[first * BLOCK..].chunks(CARD);
        let (mut pixels, mut shown) = (1u128, 1u128);
        for card in cards.take_while(|card| !card.starts_with(b"END ")) {
            let Some((name, value)) = integer(card) else {
                continue;
            };
            let range = match name {
                "NAXIS" | "ZNAXIS" | "TFIELDS" => 0..=MOST_AXES,
                _ if size_of_axis(name) || name == "PCOUNT" || name == "GCOUNT" => {
                    0..=i64::from(i32::MAX) << 8
                }
                _ => continue,
            };
            if !range.contains(&value) {
                return Err(format!(
                    "{name} is {value}, from {} to {} is possible",
                    range.start(),
                    range.end()
                ));
            }
            let product = match name.as_bytes() {
                [b'N', b'A', b'X', b'I', b'S', _, ..] => &mut pixels,
                [b'Z', b'N', b'A', b'X', b'I', b'S', _, ..] => &mut shown,
                _ => continue,
            };
            *product = product.saturating_mul(value.unsigned_abs().into());
        }
        if pixels > data.len() as u128 {
            return Err(format!(
                "its header tells {pixels} pixels, the file has {} bytes",
                data.len()
            ));
        }
        if shown > u128::from(u32::MAX) << 8 {
            return Err(format!("its header tells {shown} compressed pixels"));
        }
    }
    Ok(())
}

/// `NAXIS1`, `ZNAXIS2`, `ZTILE1` and so on.
fn size_of_axis(name: &str) -> bool {
    let number = ["ZNAXIS", "NAXIS", "ZTILE"]
        .iter()
        .find_map(|n| name.strip_prefix(n));
    number.is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()))
}

/// Keyword and value of a card that holds an integer.
fn integer(card: &[u8]) -> Option<(&str, i64)> {
    let text = std::str::from_utf8(card).ok()?;
    let (name, rest) = text.split_at_checked(8)?;
    let value = rest.strip_prefix('=')?.split('/').next()?.trim();
    Some((name.trim_end(), value.parse().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(cards: &[&str]) -> Vec<u8> {
        let mut text: String = cards.iter().map(|c| format!("{c:<80}")).collect();
        text += &format!("{:<80}", "END");
        let mut bytes = text.into_bytes();
        bytes.resize(2 * BLOCK, b' ');
        bytes
    }

    #[test]
    fn impossible_sizes_are_told_before_room_is_made() {
        let simple = "SIMPLE  =                    T";
        let good = [
            simple,
            "NAXIS   =                    2",
            "NAXIS1  =                   20",
            "NAXIS2  =  12 / rows",
        ];
        assert_eq!(sound(&header(&good)), Ok(()));
        for (bad, told) in [
            ("NAXIS   =                   -1/ number", "NAXIS is -1"),
            ("NAXIS   =                 1000", "NAXIS is 1000"),
            ("NAXIS1  =        9000000000000", "NAXIS1 is 9000000000000"),
            ("NAXIS3  =                 4000", "its header tells 960000 pixels"),
            ("TFIELDS =           2000000000", "TFIELDS is"),
        ] {
            let said = sound(&header(&[&good[..], &[bad]].concat())).expect_err(bad);
            assert!(said.starts_with(told), "{bad}: {said}");
        }
        assert_eq!(sound(b""), Ok(()));
        assert_eq!(sound(b"SIMPLE  = \xff\xfe"), Ok(()));
    }
}
