//! Real-time priority for a thread.

/// Asks for the lowest of the real-time priorities, which is above all ordinary work; whether it was given. `None`: on
/// this system nobody asks.
pub(crate) fn raise() -> Option<bool> {
    #[cfg(target_os = "linux")]
    {
        use thread_priority::{
            RealtimeThreadSchedulePolicy::Fifo, ThreadPriority, ThreadSchedulePolicy, set_thread_priority_and_policy,
            thread_native_id,
        };
        let policy = ThreadSchedulePolicy::Realtime(Fifo);
        Some(set_thread_priority_and_policy(thread_native_id(), ThreadPriority::Min, policy).is_ok())
    }
    #[cfg(not(target_os = "linux"))]
    None
}

/// Whether this program may run a thread in real time: a thread that ends at once tries. `None`: it cannot be told.
pub fn real_time_is_permitted() -> Option<bool> {
    std::thread::spawn(raise).join().ok().flatten()
}
