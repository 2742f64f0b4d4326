//! Keeps the system's sound library from writing to the terminal.

/// Runs something during which libasound, the sound library of Linux, keeps its messages to itself. What goes wrong
/// comes back as an error all the same; its own lines are about every name that its configuration holds and that this
/// machine has no device for. Only for what happens on this thread.
pub(crate) fn quietly<T>(work: impl FnOnce() -> T) -> T {
    #[cfg(target_os = "linux")]
    {
        // Errors then go to a buffer that belongs to this thread.
        let caught = alsa::Output::local_error_handler();
        let result = work();
        if caught.is_ok() {
            // A fresh buffer in place of the one that filled up.
            let _ = alsa::Output::local_error_handler();
        }
        result
    }
    #[cfg(not(target_os = "linux"))]
    work()
}
