//! Charts as files: the SVG itself, or drawn from it as PNG and PDF.
//!
//! A chart's SVG is of few elements, all made here, so that reading it back takes no library for SVG at large; what is not
//! among them is an error and never left out in silence. The letters are those of the embedded font.

mod font;
mod outline;
mod pdf;
mod png;
mod scene;

use std::path::Path;

use scene::Scene;

/// How a chart is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChartFormat {
    /// As it is made.
    Svg,
    /// In pixels, two to a unit of the SVG.
    Png,
    /// In lines and letters, on a page of the chart's own size: three quarters of a point to a unit of the SVG.
    Pdf,
}

impl ChartFormat {
    /// By the ending of a file's name; none where it is another one.
    pub fn of(file: &Path) -> Option<Self> {
        let ending = file.extension()?.to_str()?.to_ascii_lowercase();
        match &*ending {
            "svg" => Some(Self::Svg),
            "png" => Some(Self::Png),
            "pdf" => Some(Self::Pdf),
            _ => None,
        }
    }
}

/// A chart ready to be written.
#[derive(Clone, Debug)]
pub struct ChartFile {
    /// The file's content. Equal charts give equal bytes.
    pub bytes: Vec<u8>,
    /// Characters that the embedded font lacks, each once; a box stands for each. An SVG lacks none.
    pub without_letter: Vec<char>,
}

/// A chart that cannot be drawn.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ChartFileError {
    /// Something in it that only an SVG can show.
    #[error("the chart has {0}, which is drawn in an SVG only; write it as .svg")]
    Unknown(String),
    /// No room for so many pixels.
    #[error("the chart of {width} × {height} units has no size that can be drawn as PNG; write it as .svg")]
    Size {
        /// Its width.
        width: f64,
        /// Its height.
        height: f64,
    },
    /// It cannot be packed.
    #[error("the chart cannot be packed as PNG ({0}); write it as .svg")]
    Packing(String),
}

/// A chart in a format. PNG and PDF are painted as SVG 1.1 says: each element over those before it.
///
/// # Errors
/// What is no chart of this crate.
pub fn chart_file(svg: &str, format: ChartFormat) -> Result<ChartFile, ChartFileError> {
    if format == ChartFormat::Svg {
        return Ok(ChartFile {
            bytes: svg.as_bytes().to_vec(),
            without_letter: Vec::new(),
        });
    }
    let scene = Scene::read(svg)?;
    let bytes = match format {
        ChartFormat::Pdf => pdf::pdf(&scene),
        _ => png::png(&scene)?,
    };
    Ok(ChartFile {
        bytes,
        without_letter: scene.without_letter.iter().copied().collect(),
    })
}
