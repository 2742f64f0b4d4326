//! The processor's flush mode, in which denormal numbers become 0.

/// Runs `run` with denormal numbers flushed to 0, as some hosts do on the audio thread.
#[expect(unsafe_code, reason = "the mode is a register of the processor, which Rust cannot know of")]
pub fn flushed<T>(run: impl FnOnce() -> T) -> T {
    // SAFETY: `no_denormals` only asks that nothing inside relies on denormal numbers and that the mode is set back,
    // which it does itself, also when `run` panics. No code here assumes a mode.
    unsafe { no_denormals::no_denormals(run) }
}
