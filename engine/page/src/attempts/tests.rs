use super::*;

fn four(last: u8) -> IpAddr {
    IpAddr::from([192, 0, 2, last])
}

const SECOND: Duration = Duration::from_secs(1);

#[test]
fn after_ten_wrong_keys_a_network_is_to_wait_until_the_minute_is_over() {
    let (mut attempts, start) = (Attempts::default(), Instant::now());
    for second in 0..10 {
        assert_eq!(attempts.wrong(four(1), start + second * SECOND), None);
    }
    assert_eq!(attempts.wrong(four(1), start + 10 * SECOND), Some(50 * SECOND));
    assert_eq!(attempts.wrong(four(2), start + 10 * SECOND), None, "another is not");
    assert_eq!(attempts.wrong(four(1), start + 59 * SECOND), Some(SECOND));
    assert_eq!(attempts.wrong(four(1), start + 60 * SECOND), None, "counted anew");
}

#[test]
fn wrong_keys_from_many_networks_make_no_other_wait() {
    let (mut attempts, now) = (Attempts::default(), Instant::now());
    for last in 0..60 {
        for _ in 0..20 {
            attempts.wrong(four(last), now);
        }
    }
    let others = (0..=255).filter(|last| attempts.wrong(IpAddr::from([203, 0, 113, *last]), now).is_some());
    // Of 60 in 4096 places another may meet one: 256 of them meet 4 on average, 20 hardly ever.
    assert!(others.count() < 20);
}

#[test]
fn an_old_cookie_shown_again_is_no_new_guess_but_another_is() {
    let (mut attempts, now) = (Attempts::default(), Instant::now());
    for _ in 0..1000 {
        assert_eq!(attempts.shown(four(1), 7, now), None);
    }
    for what in 8..17 {
        assert_eq!(attempts.shown(four(1), what, now), None);
    }
    assert!(attempts.shown(four(1), 17, now).is_some());
}
