//! From expected electrons to raw numbers: photon, dark and read noise, gain, black level, 14 bits.

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::sensor::Sensor;
use nightloom_fit::Random;

/// What one exposure adds to the light.
pub(crate) struct Readout<'a> {
    pub(crate) sensor: &'a Sensor,
    pub(crate) hot: &'a [(usize, f64)],
    pub(crate) seconds: f64,
    pub(crate) iso: f64,
    pub(crate) seed: u64,
    pub(crate) stream: u64,
}

impl Readout<'_> {
    /// Raw values from the expected electrons of each pixel (light alone).
    pub(crate) fn raw(&self, light: &Plane) -> Vec<u16> {
        let (width, gain) = (self.sensor.width, self.sensor.gain(self.iso));
        let dark = self.sensor.dark_e_s * self.seconds;
        let mut raw = vec![0u16; width * self.sensor.height];
        raw.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            let mut random = Random::stream(self.seed, self.stream, y as u64);
            let from = self.hot.partition_point(|&(at, _)| at < y * width);
            let mut hot = self.hot[from..]
                .iter()
                .take_while(|&&(at, _)| at < (y + 1) * width)
                .peekable();
            for (x, (value, &light)) in row.iter_mut().zip(light.row(y)).enumerate() {
                let mut mean = f64::from(light) + dark;
                if let Some((_, rate)) = hot.next_if(|&&(at, _)| at == y * width + x) {
                    mean += rate * self.seconds;
                }
                let electrons = random.poisson(mean) + self.sensor.read_noise_e * random.normal();
                let step = (electrons / gain + self.sensor.black).round();
                *value = step.clamp(0.0, self.sensor.white) as u16;
            }
        });
        raw
    }
}
