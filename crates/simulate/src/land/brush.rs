//! Tapered strokes with soft edges, drawn over what is there.

/// A stroke from one point to another.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stroke {
    pub(super) from: [f32; 2],
    pub(super) to: [f32; 2],
    /// Half widths at both ends, texels.
    pub(super) half: [f32; 2],
    pub(super) colour: [f32; 3],
    pub(super) opacity: f32,
}

impl Stroke {
    pub(super) fn rows(&self) -> (f32, f32) {
        let reach = self.half[0].max(self.half[1]) + 1.0;
        (
            self.from[1].min(self.to[1]) - reach,
            self.from[1].max(self.to[1]) + reach,
        )
    }
}

/// Some rows of the picture, premultiplied.
pub(super) struct Band<'a> {
    pub(super) texels: &'a mut [[f32; 4]],
    pub(super) width: usize,
    pub(super) top: usize,
}

impl Band<'_> {
    pub(super) fn rows(&self) -> usize {
        self.texels.len() / self.width
    }

    pub(super) fn over(texel: &mut [f32; 4], colour: [f32; 3], cover: f32) {
        let keep = 1.0 - cover;
        for (value, colour) in texel.iter_mut().zip(colour) {
            *value = *value * keep + colour * cover;
        }
        texel[3] = texel[3] * keep + cover;
    }

    pub(super) fn stroke(&mut self, s: &Stroke) {
        let (low, high) = s.rows();
        let first = (low.floor().max(self.top as f32)) as usize;
        let last = (high.ceil()).min((self.top + self.rows()) as f32 - 1.0);
        if last < first as f32 {
            return;
        }
        let along = [s.to[0] - s.from[0], s.to[1] - s.from[1]];
        let length2 = (along[0] * along[0] + along[1] * along[1]).max(1e-6);
        let widest = s.half[0].max(s.half[1]).max(0.5) + 0.5;
        for y in first..=last as usize {
            let (left, right) = self.reach(s, along, y as f32, widest);
            if right < 0.0 || left >= self.width as f32 {
                continue;
            }
            let columns = (left.max(0.0) as usize)..=(right.min(self.width as f32 - 1.0) as usize);
            let row = &mut self.texels[(y - self.top) * self.width..][..self.width];
            for x in columns {
                let (dx, dy) = (x as f32 - s.from[0], y as f32 - s.from[1]);
                let t = ((dx * along[0] + dy * along[1]) / length2).clamp(0.0, 1.0);
                let (ex, ey) = (dx - t * along[0], dy - t * along[1]);
                let half = s.half[0] + (s.half[1] - s.half[0]) * t;
                // A line thinner than a texel covers part of it.
                let cover = (half.max(0.5) + 0.5 - (ex * ex + ey * ey).sqrt()).clamp(0.0, 1.0)
                    * (2.0 * half).min(1.0);
                if cover > 0.0 {
                    Self::over(&mut row[x], s.colour, cover * s.opacity);
                }
            }
        }
    }

    /// Leftmost and rightmost column that the stroke may touch in a row.
    fn reach(&self, s: &Stroke, along: [f32; 2], y: f32, widest: f32) -> (f32, f32) {
        let at = |y: f32| {
            let t = if along[1].abs() < 1e-3 {
                None
            } else {
                Some(((y - s.from[1]) / along[1]).clamp(0.0, 1.0))
            };
            t.map(|t| s.from[0] + t * along[0])
        };
        let (a, b) = match (at(y - widest), at(y + widest)) {
            (Some(a), Some(b)) => (a, b),
            _ => (s.from[0], s.to[0]),
        };
        ((a.min(b) - widest).floor(), (a.max(b) + widest).ceil())
    }
}
