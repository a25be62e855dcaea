//! What the pages ask of the operating system.

use std::fs::DirBuilder;
use std::io;
use std::net::IpAddr;
use std::path::Path;

/// The program that shows an address in a browser, and its first words.
#[cfg(target_os = "macos")]
pub(super) const OPEN: (&str, &[&str]) = ("open", &[]);
/// The program that shows an address in a browser, and its first words.
#[cfg(windows)]
pub(super) const OPEN: (&str, &[&str]) = ("cmd", &["/C", "start", ""]);
/// The program that shows an address in a browser on all other desktops, and its first words.
#[cfg(not(any(target_os = "macos", windows)))]
pub(super) const OPEN: (&str, &[&str]) = ("xdg-open", &[]);

/// Makes a folder that its owner alone may look into.
#[cfg(unix)]
pub(super) fn private_folder(path: &Path) -> io::Result<()> {
    use std::os::unix::fs::DirBuilderExt;
    DirBuilder::new().mode(0o700).create(path)
}

/// Makes a folder: elsewhere its rights are those of the folder for temporary files, which is the user's own.
#[cfg(not(unix))]
pub(super) fn private_folder(path: &Path) -> io::Result<()> {
    DirBuilder::new().create(path)
}

/// This machine's IPv4 addresses.
#[cfg(unix)]
pub(super) fn addresses() -> Vec<IpAddr> {
    let Ok(all) = nix::ifaddrs::getifaddrs() else {
        return Vec::new();
    };
    all.filter_map(|one| one.address?.as_sockaddr_in().map(|a| IpAddr::V4(a.ip())))
        .collect()
}

/// Not known elsewhere: the address must be named.
#[cfg(not(unix))]
pub(super) fn addresses() -> Vec<IpAddr> {
    Vec::new()
}
