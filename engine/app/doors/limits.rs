//! What the system lets this program do.

use super::{Machine, Seen};

/// How much an audio server should be able to keep in memory, in bytes. Common practice, no source.
const LOCKED: u64 = 1 << 30;

/// How a user gets what real time needs: limits.d(5), as Debian's packages of audio servers do it.
const GRANT: &str = "put `@audio - rtprio 95` and `@audio - memlock unlimited` into a file in /etc/security/limits.d, your \
    user into the group `audio` (`sudo usermod -aG audio $USER`), and log in anew";

/// Whether a thread may run in real time: one tries.
pub fn real_time(_: &Machine<'_>) -> Seen {
    match tenterhook_io::real_time_is_permitted() {
        None => Seen::Hidden("it could not be tried".to_owned()),
        Some(true) => Seen::Good("a thread may run in real time".to_owned()),
        Some(false) => Seen::Look(
            format!("no thread may run in real time (limit {})", in_words(priority(), |limit| limit.to_string())),
            GRANT.to_owned(),
        ),
    }
}

/// Whether an audio server may keep its memory from being moved to disk.
pub fn locked_memory(_: &Machine<'_>) -> Seen {
    judge(memory())
}

fn judge(limit: Limit) -> Seen {
    let found = format!("limit {}", in_words(limit, |bytes| format!("{} MB", bytes >> 20)));
    match limit {
        Limit::Unknown => Seen::Hidden("the limit is not told".to_owned()),
        Limit::Most(bytes) if bytes < LOCKED => Seen::Look(found, GRANT.to_owned()),
        Limit::Most(_) | Limit::None => Seen::Good(found),
    }
}

/// A limit of this process.
#[derive(Clone, Copy)]
enum Limit {
    Unknown,
    None,
    Most(u64),
}

fn in_words(limit: Limit, number: impl Fn(u64) -> String) -> String {
    match limit {
        Limit::Unknown => "unknown".to_owned(),
        Limit::None => "none".to_owned(),
        Limit::Most(most) => number(most),
    }
}

/// getrlimit(2), RLIMIT_RTPRIO.
#[cfg(target_os = "linux")]
fn priority() -> Limit {
    rustix::process::getrlimit(rustix::process::Resource::Rtprio).current.map_or(Limit::None, Limit::Most)
}

/// getrlimit(2), RLIMIT_MEMLOCK.
#[cfg(target_os = "linux")]
fn memory() -> Limit {
    rustix::process::getrlimit(rustix::process::Resource::Memlock).current.map_or(Limit::None, Limit::Most)
}

#[cfg(not(target_os = "linux"))]
fn priority() -> Limit {
    Limit::Unknown
}

#[cfg(not(target_os = "linux"))]
fn memory() -> Limit {
    Limit::Unknown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_low_limit_of_memory_is_worth_a_look() {
        assert_eq!(judge(Limit::Most(8 << 20)), Seen::Look("limit 8 MB".to_owned(), GRANT.to_owned()));
        assert_eq!(judge(Limit::Most(LOCKED)), Seen::Good("limit 1024 MB".to_owned()));
        assert_eq!(judge(Limit::None), Seen::Good("limit none".to_owned()));
        assert!(matches!(judge(Limit::Unknown), Seen::Hidden(_)));
    }
}
