//! How long a thread has worked, apart from the time in which the system or the machine had it wait.

use std::time::Duration;

/// The processor time of the calling thread so far; `None`: this system does not tell. AUDIO THREAD: one call of the
/// system that neither waits nor allocates (POSIX, `clock_gettime`, `CLOCK_THREAD_CPUTIME_ID`).
pub(crate) fn worked() -> Option<Duration> {
    #[cfg(target_os = "linux")]
    {
        let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
        Duration::try_from(time).ok()
    }
    #[cfg(not(target_os = "linux"))]
    None
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;
    use std::time::Instant;

    #[test]
    fn waiting_is_no_work_and_computing_is() {
        let before = worked().unwrap();
        std::thread::sleep(Duration::from_millis(50));
        let slept = worked().unwrap() - before;
        assert!(slept < Duration::from_millis(50), "{slept:?}");
        let since = Instant::now();
        let mut sum = 0u64;
        while worked().unwrap() - before < slept + Duration::from_millis(5) {
            sum = std::hint::black_box(sum + 1);
            assert!(since.elapsed() < Duration::from_secs(60), "it never counts what was computed");
        }
    }
}
