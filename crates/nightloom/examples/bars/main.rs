//! The demo measured against its truth: `cargo run --release --example bars -- [FOLDER] [OPTIONS]`.
//!
//! Renders a night (unless FOLDER holds one), makes its picture with the program beside this one,
//! and prints what came out against the simulation's truth. Options are those of `nightloom demo`.
//! A second night, plainer than the demo's, is rendered into FOLDER-plain for what faint stars would hide:
//! see `noise.rs` and `flux.rs`.

use std::error::Error;

mod edge;
mod flux;
mod frames;
mod grain;
mod ideal;
mod noise;
mod pixels;
mod program;
mod scene;
mod streaks;

use scene::Scene;

type Outcome<T> = Result<T, Box<dyn Error>>;

fn main() -> Outcome<()> {
    let mut args: Vec<String> = std::env::args().skip(1).collect();
    if args.first().is_none_or(|a| a.starts_with("--")) {
        args.insert(0, "nightloom-bars".into());
    }
    let demo = program::demo(&args)?;
    row("rendering", format!("{:.1} s", demo.render_seconds));
    row(
        "main job",
        format!(
            "{:.1} s, peak {:.0} MiB",
            demo.build.seconds, demo.build.peak_memory_mib
        ),
    );
    // The truth's pictures are of the land's own moment and frame.
    let scene = Scene::new(&demo.folder, program::build(&demo.folder, &[])?)?;
    scene.frames();
    scene.registration();
    flux::placed(&scene)?;
    scene.streaks();
    scene.matte()?;
    scene.join()?;
    let folder = program::beside(&scene.folder, "plain");
    program::plain_night(&folder, &scene.truth.scenario)?;
    let plain = Scene::new(&folder, program::build(&folder, &[])?)?;
    flux::plain(&plain)?;
    flux::crowded(&scene)?;
    let single = noise::plain(&plain, &scene.truth_picture("starless.tif")?)?;
    noise::halves(&scene, &single)
}

fn row(name: &str, value: String) {
    #[allow(clippy::print_stdout, reason = "a report for a terminal")]
    {
        println!("{name:<34}{value}");
    }
}
