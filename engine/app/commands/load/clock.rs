//! The clock beside the engine.

use std::time::Duration;

/// How long this thread has been at work: what other programs take in between does not count. The engine never waits, so
/// that nothing of its own is left out.
#[cfg(target_os = "linux")]
pub fn now() -> Duration {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    Duration::new(time.tv_sec.unsigned_abs(), time.tv_nsec.unsigned_abs() as u32)
}

/// The time from the first call on, what other programs take in between included: the least of several runs leaves most
/// of it out.
#[cfg(not(target_os = "linux"))]
pub fn now() -> Duration {
    static FIRST: std::sync::LazyLock<std::time::Instant> = std::sync::LazyLock::new(std::time::Instant::now);
    FIRST.elapsed()
}
