//! Time tags: times of the network in 2⁻³² seconds since 1900, whose difference holds across the year 2036, in which their
//! seconds begin again (RFC 5905, section 6).

use rosc::OscTime;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Seconds from 1900 to 1970 (RFC 5905, figure 4).
const TO_1970: u64 = 2_208_988_800;
/// The tag that means "at once" (OSC 1.0).
pub(crate) const AT_ONCE: OscTime = OscTime { seconds: 0, fractional: 1 };

/// The system's time as a time of the network.
pub(crate) fn now() -> u64 {
    of(SystemTime::now())
}

fn of(time: SystemTime) -> u64 {
    let since = time.duration_since(UNIX_EPOCH).unwrap_or_default();
    // The seconds are meant to wrap.
    let fraction = (u64::from(since.subsec_nanos()) << 32) / 1_000_000_000;
    (since.as_secs().wrapping_add(TO_1970) << 32) | fraction
}

/// How long it is from `now` until a tag; nothing if it has passed, or means "at once". 0, which is no time at all, means
/// the same.
pub(crate) fn until(tag: OscTime, now: u64) -> Duration {
    let tag = u64::from(tag.seconds) << 32 | u64::from(tag.fractional);
    let ahead = tag.wrapping_sub(now) as i64;
    if tag <= 1 || ahead <= 0 {
        return Duration::ZERO;
    }
    let ahead = ahead.unsigned_abs();
    let nanoseconds = ((ahead & u64::from(u32::MAX)) * 1_000_000_000) >> 32;
    Duration::from_secs(ahead >> 32) + Duration::from_nanos(nanoseconds)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn tag(time: u64) -> OscTime {
        OscTime { seconds: (time >> 32) as u32, fractional: time as u32 }
    }

    #[test]
    fn known_times_are_what_tables_say() {
        // RFC 5905, figure 4: 1 January 1970 is 2 208 988 800 s after 1 January 1900; the last day of era 0 is 7 February
        // 2036, whose 06:28:16 is 0 again.
        assert_eq!(of(UNIX_EPOCH), 2_208_988_800 << 32);
        let turn = UNIX_EPOCH + Duration::from_secs((1 << 32) - 2_208_988_800);
        assert_eq!(of(turn), 0);
        assert_eq!(
            until(OscTime { seconds: 2, fractional: 1 << 31 }, of(turn - Duration::from_secs(1))),
            Duration::from_millis(3500)
        );
    }

    #[test]
    fn what_has_passed_and_what_is_immediate_waits_for_nothing() {
        let now = now();
        for tag in [AT_ONCE, tag(0), tag(now), tag(now - 1), tag(now - (3600 << 32))] {
            assert_eq!(until(tag, now), Duration::ZERO);
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..Default::default() })]

        #[test]
        fn the_difference_is_that_of_the_times_in_any_era(now: u64, nanoseconds in 1u64..120_000_000_000) {
            let ahead = Duration::from_nanos(nanoseconds);
            let later = now.wrapping_add(((u128::from(nanoseconds) << 32) / 1_000_000_000) as u64);
            prop_assume!(later > 1);
            let seen = until(tag(later), now);
            prop_assert!(ahead.abs_diff(seen) <= Duration::from_nanos(2), "{ahead:?} {seen:?}");
        }
    }
}
