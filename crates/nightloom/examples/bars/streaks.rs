//! What is left of what crossed the sky.

use nightloom_raster::Plane;

use crate::row;
use crate::scene::Scene;

impl Scene {
    /// What is left of satellites, aircraft and meteors in the stack, against the local noise.
    pub(crate) fn streaks(&self) {
        let green = &self.linear.planes()[1];
        let mut worst = 0.0f64;
        let mut count = 0;
        for frame in self.report.frames.iter().filter(|f| f.used && f.role == "sky") {
            let Some(truth) = self.of(&frame.path) else {
                continue;
            };
            for streak in &truth.streaks {
                let place = |at: [f64; 2]| self.in_picture(truth, at);
                if let Some(left) = left_of_streak(green, streak.from_px, streak.to_px, place) {
                    count += 1;
                    worst = worst.max(left.abs());
                }
            }
        }
        row(
            "streaks left, of the local noise",
            format!("worst {worst:.2} σ of {count} streaks  (bar 1)"),
        );
    }
}

/// Mean excess along a streak over places 10 px beside it, in σ of single pixels.
fn left_of_streak(
    plane: &Plane,
    from: [f64; 2],
    to: [f64; 2],
    place: impl Fn([f64; 2]) -> Option<[f64; 2]>,
) -> Option<f64> {
    let length = (to[0] - from[0]).hypot(to[1] - from[1]);
    let across = [-(to[1] - from[1]) / length, (to[0] - from[0]) / length];
    let (mut excess, mut beside) = (Vec::new(), Vec::new());
    for k in 0..length as usize {
        let t = k as f64 / length;
        let at = |d: f64| {
            let p = [
                from[0] + (to[0] - from[0]) * t + across[0] * d,
                from[1] + (to[1] - from[1]) * t + across[1] * d,
            ];
            let [x, y] = place(p)?;
            let inside =
                x >= 0.0 && y >= 0.0 && x < plane.width() as f64 - 1.0 && y < plane.height() as f64 * 0.6;
            inside.then(|| f64::from(plane.at((x + 0.5) as usize, (y + 0.5) as usize)))
        };
        if let (Some(on), Some(a), Some(b)) = (at(0.0), at(10.0), at(-10.0)) {
            excess.push(on - 0.5 * (a + b));
            beside.push(a - b);
        }
    }
    if excess.len() < 30 {
        return None;
    }
    // The median, so that stars under the streak do not count.
    excess.sort_by(f64::total_cmp);
    beside.sort_by(f64::total_cmp);
    let n = beside.len();
    let sigma = (beside[n * 84 / 100] - beside[n * 16 / 100]) / 2.0 / std::f64::consts::SQRT_2;
    Some(excess[excess.len() / 2] / sigma)
}
