//! What the system lets this program do.

use super::{PreflightSeen, SeenMachine};

/// How much an audio server, or this program, should be able to keep in memory, in bytes. Common practice, no source.
const LOCKED: u64 = 1 << 30;

/// How a user gets what real time needs: limits.d(5), as Debian's packages of audio servers do it.
const GRANT: &str = "put `@audio - rtprio 95` and `@audio - memlock unlimited` into a file in /etc/security/limits.d, your \
    user into the group `audio` (`sudo usermod -aG audio $USER`), and log in anew";

/// Whether a thread may run in real time: one tries.
pub fn real_time(_: &SeenMachine<'_>) -> PreflightSeen {
    match tenterhook_io::real_time_is_permitted() {
        None => PreflightSeen::Hidden("it could not be tried".to_owned()),
        Some(true) => PreflightSeen::Good("a thread may run in real time".to_owned()),
        Some(false) => {
            let limit = match limits().map(|limits| limits.priority) {
                Some(Some(priority)) => format!(", the limit is {priority}"),
                Some(None) | None => String::new(),
            };
            PreflightSeen::Look(format!("no thread may run in real time{limit}"), GRANT.to_owned())
        }
    }
}

/// Whether an audio server, and this program, may keep its memory from being moved to disk.
pub fn locked_memory(_: &SeenMachine<'_>) -> PreflightSeen {
    match limits() {
        None => PreflightSeen::Hidden("the limit is not told".to_owned()),
        Some(limits) => judge(limits.memory),
    }
}

/// Whether so many bytes are enough; `None`: there is no limit.
fn judge(bytes: Option<u64>) -> PreflightSeen {
    match bytes {
        None => PreflightSeen::Good("as much as there is".to_owned()),
        Some(bytes) if bytes >= LOCKED => PreflightSeen::Good(format!("up to {} MB", bytes >> 20)),
        Some(bytes) => PreflightSeen::Look(format!("no more than {} MB", bytes >> 20), GRANT.to_owned()),
    }
}

/// The limits of this process, `None`: without a limit.
struct Limits {
    /// The highest real-time priority.
    priority: Option<u64>,
    /// Bytes that stay in memory.
    memory: Option<u64>,
}

/// getrlimit(2): RLIMIT_RTPRIO, RLIMIT_MEMLOCK.
#[cfg(target_os = "linux")]
fn limits() -> Option<Limits> {
    use rustix::process::{Resource, getrlimit};
    Some(Limits { priority: getrlimit(Resource::Rtprio).current, memory: getrlimit(Resource::Memlock).current })
}

#[cfg(not(target_os = "linux"))]
fn limits() -> Option<Limits> {
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_low_limit_of_memory_is_worth_a_look() {
        assert_eq!(judge(Some(8 << 20)), PreflightSeen::Look("no more than 8 MB".to_owned(), GRANT.to_owned()));
        assert_eq!(judge(Some(LOCKED)), PreflightSeen::Good("up to 1024 MB".to_owned()));
        assert_eq!(judge(None), PreflightSeen::Good("as much as there is".to_owned()));
    }
}
