//! The compact form in which a decoded file travels: the samples as the file has them (two bytes
//! for most raws) and what is needed to make linear values of them.

use super::orient::Walk;
use super::profile::Curve;
use crate::{CameraColour, Cfa, Frame, FrameMeta, Levels, Mosaic, Pixels, Plane, Rgb};
use rayon::prelude::*;

/// What the samples are.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) enum Channels {
    Mosaic(Cfa),
    Rgb,
    Grey,
}

impl Channels {
    pub(crate) fn count(self) -> usize {
        if matches!(self, Self::Rgb) { 3 } else { 1 }
    }
    /// How many levels there are: one for each place in the cell of filters, or for each channel.
    pub(crate) fn places(self) -> usize {
        match self {
            Self::Mosaic(cfa) => cfa.cell().len(),
            Self::Rgb => 3,
            Self::Grey => 1,
        }
    }
}

/// The type of the samples.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) enum Depth {
    U8,
    U16,
    F32,
}

impl Depth {
    pub(crate) fn bytes(self) -> usize {
        match self {
            Self::U8 => 1,
            Self::U16 => 2,
            Self::F32 => 4,
        }
    }
}

/// Everything but the samples.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) struct Header {
    /// Stored size, before `orientation` is applied.
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) channels: Channels,
    pub(crate) depth: Depth,
    /// Per place in the stored filter cell, or per channel.
    pub(crate) black: Vec<f32>,
    pub(crate) white: Vec<f32>,
    /// From the file's values (0 to 1) to light; not linear only for whole-number samples.
    pub(crate) curve: Curve,
    /// EXIF orientation still to be applied.
    pub(crate) orientation: u8,
    pub(crate) colour: CameraColour,
    pub(crate) meta: FrameMeta,
    pub(crate) bits: u8,
    pub(crate) was_linear: bool,
}

impl Header {
    /// Number of samples, or nothing where the product leaves `usize`.
    pub(crate) fn samples(&self) -> Option<usize> {
        self.width
            .checked_mul(self.height)?
            .checked_mul(self.channels.count())
    }

    /// Whether every place has its levels.
    pub(crate) fn is_whole(&self) -> bool {
        let places = self.channels.places();
        self.black.len() == places && self.white.len() == places
    }
}

/// The samples, row after row, channels beside each other.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Samples {
    U8(Vec<u8>),
    U16(Vec<u16>),
    F32(Vec<f32>),
}

impl Samples {
    pub(crate) fn zeroed(depth: Depth, count: usize) -> Self {
        match depth {
            Depth::U8 => Self::U8(vec![0; count]),
            Depth::U16 => Self::U16(vec![0; count]),
            Depth::F32 => Self::F32(vec![0.0; count]),
        }
    }
    pub(crate) fn depth(&self) -> Depth {
        match self {
            Self::U8(_) => Depth::U8,
            Self::U16(_) => Depth::U16,
            Self::F32(_) => Depth::F32,
        }
    }
    pub(crate) fn as_bytes(&self) -> &[u8] {
        match self {
            Self::U8(v) => v,
            Self::U16(v) => bytemuck::cast_slice(v),
            Self::F32(v) => bytemuck::cast_slice(v),
        }
    }
    pub(crate) fn as_bytes_mut(&mut self) -> &mut [u8] {
        match self {
            Self::U8(v) => v,
            Self::U16(v) => bytemuck::cast_slice_mut(v),
            Self::F32(v) => bytemuck::cast_slice_mut(v),
        }
    }
}

/// A picture in the sense of a picture file (TIFF, PNG, JPEG): no black level, one white.
pub(crate) struct Finished {
    pub(crate) size: (usize, usize),
    pub(crate) channels: Channels,
    pub(crate) samples: Samples,
    pub(crate) white: f32,
    pub(crate) curve: Curve,
    pub(crate) colour: CameraColour,
    pub(crate) meta: FrameMeta,
    pub(crate) bits: u8,
}

impl Finished {
    pub(crate) fn coded(self) -> Coded {
        let header = Header {
            width: self.size.0,
            height: self.size.1,
            channels: self.channels,
            depth: self.samples.depth(),
            black: vec![0.0; self.channels.places()],
            white: vec![self.white; self.channels.places()],
            was_linear: self.curve == Curve::Linear,
            curve: self.curve,
            orientation: self.meta.orientation.unwrap_or(1),
            colour: self.colour,
            meta: self.meta,
            bits: self.bits,
        };
        Coded {
            header,
            samples: self.samples,
        }
    }
}

/// A decoded file on its way.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Coded {
    pub(crate) header: Header,
    pub(crate) samples: Samples,
}

impl Coded {
    /// Linear values, upright. The samples must be as many as the header says.
    pub(crate) fn into_frame(self) -> Frame {
        let Self { header, samples } = self;
        let walk = Walk::new(header.width, header.height, header.orientation);
        let pixels = match &samples {
            Samples::U8(v) => pixels(&header, &walk, v, 255.0, usize::from),
            Samples::U16(v) => pixels(&header, &walk, v, 65535.0, usize::from),
            // What is not a number (blank pixels in FITS) counts as no light.
            Samples::F32(v) => {
                linear_pixels(
                    &header,
                    &walk,
                    v,
                    |v| if v.is_finite() { v } else { header.black[0] },
                )
            }
        };
        Frame {
            pixels,
            levels: levels(&header, &walk),
            colour: header.colour,
            meta: header.meta,
            bits: header.bits,
            was_linear: header.was_linear,
        }
    }
}

/// The levels in the order of the upright picture.
fn levels(header: &Header, walk: &Walk) -> Levels {
    let upright = |of: &[f32]| match header.channels {
        Channels::Mosaic(cfa) if cfa.side() <= 2 => [(0, 0), (1, 0), (0, 1), (1, 1)].map(|(x, y)| {
            let (sx, sy) = walk.stored_place(x, y, cfa.side());
            of[sy * cfa.side() + sx]
        }),
        Channels::Mosaic(cfa) => [0, 1, 2, 2].map(|c| mean_of_colour(cfa, of, c)),
        Channels::Rgb => [of[0], of[1], of[2], of[2]],
        Channels::Grey => [of[0]; 4],
    };
    Levels {
        black: upright(&header.black),
        white: upright(&header.white),
    }
}

fn mean_of_colour(cfa: Cfa, of: &[f32], colour: u8) -> f32 {
    let own = of.iter().zip(cfa.cell()).filter(|(_, c)| **c == colour);
    let (sum, n) = own.fold((0.0, 0.0), |(sum, n), (v, _)| (sum + v, n + 1.0f32));
    if n > 0.0 { sum / n } else { of[0] }
}

fn pixels<T: Copy + Sync + Into<f32>>(
    header: &Header,
    walk: &Walk,
    samples: &[T],
    most: f32,
    index: impl Fn(T) -> usize + Sync,
) -> Pixels {
    if header.curve == Curve::Linear {
        return linear_pixels(header, walk, samples, Into::into);
    }
    let table: Vec<f32> = (0..=most as usize)
        .map(|v| header.curve.linear(v as f32 / most))
        .collect();
    assemble(header, walk, samples, |_, _, v| table[index(v)])
}

fn linear_pixels<T: Copy + Sync>(
    header: &Header,
    walk: &Walk,
    samples: &[T],
    value: impl Fn(T) -> f32 + Sync,
) -> Pixels {
    let levels = header.black.iter().zip(&header.white);
    let scale: Vec<f32> = levels
        .map(|(b, w)| 1.0 / (w - b).max(f32::MIN_POSITIVE))
        .collect();
    let black = &header.black;
    assemble(header, walk, samples, |place, _, v| {
        (value(v) - black[place]) * scale[place]
    })
}

/// Builds the planes row by row. `value` gets the place (in the filter cell, or the channel), the
/// upright row, and the sample.
fn assemble<T: Copy + Sync>(
    header: &Header,
    walk: &Walk,
    samples: &[T],
    value: impl Fn(usize, usize, T) -> f32 + Sync,
) -> Pixels {
    match header.channels {
        Channels::Mosaic(cfa) => {
            let plane = plane(walk, |row, y| {
                let (first, step) = walk.row(y);
                let side = cfa.side();
                let places: [usize; 6] = std::array::from_fn(|x| {
                    let (sx, sy) = walk.stored_place(x, y, side);
                    sy * side + sx
                });
                for (x, out) in row.iter_mut().enumerate() {
                    *out = value(
                        places[x % side],
                        y,
                        samples[(first as isize + step * x as isize) as usize],
                    );
                }
            });
            Pixels::Mosaic(Mosaic {
                plane,
                cfa: walk.cfa(cfa),
            })
        }
        Channels::Grey => Pixels::Grey(channel(walk, samples, 1, 0, &value)),
        Channels::Rgb => Pixels::Rgb(Rgb::from_planes(
            [0, 1, 2].map(|c| channel(walk, samples, 3, c, &value)),
        )),
    }
}

fn channel<T: Copy + Sync>(
    walk: &Walk,
    samples: &[T],
    count: usize,
    channel: usize,
    value: &(impl Fn(usize, usize, T) -> f32 + Sync),
) -> Plane {
    plane(walk, |row, y| {
        let (first, step) = walk.row(y);
        for (x, out) in row.iter_mut().enumerate() {
            let at = (first as isize + step * x as isize) as usize * count + channel;
            *out = value(channel, y, samples[at]);
        }
    })
}

fn plane(walk: &Walk, fill: impl Fn(&mut [f32], usize) + Sync) -> Plane {
    let mut data = vec![0.0; walk.width * walk.height];
    data.par_chunks_mut(walk.width.max(1))
        .enumerate()
        .for_each(|(y, row)| fill(row, y));
    Plane::from_vec(walk.width, walk.height, data)
}
