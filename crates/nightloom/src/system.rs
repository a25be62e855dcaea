//! What the program asks of the operating system: how much memory was held at most, and what else the work took. Where
//! there is no /proc, or no such call, the figures are nought.

/// The most memory this process has held, and on top of it its largest finished child, in MiB: an
/// upper bound of what both held together. 0 where the system does not tell.
pub(crate) fn peak_mib() -> f64 {
    own_peak_mib() + largest_child_mib()
}

/// `VmHWM` of this process (Linux).
pub(crate) fn own_peak_mib() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status
        .lines()
        .find_map(|l| l.strip_prefix("VmHWM:"))
        .unwrap_or_default();
    line.split_whitespace()
        .next()
        .and_then(|kib| kib.parse::<f64>().ok())
        .map_or(0.0, |kib| kib / 1024.0)
}

/// Begins measuring this process anew, so that the demo's rendering does not count for the main job.
/// Where the system refuses, the rendering's peak stays in the figure.
pub(crate) fn forget_peak() {
    let _ = std::fs::write("/proc/self/clear_refs", "5");
}

/// What this process and its finished children took so far. Zeros where the system does not tell.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Spent {
    pub(crate) wall_s: f64,
    pub(crate) user_s: f64,
    pub(crate) system_s: f64,
    pub(crate) read_bytes: u64,
    pub(crate) written_bytes: u64,
}

impl Spent {
    /// Until now, which is `wall_s` on the clock.
    pub(crate) fn at(wall_s: f64) -> Self {
        let [user_s, system_s] = processor_s();
        let [read_bytes, written_bytes] = moved_bytes();
        Self {
            wall_s,
            user_s,
            system_s,
            read_bytes,
            written_bytes,
        }
    }
}

/// `rchar` and `wchar` of this process (Linux).
fn moved_bytes() -> [u64; 2] {
    let io = std::fs::read_to_string("/proc/self/io").unwrap_or_default();
    ["rchar:", "wchar:"].map(|name| {
        let line = io.lines().find_map(|l| l.strip_prefix(name));
        line.and_then(|v| v.trim().parse().ok()).unwrap_or(0)
    })
}

/// Seconds in the program and in the system.
#[cfg(unix)]
fn processor_s() -> [f64; 2] {
    use nix::sys::resource::{UsageWho, getrusage};
    use nix::sys::time::TimeVal;
    let seconds = |t: TimeVal| t.tv_sec() as f64 + t.tv_usec() as f64 * 1e-6;
    let told = [UsageWho::RUSAGE_SELF, UsageWho::RUSAGE_CHILDREN]
        .map(|who| getrusage(who).map_or([0.0; 2], |u| [seconds(u.user_time()), seconds(u.system_time())]));
    [told[0][0] + told[1][0], told[0][1] + told[1][1]]
}

#[cfg(not(unix))]
fn processor_s() -> [f64; 2] {
    [0.0; 2]
}

#[cfg(target_os = "linux")]
fn largest_child_mib() -> f64 {
    use nix::sys::resource::{UsageWho, getrusage};
    // Linux tells KiB here.
    getrusage(UsageWho::RUSAGE_CHILDREN).map_or(0.0, |usage| usage.max_rss() as f64 / 1024.0)
}

#[cfg(not(target_os = "linux"))]
fn largest_child_mib() -> f64 {
    0.0
}
