//! Planes of `f32`, the one in-memory form of pixels.

/// One plane of linear values, row after row, top to bottom.
#[derive(Clone, Debug, PartialEq)]
pub struct Plane {
    width: usize,
    height: usize,
    data: Vec<f32>,
}

impl Plane {
    /// A plane filled with one value.
    pub fn filled(width: usize, height: usize, value: f32) -> Self {
        Self {
            width,
            height,
            data: vec![value; width * height],
        }
    }
    /// A plane from its values.
    ///
    /// # Panics
    /// If `data.len() != width * height`.
    pub fn from_vec(width: usize, height: usize, data: Vec<f32>) -> Self {
        assert_eq!(
            data.len(),
            width * height,
            "a plane of {width} × {height} holds {} values",
            data.len()
        );
        Self { width, height, data }
    }
    /// A plane computed from each pixel's (x, y).
    pub fn from_fn(width: usize, height: usize, mut value: impl FnMut(usize, usize) -> f32) -> Self {
        let mut data = Vec::with_capacity(width * height);
        for y in 0..height {
            data.extend((0..width).map(|x| value(x, y)));
        }
        Self { width, height, data }
    }
    /// This plane on a canvas of `width` × `height`, its first pixel at `origin`: cropped where it reaches beyond, `fill`
    /// where it does not reach.
    pub fn placed(self, [width, height]: [usize; 2], origin: [i64; 2], fill: f32) -> Self {
        if (self.width, self.height, origin) == (width, height, [0, 0]) {
            return self;
        }
        let mut out = Self::filled(width, height, fill);
        // The first pixel of either that both have, and how many they share.
        let shared = |origin: i64, own: usize, canvas: usize| {
            let (from, to) = ((-origin).max(0) as usize, origin.max(0) as usize);
            (from, to, own.saturating_sub(from).min(canvas.saturating_sub(to)))
        };
        let (x, to_x, columns) = shared(origin[0], self.width, width);
        let (y, to_y, rows) = shared(origin[1], self.height, height);
        for row in 0..rows {
            out.row_mut(to_y + row)[to_x..to_x + columns].copy_from_slice(&self.row(y + row)[x..x + columns]);
        }
        out
    }
    /// Pixels across.
    #[inline]
    pub fn width(&self) -> usize {
        self.width
    }
    /// Pixels down.
    #[inline]
    pub fn height(&self) -> usize {
        self.height
    }
    /// The value at (x, y).
    ///
    /// # Panics
    /// Outside the plane.
    #[inline]
    pub fn at(&self, x: usize, y: usize) -> f32 {
        self.data[y * self.width + x]
    }
    /// The value at (x, y), to be changed.
    ///
    /// # Panics
    /// Outside the plane.
    #[inline]
    pub fn at_mut(&mut self, x: usize, y: usize) -> &mut f32 {
        &mut self.data[y * self.width + x]
    }
    /// One row.
    ///
    /// # Panics
    /// Below the plane.
    #[inline]
    pub fn row(&self, y: usize) -> &[f32] {
        &self.data[y * self.width..(y + 1) * self.width]
    }
    /// One row, to be changed.
    ///
    /// # Panics
    /// Below the plane.
    #[inline]
    pub fn row_mut(&mut self, y: usize) -> &mut [f32] {
        &mut self.data[y * self.width..(y + 1) * self.width]
    }
    /// All values, row after row.
    #[inline]
    pub fn data(&self) -> &[f32] {
        &self.data
    }
    /// All values, to be changed.
    #[inline]
    pub fn data_mut(&mut self) -> &mut [f32] {
        &mut self.data
    }
    /// The values themselves.
    pub fn into_vec(self) -> Vec<f32> {
        self.data
    }
}

/// Three planes of one size: red, green, blue, linear, in a colour space the holder states.
#[derive(Clone, Debug, PartialEq)]
pub struct Rgb {
    planes: [Plane; 3],
}

impl Rgb {
    /// Three planes made into one picture.
    ///
    /// # Panics
    /// If their sizes differ.
    pub fn from_planes(planes: [Plane; 3]) -> Self {
        let size = |p: &Plane| (p.width, p.height);
        assert!(
            planes.iter().all(|p| size(p) == size(&planes[0])),
            "the three planes must be of one size"
        );
        Self { planes }
    }
    /// A picture of one colour.
    pub fn filled(width: usize, height: usize, value: [f32; 3]) -> Self {
        Self {
            planes: value.map(|v| Plane::filled(width, height, v)),
        }
    }
    /// Pixels across.
    #[inline]
    pub fn width(&self) -> usize {
        self.planes[0].width
    }
    /// Pixels down.
    #[inline]
    pub fn height(&self) -> usize {
        self.planes[0].height
    }
    /// The planes, red, green, blue.
    #[inline]
    pub fn planes(&self) -> &[Plane; 3] {
        &self.planes
    }
    /// The planes, to be changed.
    #[inline]
    pub fn planes_mut(&mut self) -> &mut [Plane; 3] {
        &mut self.planes
    }
    /// The planes themselves.
    pub fn into_planes(self) -> [Plane; 3] {
        self.planes
    }
    /// The colour at (x, y).
    #[inline]
    pub fn at(&self, x: usize, y: usize) -> [f32; 3] {
        [
            self.planes[0].at(x, y),
            self.planes[1].at(x, y),
            self.planes[2].at(x, y),
        ]
    }
}
