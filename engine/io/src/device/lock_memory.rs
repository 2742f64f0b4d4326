//! Memory that stays where it is.

/// Keeps all that the program has in memory by now there, its code too: what the audio thread reads for the first time
/// late in the evening must not come from a disk. Whether it was permitted; `None`: on this system nobody asks.
///
/// Source: POSIX.1-2017, `mlockall` with `MCL_CURRENT`. What comes later is not held to the limit of locked memory, past
/// which an allocation would fail: an engine touches its memory itself when it is built.
pub fn stay_in_memory() -> Option<bool> {
    #[cfg(target_os = "linux")]
    {
        use rustix::mm::{MlockAllFlags, mlockall};
        Some(mlockall(MlockAllFlags::CURRENT).is_ok())
    }
    #[cfg(not(target_os = "linux"))]
    None
}
