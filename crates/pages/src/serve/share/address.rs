//! Where on the local network the pages may be shared: an address of one's own that no other network reaches.

use std::net::IpAddr;

/// No address to share at.
#[derive(Debug, thiserror::Error)]
pub enum AddressError {
    /// None there.
    #[error(
        "this machine has no address on a local network; switch its hotspot on or join the phone's, then start again, or name the address with --share=ADDRESS"
    )]
    None,
    /// More than one.
    #[error("this machine is on more than one local network; name the address the phone reaches: {}", told(.0))]
    Several(Vec<IpAddr>),
    /// One that the world reaches.
    #[error(
        "{0} is not an address of a local network; expected one like 192.168.43.1 or 10.42.0.1: the pages are never opened to the world"
    )]
    Public(IpAddr),
}

fn told(all: &[IpAddr]) -> String {
    let each: Vec<String> = all.iter().map(|a| format!("--share={a}")).collect();
    each.join(" or ")
}

/// The address asked for, or the only one there is.
pub(super) fn choose(
    asked: Option<IpAddr>,
    own: impl FnOnce() -> Vec<IpAddr>,
) -> Result<IpAddr, AddressError> {
    if let Some(address) = asked {
        return if is_local(address) || address.is_loopback() {
            Ok(address)
        } else {
            Err(AddressError::Public(address))
        };
    }
    let local: Vec<IpAddr> = own().into_iter().filter(|a| is_local(*a)).collect();
    match local[..] {
        [] => Err(AddressError::None),
        [only] => Ok(only),
        _ => Err(AddressError::Several(local)),
    }
}

/// RFC 1918 and RFC 3927; RFC 4193 and RFC 4291, section 2.5.6.
fn is_local(address: IpAddr) -> bool {
    match address {
        IpAddr::V4(v4) => v4.is_private() || v4.is_link_local(),
        IpAddr::V6(v6) => v6.is_unique_local(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chosen(asked: Option<&str>, own: &[&str]) -> Result<String, String> {
        let parsed = |text: &str| text.parse::<IpAddr>().expect("an address");
        choose(asked.map(parsed), || own.iter().map(|a| parsed(a)).collect())
            .map(|a| a.to_string())
            .map_err(|e| e.to_string())
    }

    #[test]
    fn the_only_local_network_is_taken() {
        assert_eq!(
            chosen(None, &["127.0.0.1", "203.0.113.5", "10.42.0.1"]).as_deref(),
            Ok("10.42.0.1")
        );
        assert!(chosen(None, &["127.0.0.1", "203.0.113.5"]).is_err());
        let several = chosen(None, &["192.168.1.7", "10.42.0.1"]).expect_err("two");
        assert!(
            several.contains("--share=192.168.1.7 or --share=10.42.0.1"),
            "{several}"
        );
    }

    #[test]
    fn the_world_is_never_let_in() {
        // Addresses of RFC 5737 and RFC 3849, and those that mean every network.
        for public in ["203.0.113.5", "2001:db8::1", "0.0.0.0", "::", "255.255.255.255"] {
            assert!(chosen(Some(public), &[]).is_err(), "{public}");
        }
        for local in [
            "192.168.43.1",
            "172.20.10.2",
            "169.254.3.4",
            "fd00::1",
            "127.0.0.2",
        ] {
            assert!(chosen(Some(local), &[]).is_ok(), "{local}");
        }
    }

    #[test]
    fn this_machine_knows_its_loopback() {
        assert!(super::super::super::system::addresses().contains(&IpAddr::from([127, 0, 0, 1])));
    }
}
