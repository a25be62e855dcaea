//! Lines of JSON that prove themselves: the last member of each is the checksum of all before it.

/// Stands before the checksum.
const MARK: &[u8] = b",\"check\":\"";
/// Hexadecimal digits of BLAKE3 that are kept: 128 bits.
const DIGITS: usize = 32;

fn digits(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex()[..DIGITS].to_owned()
}

/// A JSON object as a line with its checksum.
pub(crate) fn seal(mut object: Vec<u8>) -> Vec<u8> {
    if object.last() == Some(&b'}') {
        object.pop();
    }
    let check = digits(&object);
    object.extend(MARK);
    object.extend(check.as_bytes());
    object.extend(b"\"}\n");
    object
}

/// The line, if it is whole and not a bit of it was changed.
pub(crate) fn sealed(line: &[u8]) -> Option<&[u8]> {
    let body = line.strip_suffix(b"\"}\n")?;
    let (body, check) = body.split_at_checked(body.len().checked_sub(DIGITS)?)?;
    let body = body.strip_suffix(MARK)?;
    (digits(body).as_bytes() == check).then_some(line)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_change_breaks_the_seal_and_the_line_is_json() {
        let line = seal(br#"{"step":"x","n":1}"#.to_vec());
        assert!(sealed(&line).is_some());
        let read: serde_json::Value = serde_json::from_slice(&line).unwrap();
        assert_eq!(read["n"], 1);
        for at in 0..line.len() {
            for bit in 0..8 {
                let mut other = line.clone();
                other[at] ^= 1 << bit;
                assert!(sealed(&other).is_none(), "bit {bit} of byte {at}");
            }
            assert!(sealed(&line[..at]).is_none(), "cut at {at}");
        }
    }
}
