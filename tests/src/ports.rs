//! Ports nobody else takes, also not while the process that owns one is being restarted.

use std::net::{Ipv4Addr, TcpListener};
use std::sync::LazyLock;
use std::sync::atomic::{AtomicU16, Ordering};

/// Below the range from which Linux gives ports to outgoing connections (32768 and up), so that
/// none is lost to one while nothing listens on it.
const FIRST: u16 = 20_000;
const RANGE: u16 = 12_000;

/// Another run at the same time begins elsewhere.
static NEXT: LazyLock<AtomicU16> = LazyLock::new(|| {
    AtomicU16::new((std::process::id().wrapping_mul(997) % u32::from(RANGE)) as u16)
});

/// # Panics
/// All are taken.
pub fn free() -> u16 {
    (0..RANGE)
        .map(|_| FIRST + NEXT.fetch_add(1, Ordering::Relaxed) % RANGE)
        .find(|port| TcpListener::bind((Ipv4Addr::LOCALHOST, *port)).is_ok())
        .expect("one of twelve thousand ports is free")
}
