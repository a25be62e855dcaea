//! Finished stacks laid by exactly as they are, 32-bit floats, so that a build that goes on later
//! gives the same bytes as one that was never stopped.

use std::fs::File;
use std::io::{self, BufReader, Read, Write};
use std::path::Path;

use nightloom_raster::Plane;
use nightloom_raster::atomic::write_whole;

const MAGIC: &[u8; 8] = b"NLEXACT1";
/// Values turned into bytes at a time.
const PIECE: usize = 1 << 15;

/// Writes planes of one size.
pub(super) fn write_planes(path: &Path, planes: &[&Plane]) -> io::Result<()> {
    write_whole(path, |file| {
        file.write_all(MAGIC)?;
        let size = planes.first().map_or((0, 0), |p| (p.width(), p.height()));
        for number in [planes.len(), size.0, size.1] {
            file.write_all(&(number as u64).to_le_bytes())?;
        }
        let mut bytes = Vec::with_capacity(PIECE * 4);
        for values in planes.iter().flat_map(|p| p.data().chunks(PIECE)) {
            bytes.clear();
            bytes.extend(values.iter().flat_map(|v| v.to_le_bytes()));
            file.write_all(&bytes)?;
        }
        Ok(())
    })
}

/// Reads what [`write_planes`] wrote.
pub(crate) fn read_planes(path: &Path) -> io::Result<Vec<Plane>> {
    let damaged = || io::Error::new(io::ErrorKind::InvalidData, "it is not a whole work file");
    let file = File::open(path)?;
    let length = file.metadata()?.len();
    let mut file = BufReader::with_capacity(1 << 20, file);
    let mut header = [0u8; 32];
    file.read_exact(&mut header)?;
    let number = |i: usize| u64::from_le_bytes(header[i..i + 8].try_into().unwrap_or_default());
    let [count, width, height] = [number(8), number(16), number(24)];
    let expected = count
        .checked_mul(width)
        .and_then(|n| n.checked_mul(height))
        .and_then(|n| n.checked_mul(4));
    if &header[..8] != MAGIC || expected.and_then(|n| n.checked_add(32)) != Some(length) {
        return Err(damaged());
    }
    (0..count)
        .map(|_| read_plane(&mut file, width as usize, height as usize))
        .collect()
}

fn read_plane(file: &mut impl Read, width: usize, height: usize) -> io::Result<Plane> {
    let mut data = Vec::with_capacity(width * height);
    let mut bytes = vec![0; PIECE * 4];
    while data.len() < width * height {
        let piece = &mut bytes[..(width * height - data.len()).min(PIECE) * 4];
        file.read_exact(piece)?;
        data.extend(piece.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)));
    }
    Ok(Plane::from_vec(width, height, data))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_to_the_bit_and_half_a_file_is_refused() {
        let folder = std::env::temp_dir().join(format!("nightloom-exact-{}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder");
        let path = folder.join("planes");
        let plane = Plane::from_fn(300, 200, |x, y| (x as f32 - 7.3) * 1e-3 + y as f32);
        let other = Plane::filled(300, 200, f32::MIN_POSITIVE);
        write_planes(&path, &[&plane, &other]).expect("written");
        assert_eq!(read_planes(&path).expect("read"), vec![plane, other]);
        let whole = std::fs::read(&path).expect("bytes");
        std::fs::write(&path, &whole[..whole.len() / 2]).expect("cut");
        assert!(read_planes(&path).is_err());
        std::fs::remove_dir_all(&folder).expect("removed");
    }
}
