//! What was found without hints as plain bytes, so that a hint can be answered later without finding it again.

use std::io::{self, Read, Write};

use nightloom_raster::{Plane, Rgb};

use crate::{
    Coarse, Finding, Matte, SkyModel,
    cells::{Cell, Cells},
    land_model::LandModel,
    sky_model::{CellLevel, SkyCell},
};

const MAGIC: &[u8; 8] = b"NLEDGE02";
/// Values turned into bytes at a time.
const PIECE: usize = 1 << 15;
/// No plane has a side longer than this.
const MOST_SIDE: u64 = 1 << 20;

/// Writes coarse labels and matte to the bit.
///
/// # Errors
/// What the writer says.
pub fn write_edge(out: &mut dyn Write, coarse: &Coarse, matte: &Matte) -> io::Result<()> {
    out.write_all(MAGIC)?;
    let finding = match coarse.finding {
        Finding::Both => 0,
        Finding::SkyOnly => 1,
        Finding::LandOnly => 2,
    };
    numbers(out, &[coarse.factor as u64, finding])?;
    let facts = [
        coarse.sky_fraction,
        coarse.certainty,
        matte.sky_fraction,
        matte.unknown_fraction,
        matte.separation_sigma,
    ];
    numbers(out, &facts.map(f64::to_bits))?;
    floats(out, [coarse.step].into_iter())?;
    write_plane(out, &coarse.sky)?;
    let cells = &coarse.cells.cells;
    floats(
        out,
        cells.iter().flat_map(|c| {
            [
                c.colour[0],
                c.colour[1],
                c.colour[2],
                c.structure,
                c.texture,
                c.valid,
            ]
        }),
    )?;
    numbers(out, &[coarse.unary.len() as u64])?;
    floats(out, coarse.unary.iter().copied())?;
    write_plane(out, &matte.alpha)?;
    numbers(out, &[matte.sky_cells.len() as u64])?;
    floats(out, matte.sky_cells.iter().flat_map(sky_cell_values))?;
    write_land(out, Some(&matte.deep_model))?;
    write_land(out, matte.land_model.as_ref())
}

/// Reads what [`write_edge`] wrote about this picture.
///
/// # Errors
/// If the reader fails, or what it gives is no such data or of a picture of another size.
pub fn read_edge(from: &mut dyn Read, picture: &Rgb) -> io::Result<(Coarse, Matte)> {
    let mut magic = [0; 8];
    from.read_exact(&mut magic)?;
    if &magic != MAGIC {
        return Err(damaged());
    }
    let [factor, finding] = read_numbers(from)?;
    let finding = match finding {
        0 => Finding::Both,
        1 => Finding::SkyOnly,
        2 => Finding::LandOnly,
        _ => return Err(damaged()),
    };
    let facts: [f64; 5] = read_numbers(from)?.map(f64::from_bits);
    let step = read_floats(from, 1)?[0];
    let sky = read_plane(from)?;
    let n = sky.data().len();
    let factor = usize::try_from(factor).map_err(|_| damaged())?;
    let (width, height) = (picture.width(), picture.height());
    if factor == 0 || (sky.width(), sky.height()) != (width.div_ceil(factor), height.div_ceil(factor)) {
        return Err(damaged());
    }
    let cell = |v: &[f32; 6]| Cell {
        colour: [v[0], v[1], v[2]],
        structure: v[3],
        texture: v[4],
        valid: v[5],
    };
    let cells = read_floats(from, 6 * n)?;
    let cells = Cells {
        width: sky.width(),
        height: sky.height(),
        factor,
        cells: cells.as_chunks::<6>().0.iter().map(cell).collect(),
    };
    let [count] = read_numbers(from)?;
    if count != n as u64 {
        return Err(damaged());
    }
    let unary = read_floats(from, n)?;
    let alpha = read_plane(from)?;
    if (alpha.width(), alpha.height()) != (width, height) {
        return Err(damaged());
    }
    let sky_cells = read_sky_cells(from, picture)?;
    let deep_model = read_land(from)?.unwrap_or_default();
    let land_model = read_land(from)?;
    let coarse = Coarse {
        sky,
        factor,
        finding,
        sky_fraction: facts[0],
        certainty: facts[1],
        cells,
        unary,
        step,
    };
    let matte = Matte {
        alpha,
        sky_model: SkyModel::through(&sky_cells, picture),
        sky_fraction: facts[2],
        unknown_fraction: facts[3],
        separation_sigma: facts[4],
        land_model,
        sky_cells,
        deep_model,
    };
    Ok((coarse, matte))
}

fn damaged() -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidData,
        "it is not a whole work file of this picture",
    )
}

fn numbers(out: &mut dyn Write, values: &[u64]) -> io::Result<()> {
    values.iter().try_for_each(|v| out.write_all(&v.to_le_bytes()))
}

fn read_numbers<const N: usize>(from: &mut dyn Read) -> io::Result<[u64; N]> {
    let mut values = [0; N];
    for value in &mut values {
        let mut bytes = [0; 8];
        from.read_exact(&mut bytes)?;
        *value = u64::from_le_bytes(bytes);
    }
    Ok(values)
}

fn floats(out: &mut dyn Write, values: impl Iterator<Item = f32>) -> io::Result<()> {
    let mut bytes = Vec::with_capacity(PIECE * 4);
    for value in values {
        bytes.extend(value.to_le_bytes());
        if bytes.len() == PIECE * 4 {
            out.write_all(&bytes)?;
            bytes.clear();
        }
    }
    out.write_all(&bytes)
}

/// Grows as it reads, so that a false count asks for no more memory than the file has.
fn read_floats(from: &mut dyn Read, count: usize) -> io::Result<Vec<f32>> {
    let mut values = Vec::with_capacity(count.min(PIECE));
    let mut bytes = vec![0; PIECE * 4];
    while values.len() < count {
        let piece = &mut bytes[..(count - values.len()).min(PIECE) * 4];
        from.read_exact(piece)?;
        values.extend(piece.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)));
    }
    Ok(values)
}

fn write_plane(out: &mut dyn Write, plane: &Plane) -> io::Result<()> {
    numbers(out, &[plane.width() as u64, plane.height() as u64])?;
    floats(out, plane.data().iter().copied())
}

fn read_plane(from: &mut dyn Read) -> io::Result<Plane> {
    let [width, height] = read_numbers(from)?;
    if width > MOST_SIDE || height > MOST_SIDE {
        return Err(damaged());
    }
    let (width, height) = (width as usize, height as usize);
    Ok(Plane::from_vec(width, height, read_floats(from, width * height)?))
}

fn sky_cell_values(cell: &SkyCell) -> [f32; 12] {
    match cell {
        None => [f32::NAN; 12],
        Some(levels) => std::array::from_fn(|k| {
            let level = &levels[k / 4];
            [level.level, level.sigma, level.centre[0], level.centre[1]][k % 4]
        }),
    }
}

fn read_sky_cells(from: &mut dyn Read, picture: &Rgb) -> io::Result<Vec<SkyCell>> {
    let [count] = read_numbers(from)?;
    let side = |n: usize| n.div_ceil(crate::sky_model::FACTOR);
    if count != (side(picture.width()) * side(picture.height())) as u64 {
        return Err(damaged());
    }
    let values = read_floats(from, 12 * count as usize)?;
    let cell = |v: &[f32; 12]| {
        v.iter().all(|v| v.is_finite()).then(|| {
            std::array::from_fn(|c| CellLevel {
                level: v[4 * c],
                sigma: v[4 * c + 1],
                centre: [v[4 * c + 2], v[4 * c + 3]],
            })
        })
    };
    Ok(values.as_chunks::<12>().0.iter().map(cell).collect())
}

fn write_land(out: &mut dyn Write, model: Option<&LandModel>) -> io::Result<()> {
    numbers(out, &[u64::from(model.is_some())])?;
    let Some(model) = model else {
        return Ok(());
    };
    numbers(out, &[u64::from(model.is_empty())])?;
    model.planes().try_for_each(|plane| write_plane(out, plane))
}

fn read_land(from: &mut dyn Read) -> io::Result<Option<LandModel>> {
    let [there] = read_numbers(from)?;
    if there == 0 {
        return Ok(None);
    }
    let [empty] = read_numbers(from)?;
    let planes = (0..9).map(|_| read_plane(from)).collect::<io::Result<Vec<_>>>()?;
    LandModel::of_planes(planes, empty != 0)
        .map(Some)
        .ok_or_else(damaged)
}
