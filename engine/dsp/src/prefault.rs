//! Working memory for the audio thread.

/// So many of one value, written rather than zero-allocated: the system gives a zero-allocated page only when it is first
/// written, which would be a page fault on the audio thread.
pub fn prefaulted<T: Clone>(value: T, count: usize) -> Box<[T]> {
    let mut all = Vec::with_capacity(count);
    all.resize(count, std::hint::black_box(value));
    all.into_boxed_slice()
}

/// One value in memory of its own, written likewise: where it is all zeros an optimising compiler would have the system
/// give zeroed pages.
pub fn prefaulted_one<T>(value: T) -> Box<T> {
    Box::new(std::hint::black_box(value))
}
