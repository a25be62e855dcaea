//! Throwaway: builds a folder.
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use nightloom_outing::*;
use nightloom_raster::*;
struct W(AtomicBool, std::time::Instant);
impl World for W {
    fn now(&self) -> nightloom_sky::Instant { nightloom_sky::Instant::from_timestamp(jiff::Timestamp::now()) }
    fn seconds(&self) -> f64 { self.1.elapsed().as_secs_f64() }
    fn progress(&self, s: &Step<'_>) { if s.done == 0.0 || !s.note.is_empty() { eprintln!("{:7.2} {} {:.2} {}", self.seconds(), s.stage, s.done, s.note); } }
    fn note(&self, l: &str) { eprintln!("! {l}"); }
    fn cancelled(&self) -> &AtomicBool { &self.0 }
    fn decode(&self, p: &Path, o: &DecodeOptions) -> Result<Frame, DecodeError> { decode_here_with(p, o, &Limits::default()) }
    fn meta(&self, p: &Path) -> Result<FrameMeta, DecodeError> { read_meta(p) }
    fn peak_memory_mib(&self) -> f64 {
        let s = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
        s.lines().find_map(|l| l.strip_prefix("VmHWM:")?.trim().strip_suffix("kB")?.trim().parse::<f64>().ok()).unwrap_or(0.0) / 1024.0
    }
}
fn main() {
    let folder = PathBuf::from(std::env::args().nth(1).expect("folder"));
    let settings = match std::fs::metadata(folder.join("outing.toml")) { Ok(_) => read_settings(&folder.join("outing.toml")).expect("settings"), Err(_) => Settings::default() };
    match build(&folder, &settings, &W(AtomicBool::new(false), std::time::Instant::now())) {
        Ok(r) => println!("{}", serde_json::to_string_pretty(&r).expect("json")),
        Err(e) => eprintln!("ERROR {e}"),
    }
}
