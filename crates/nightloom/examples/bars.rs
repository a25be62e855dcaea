//! The demo measured against its truth: `cargo run --release --example bars -- [FOLDER] [OPTIONS]`.
//!
//! Renders a night (unless FOLDER holds one), makes its picture with the program beside this one,
//! and prints what came out against the simulation's truth. Options are those of `nightloom demo`.

use std::error::Error;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use nalgebra::{Matrix3, Rotation3, Vector3};
use nightloom_optics::Lens;
use nightloom_outing::BuildReport;
use nightloom_raster::colour::{luminance, to_working};
use nightloom_raster::{CameraColour, Limits, Pixels, Plane, Rgb, decode_here};
use nightloom_seam::join_step;
use nightloom_simulate::{Truth, TruthFrame};
use tiff::decoder::{Decoder, DecodingResult};

type Outcome<T> = Result<T, Box<dyn Error>>;

/// Rows either side of the join, as the program itself measures it.
const STEP_BAND_PX: usize = 6;
/// The band along the edge in which the matte is judged.
const EDGE_BAND_PX: usize = 12;
/// Radius of the aperture for star fluxes.
const APERTURE_PX: f64 = 5.0;

#[derive(serde::Deserialize)]
struct Demo {
    folder: PathBuf,
    render_seconds: f64,
    build: BuildReport,
}

fn main() -> Outcome<()> {
    let mut args: Vec<String> = std::env::args().skip(1).collect();
    if args.first().is_none_or(|a| a.starts_with("--")) {
        args.insert(0, "nightloom-bars".into());
    }
    let demo = run_demo(&args)?;
    let truth: Truth = serde_json::from_reader(std::io::BufReader::new(File::open(
        demo.folder.join("truth/truth.json"),
    )?))?;
    let report = &demo.build;
    row("rendering", format!("{:.1} s", demo.render_seconds));
    row(
        "main job",
        format!("{:.1} s, peak {:.0} MiB", report.seconds, report.peak_memory_mib),
    );
    let scene = Scene::new(&demo, &truth)?;
    scene.frames();
    scene.registration();
    scene.stars();
    scene.streaks();
    scene.noise()?;
    scene.matte()?;
    scene.join()?;
    Ok(())
}

fn row(name: &str, value: String) {
    #[allow(clippy::print_stdout, reason = "a report for a terminal")]
    {
        println!("{name:<34}{value}");
    }
}

/// The program beside this one.
fn program() -> Outcome<PathBuf> {
    let own = std::env::current_exe()?;
    let program = own
        .parent()
        .and_then(Path::parent)
        .ok_or("no folder")?
        .join("nightloom");
    if !program.exists() {
        return Err(format!(
            "{} is missing; run cargo build --release first",
            program.display()
        )
        .into());
    }
    Ok(program)
}

/// Runs `nightloom demo --json`.
fn run_demo(args: &[String]) -> Outcome<Demo> {
    let output = Command::new(program()?)
        .arg("demo")
        .args(args)
        .arg("--json")
        .stderr(Stdio::inherit())
        .output()?;
    Ok(serde_json::from_slice(&output.stdout)?)
}

struct Scene<'a> {
    report: &'a BuildReport,
    truth: &'a Truth,
    folder: &'a Path,
    colour: CameraColour,
    linear: Rgb,
    reference: usize,
}

impl<'a> Scene<'a> {
    fn new(demo: &'a Demo, truth: &'a Truth) -> Outcome<Self> {
        let report = &demo.build;
        let identity = |r: &[[f64; 3]; 3]| (0..3).all(|i| (r[i][i] - 1.0).abs() < 1e-12);
        let reference = report
            .frames
            .iter()
            .position(|f| f.rotation_from_reference.as_ref().is_some_and(identity))
            .ok_or("no reference frame in the report")?;
        let first = decode_here(
            &demo.folder.join(&report.frames[reference].path),
            &Limits::default(),
        )?;
        let linear = report.outputs.linear.as_ref().ok_or("no linear stack")?;
        let Pixels::Rgb(linear) = decode_here(linear, &Limits::default())?.pixels else {
            return Err("the linear stack is not colour".into());
        };
        Ok(Self {
            report,
            truth,
            folder: &demo.folder,
            colour: first.colour,
            linear,
            reference,
        })
    }

    fn of(&self, path: &str) -> Option<&TruthFrame> {
        self.truth.frames.iter().find(|f| f.path == path)
    }

    fn reference_truth(&self) -> &TruthFrame {
        self.of(&self.report.frames[self.reference].path)
            .expect("the reference is in the truth")
    }

    fn frames(&self) {
        for frame in self.report.frames.iter().filter(|f| f.role == "sky") {
            let Some(truth) = self.of(&frame.path) else {
                continue;
            };
            if truth.cloud || truth.bumped_at_s.is_some() || !frame.used {
                let what = if truth.cloud {
                    "cloud"
                } else if truth.bumped_at_s.is_some() {
                    "bumped"
                } else {
                    "sound"
                };
                let used = if frame.used { "USED" } else { "left out" };
                row(
                    &format!("{} ({what})", frame.path),
                    format!("{used}: {}", frame.reason),
                );
            }
        }
    }

    /// The map between frames against the true one, over a grid with the corners.
    fn registration(&self) {
        let Some(lens) = self.report.lens else { return };
        let lens = Lens {
            focal_px: lens.focal_px,
            centre_px: lens.centre_px,
            radial: lens.radial,
            ..self.truth.lens
        };
        let (width, height) = self.truth.scenario.size.pixels();
        let reference = rotation(&self.reference_truth().attitude[1]);
        let (mut all, mut corners, mut worst) = (Mean::default(), Mean::default(), 0.0f64);
        for frame in self.report.frames.iter().filter(|f| f.used) {
            let (Some(ours), Some(truth)) = (&frame.rotation_from_reference, self.of(&frame.path)) else {
                continue;
            };
            let ours = rotation(ours);
            let true_turn = rotation(&truth.attitude[1]) * reference.inverse();
            for j in 0..=10 {
                for i in 0..=14 {
                    let at = [
                        (width - 1) as f64 * f64::from(i) / 14.0,
                        (height - 1) as f64 * f64::from(j) / 10.0,
                    ];
                    let map = |lens: &Lens, turn: &Rotation3<f64>| {
                        lens.project(&(turn * lens.unproject(at)?.into_inner()))
                    };
                    let Some((a, b)) = map(&lens, &ours).zip(map(&self.truth.lens, &true_turn)) else {
                        continue;
                    };
                    let square = (a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2);
                    all.add(square);
                    worst = worst.max(square.sqrt());
                    if (i == 0 || i == 14) && (j == 0 || j == 10) {
                        corners.add(square);
                    }
                }
            }
        }
        let told = self
            .report
            .sky
            .as_ref()
            .and_then(|s| s.registration_rms_px)
            .unwrap_or(f64::NAN);
        row("registration, by the stars", format!("{told:.3} px rms"));
        row(
            "registration, against truth",
            format!(
                "{:.3} px rms, corners {:.3}, worst {worst:.3}  (bar 0.3)",
                all.root(),
                corners.root()
            ),
        );
    }

    /// Where the sky seen at a pixel of a frame stands in the picture by the truth, refraction taken
    /// off at the frame's middle and laid on again at the picture's instant.
    fn in_picture(&self, frame: &TruthFrame, at: [f64; 2]) -> Option<[f64; 2]> {
        let (site, air) = (&self.truth.scenario.site, &self.truth.scenario.air);
        let middle = frame.start.plus_seconds(frame.exposure.seconds / 2.0);
        let seen = self.truth.lens.unproject(at)?.into_inner();
        let turned = site.ground_from_icrs(middle);
        let ground = turned * (rotation(&frame.attitude[1]).inverse() * seen);
        let star = turned.inverse() * air.lower(&ground);
        let then = site.ground_from_icrs(self.truth.default_instant);
        let camera = rotation(&self.truth.picture_attitude) * then.inverse();
        let [x, y] = self.truth.lens.project(&(camera * air.lift(&(then * star))))?;
        let [ox, oy] = self.report.canvas.land_origin_px;
        Some([x + ox as f64, y + oy as f64])
    }

    /// Places and fluxes of stars in the linear stack.
    fn stars(&self) {
        let saturation = self.truth.sensor.sky_saturation_e;
        let stars = &self.reference_truth().stars;
        let (mut off, mut ratios) = (Mean::default(), Vec::new());
        for star in stars.iter().filter(|s| (5.5..8.5).contains(&s.v_mag)) {
            let alone = stars.iter().all(|o| {
                o.id == star.id
                    || o.v_mag > star.v_mag + 3.0
                    || (o.at_px[0] - star.at_px[0]).hypot(o.at_px[1] - star.at_px[1]) > 16.0
            });
            let Some(at) = self
                .in_picture(self.reference_truth(), star.at_px.map(f64::from))
                .filter(|_| alone)
            else {
                continue;
            };
            let Some((centre, flux)) = photometry(&self.linear.planes()[1], at) else {
                continue;
            };
            // Flat-fielding lifts a star off the axis more than the sky under it: `electrons` has that in it.
            let camera = star.electrons.map(|e| e / saturation as f32);
            let mut one = Rgb::filled(1, 1, camera);
            to_working(&mut one, &self.colour);
            let truth = f64::from(one.at(0, 0)[1]);
            off.add((centre[0] - at[0]).powi(2) + (centre[1] - at[1]).powi(2));
            ratios.push(flux / truth);
        }
        ratios.sort_by(f64::total_cmp);
        if ratios.is_empty() {
            return;
        }
        let at = |share: f64| ratios[((ratios.len() - 1) as f64 * share) as usize];
        row(
            "stars placed, against truth",
            format!("{:.3} px rms, {} stars", off.root(), ratios.len()),
        );
        row(
            "star flux over truth, green",
            format!(
                "median {:.4}, 16 % to 84 %: {:.4} to {:.4}  (bar 0.98 to 1.02)",
                at(0.5),
                at(0.16),
                at(0.84)
            ),
        );
    }

    /// The true sky at the picture's instant, camera colour, 1 at a tracked frame's saturation.
    fn true_sky(&self) -> Outcome<Rgb> {
        let mut sky = colour(&self.folder.join("truth/sky.tif"))?;
        let sensor = &self.truth.sensor;
        let exposures = self.truth.scenario.sky_exposure.seconds / self.truth.picture_seconds;
        let scale = (self.truth.picture_unit_e / sensor.sky_saturation_e * exposures) as f32;
        for plane in sky.planes_mut() {
            plane.data_mut().iter_mut().for_each(|v| *v *= scale);
        }
        Ok(sky)
    }

    /// What is left of satellites, aircraft and meteors in the stack, against the local noise.
    fn streaks(&self) {
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

    /// Stack noise against that of a single frame brought through the same program, over √n.
    fn noise(&self) -> Outcome<()> {
        let Some(sky) = &self.report.sky else {
            return Ok(());
        };
        let alone = self.single_frame()?;
        let upper = self.linear.height() * 2 / 5;
        let noise = |picture: &Rgb| {
            f64::from(nightloom_stack::background_noise(&picture.planes()[1], |_, y| {
                y < upper
            }))
        };
        let mut truth = self.true_sky()?;
        to_working(&mut truth, &self.colour);
        // Faint stars are texture, not noise: they do not fall with the number of frames.
        let texture = noise(&truth);
        let [one, many] =
            [noise(&alone), noise(&self.linear)].map(|v| (v * v - texture * texture).max(0.0).sqrt());
        let n = sky.frames_used as f64;
        row(
            "noise of the sky stack",
            format!(
                "{many:.2e}, {:.3} of one frame's {one:.2e} over √{n} (faint stars {texture:.1e})  (bar 1.15)",
                many * n.sqrt() / one
            ),
        );
        Ok(())
    }

    /// The linear stack of the reference frame alone, with the same darks and flats.
    fn single_frame(&self) -> Outcome<Rgb> {
        let folder = self.folder.with_file_name("nightloom-bars-single");
        let _ = std::fs::remove_dir_all(&folder);
        let wanted = |f: &&nightloom_outing::FrameReport| f.role == "dark" || f.role == "flat";
        let frames = self
            .report
            .frames
            .iter()
            .filter(wanted)
            .chain([&self.report.frames[self.reference]]);
        for frame in frames {
            let to = folder.join(&frame.path);
            std::fs::create_dir_all(to.parent().ok_or("no folder")?)?;
            std::fs::copy(self.folder.join(&frame.path), to)?;
        }
        let output = Command::new(program()?)
            .arg("build")
            .arg(&folder)
            .arg("--json")
            .stderr(Stdio::null())
            .output()?;
        let report: BuildReport = serde_json::from_slice(&output.stdout)?;
        let linear = report.outputs.linear.ok_or("no linear stack")?;
        let Pixels::Rgb(linear) = decode_here(&linear, &Limits::default())?.pixels else {
            return Err("the linear stack is not colour".into());
        };
        std::fs::remove_dir_all(&folder)?;
        Ok(linear)
    }

    fn matte(&self) -> Outcome<()> {
        let ours = plane(self.report.outputs.matte.as_deref().ok_or("no matte")?)?;
        let truth = plane(&self.folder.join("truth/matte.tif"))?;
        let [ox, oy] = self.report.canvas.land_origin_px.map(|v| v as usize);
        let near = near_edge(&truth, EDGE_BAND_PX);
        let (mut whole, mut band) = (Mean::default(), Mean::default());
        for y in 0..truth.height() {
            for x in 0..truth.width() {
                let error = f64::from((ours.at(x + ox, y + oy) - truth.at(x, y)).abs());
                whole.add(error);
                if near[y * truth.width() + x] {
                    band.add(error);
                }
            }
        }
        row(
            "matte, mean absolute error",
            format!("{:.4}  (bar 0.01)", whole.mean()),
        );
        row(
            &format!("matte, within {EDGE_BAND_PX} px of the edge"),
            format!("{:.4}  (bar 0.08)", band.mean()),
        );
        Ok(())
    }

    fn join(&self) -> Outcome<()> {
        let Some(ours) = self.report.seam.luminance_step else {
            return Ok(());
        };
        let alpha = plane(self.report.outputs.matte.as_deref().ok_or("no matte")?)?;
        let mut truth = colour(&self.folder.join("truth/composite.tif"))?;
        let [ox, oy] = self.report.canvas.land_origin_px.map(|v| v as usize);
        let alpha = Plane::from_fn(truth.width(), truth.height(), |x, y| alpha.at(x + ox, y + oy));
        to_working(&mut truth, &self.colour);
        let scale = (self.truth.picture_unit_e / self.truth.sensor.sky_saturation_e) as f32;
        let bright = Plane::from_fn(truth.width(), truth.height(), |x, y| {
            luminance(truth.at(x, y)) * scale
        });
        let step = join_step(&bright, &alpha, STEP_BAND_PX).ok_or("no join in the truth")?;
        row(
            "luminance step across the join",
            format!(
                "{ours:.5} against {step:.5}: {:+.2} %  (bar 3 %)",
                (ours / step - 1.0) * 100.0
            ),
        );
        Ok(())
    }
}

fn rotation(rows: &[[f64; 3]; 3]) -> Rotation3<f64> {
    Rotation3::from_matrix_unchecked(Matrix3::from_fn(|i, j| rows[i][j]))
}

/// Centroid and flux above the ring's median; `None` off the picture or where light is missing.
fn photometry(plane: &Plane, at: [f64; 2]) -> Option<([f64; 2], f64)> {
    let reach = 12.0;
    if at[0] < reach
        || at[1] < reach
        || at[0] + reach >= plane.width() as f64 - 1.0
        || at[1] + reach >= plane.height() as f64 - 1.0
    {
        return None;
    }
    let span = |c: f64| (c - reach) as usize..=(c + reach) as usize;
    let pixels: Vec<_> = span(at[1])
        .flat_map(|y| span(at[0]).map(move |x| (x, y)))
        .map(|(x, y)| {
            (
                x as f64,
                y as f64,
                f64::from(plane.at(x, y)),
                (x as f64 - at[0]).hypot(y as f64 - at[1]),
            )
        })
        .collect();
    let mut ring: Vec<f64> = pixels.iter().filter(|p| p.3 > 8.0).map(|p| p.2).collect();
    ring.sort_by(f64::total_cmp);
    let level = ring[ring.len() / 2];
    let spread = ring[ring.len() * 84 / 100] - level;
    let mut sums = Vector3::zeros();
    let mut top = 0.0f64;
    for (x, y, v, r) in pixels {
        if r <= APERTURE_PX {
            sums += Vector3::new((v - level) * x, (v - level) * y, v - level);
            top = top.max(v);
        }
    }
    // Saturated cores and stars lost in noise, land or fill tell nothing.
    let usable = level > 0.0 && top < 0.4 && sums.z > 40.0 * spread;
    usable.then(|| ([sums.x / sums.z, sums.y / sums.z], sums.z))
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

/// Pixels at most `band` from a pixel of the other side of the matte.
fn near_edge(alpha: &Plane, band: usize) -> Vec<bool> {
    let (width, height) = (alpha.width(), alpha.height());
    let land = |x: usize, y: usize| alpha.at(x, y) < 0.5;
    let mut near = vec![false; width * height];
    for y in 1..height {
        for x in 1..width {
            if land(x, y) != land(x - 1, y) || land(x, y) != land(x, y - 1) {
                for v in y.saturating_sub(band)..(y + band).min(height) {
                    near[v * width + x.saturating_sub(band)..v * width + (x + band).min(width)].fill(true);
                }
            }
        }
    }
    near
}

#[derive(Default)]
struct Mean {
    sum: f64,
    count: f64,
}

impl Mean {
    fn add(&mut self, value: f64) {
        self.sum += value;
        self.count += 1.0;
    }
    fn mean(&self) -> f64 {
        self.sum / self.count.max(1.0)
    }
    fn root(&self) -> f64 {
        self.mean().sqrt()
    }
}

fn plane(path: &Path) -> Outcome<Plane> {
    let (width, height, data) = samples(path)?;
    Ok(Plane::from_vec(width, height, data))
}

fn colour(path: &Path) -> Outcome<Rgb> {
    let (width, height, data) = samples(path)?;
    let plane = |c: usize| Plane::from_vec(width, height, data.iter().skip(c).step_by(3).copied().collect());
    Ok(Rgb::from_planes([plane(0), plane(1), plane(2)]))
}

/// The samples of a TIFF, 16-bit ones as parts of 65535.
fn samples(path: &Path) -> Outcome<(usize, usize, Vec<f32>)> {
    let mut decoder = Decoder::new(std::io::BufReader::new(File::open(path)?))?
        .with_limits(tiff::decoder::Limits::unlimited());
    let (width, height) = decoder.dimensions()?;
    let data = match decoder.read_image()? {
        DecodingResult::U16(v) => v.into_iter().map(|v| f32::from(v) / 65535.0).collect(),
        DecodingResult::F32(v) => v,
        _ => return Err("expected 16-bit or float samples".into()),
    };
    Ok((width as usize, height as usize, data))
}
