//! How much memory was held at most.

/// The most memory this process has held, and on top of it its largest finished child, in MiB: an
/// upper bound of what both held together. 0 where the system does not tell.
pub(crate) fn peak_mib() -> f64 {
    own_peak_mib() + largest_child_mib()
}

/// `VmHWM` of this process (Linux).
fn own_peak_mib() -> f64 {
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
