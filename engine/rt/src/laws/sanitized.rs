//! The control of RealtimeSanitizer: what it must see. Built and run by the root package's `tests/sanitizer.rs` only,
//! where these tests end the whole program.

use std::hint::black_box;

#[sanitize(realtime = "nonblocking")]
fn allocates() -> usize {
    black_box(vec![1.0f32; black_box(8)]).len()
}

#[sanitize(realtime = "nonblocking")]
fn frees(sound: Vec<f32>) {
    drop(black_box(sound));
}

#[test]
#[ignore = "it ends the program, as it should: `.ci/sanitizers` runs it"]
fn an_allocation_ends_the_program() {
    assert_eq!(allocates(), 8);
}

#[test]
#[ignore = "it ends the program, as it should: `.ci/sanitizers` runs it"]
fn a_free_ends_the_program() {
    frees(vec![1.0; 8]);
}

#[test]
#[ignore = "it ends the program, as it should: `.ci/sanitizers` runs it"]
#[expect(clippy::disallowed_types, reason = "a lock is what is to be seen")]
fn a_lock_that_is_held_ends_the_program() {
    use std::sync::Mutex;

    #[sanitize(realtime = "nonblocking")]
    fn locks(lock: &Mutex<f32>) -> f32 {
        *lock.lock().unwrap()
    }

    let lock = Mutex::new(1.0);
    let held = lock.lock().unwrap();
    #[expect(clippy::disallowed_methods, reason = "only another thread waits for it")]
    std::thread::scope(|threads| {
        threads.spawn(|| locks(&lock));
        // Whether the other thread has come to the lock by now is no matter: it is held until the program ends.
        std::thread::park();
    });
    drop(held);
}
