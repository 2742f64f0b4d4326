use super::*;

fn four(last: u8) -> IpAddr {
    IpAddr::from([192, 0, 2, last])
}

fn six(network: u16, machine: u16) -> IpAddr {
    IpAddr::from([0x2001, 0xdb8, 0, network, 0, 0, 0, machine])
}

const SECOND: Duration = Duration::from_secs(1);

#[test]
fn ten_wrong_keys_shut_an_address_until_the_minute_is_over() {
    let (mut attempts, start) = (Attempts::default(), Instant::now());
    for second in 0..10 {
        assert_eq!(attempts.shut_to(four(1), start + second * SECOND), None);
        attempts.wrong(four(1), start + second * SECOND);
    }
    assert_eq!(attempts.shut_to(four(1), start + 10 * SECOND), Some(50 * SECOND));
    assert_eq!(attempts.shut_to(four(2), start + 10 * SECOND), None, "another is not");
    assert_eq!(attempts.shut_to_all(start + 10 * SECOND), None);
    assert!(attempts.shut_to(four(1), start + 59 * SECOND).is_some());
    assert_eq!(attempts.shut_to(four(1), start + 60 * SECOND), None);
    attempts.wrong(four(1), start + 60 * SECOND);
    assert_eq!(attempts.shut_to(four(1), start + 60 * SECOND), None, "counted anew");
}

#[test]
fn one_ipv6_network_is_one_address() {
    let (mut attempts, now) = (Attempts::default(), Instant::now());
    for machine in 0..10 {
        attempts.wrong(six(1, machine), now);
    }
    assert!(attempts.shut_to(six(1, 99), now).is_some());
    assert_eq!(attempts.shut_to(six(2, 99), now), None);
}

#[test]
fn an_ipv4_address_written_as_ipv6_is_the_same_address() {
    let (mut attempts, now) = (Attempts::default(), Instant::now());
    let mapped = |last| IpAddr::V6(std::net::Ipv4Addr::new(192, 0, 2, last).to_ipv6_mapped());
    for _ in 0..10 {
        attempts.wrong(mapped(1), now);
    }
    assert!(attempts.shut_to(four(1), now).is_some());
    assert_eq!(attempts.shut_to(mapped(2), now), None);
}

#[test]
fn sixty_wrong_keys_shut_the_door_to_all_until_the_minute_is_over() {
    let (mut attempts, start) = (Attempts::default(), Instant::now());
    for try_ in 0..60 {
        assert_eq!(attempts.shut_to_all(start), None);
        attempts.wrong(four(try_), start);
    }
    assert_eq!(attempts.shut_to_all(start + 20 * SECOND), Some(40 * SECOND));
    assert_eq!(attempts.shut_to_all(start + 60 * SECOND), None);
}

#[test]
fn an_old_cookie_shown_again_is_no_new_guess_but_another_is() {
    let (mut attempts, now) = (Attempts::default(), Instant::now());
    for _ in 0..1000 {
        attempts.shown(four(1), 7, now);
    }
    assert_eq!(attempts.shut_to(four(1), now), None);
    for what in 8..17 {
        attempts.shown(four(1), what, now);
    }
    assert!(attempts.shut_to(four(1), now).is_some());
}

#[test]
fn memory_is_bounded_however_many_addresses_try() {
    let (mut attempts, start) = (Attempts::default(), Instant::now());
    for network in 0..20_000u16 {
        attempts.wrong(six(network, 1), start + u32::from(network) * Duration::from_millis(1));
        assert!(attempts.of.len() <= MOST_ADDRESSES);
    }
}
