use super::*;
use crate::access::RoleKeys;

const HERE: &str = "127.0.0.1:50000";
const HALL: &str = "192.0.2.9:50000";

fn headers(fields: &[(&'static str, &str)]) -> HeaderMap {
    let field = |(name, value): &(&'static str, &str)| {
        (header::HeaderName::from_static(name), HeaderValue::from_str(value).unwrap())
    };
    fields.iter().map(field).collect()
}

fn status<T: std::fmt::Debug>(result: Result<T, Refusal>) -> u16 {
    let refusal = result.unwrap_err();
    assert!(!refusal.words.is_empty());
    refusal.status.as_u16()
}

fn peer(text: &str) -> SocketAddr {
    text.parse().unwrap()
}

#[test]
fn without_keys_this_machine_is_the_desk_and_nobody_else_is_anything() {
    let doors = Doors::new(Access::Anyone);
    let own = headers(&[("host", "localhost:4150"), ("origin", "http://localhost:4150")]);
    assert_eq!(doors.role(&own, peer(HERE)), Ok(Role::Desk));
    assert_eq!(doors.role(&own, peer("[::ffff:127.0.0.1]:9")), Ok(Role::Desk));
    assert_eq!(status(doors.role(&own, peer(HALL))), 403);
    let rebound = headers(&[("host", "evil.example:4150"), ("origin", "http://evil.example:4150")]);
    assert_eq!(status(doors.role(&rebound, peer(HERE))), 403);
    let foreign = headers(&[("host", "localhost:4150"), ("origin", "http://evil.example")]);
    assert_eq!(status(doors.role(&foreign, peer(HERE))), 403);
    assert_eq!(status(doors.role(&headers(&[("host", "localhost:4150")]), peer(HERE))), 403);
    assert_eq!(status(doors.role(&headers(&[]), peer(HERE))), 400);
}

#[test]
fn with_keys_everyone_is_what_their_cookie_says_from_anywhere() {
    let keys = RoleKeys::random().unwrap();
    let doors = Doors::new(Access::Keys(keys.clone()));
    for at in [HERE, HALL] {
        let own = |cookie: &str| {
            let host = [("host", "192.0.2.7:4150"), ("origin", "http://192.0.2.7:4150"), ("cookie", cookie)];
            doors.role(&headers(&host), peer(at))
        };
        for role in Role::ALL {
            assert_eq!(own(&format!("tenterhook={}", keys.spelt(role))), Ok(role));
        }
        assert_eq!(status(own("a=b")), 401);
        assert_eq!(status(own("tenterhook=AAAA-AAAA-AAAA-AAAA")), 401);
    }
}

#[test]
fn a_shut_address_is_refused_with_the_right_key_too_and_so_is_its_cookie() {
    let keys = RoleKeys::random().unwrap();
    let (right, now) = (keys.spelt(Role::Desk), Instant::now());
    let doors = Doors::new(Access::Keys(keys));
    let (bad, good) = (peer(HALL).ip(), peer(HERE).ip());
    for _ in 0..10 {
        assert_eq!(status(doors.enter("wrong", bad, now)), 401);
    }
    assert_eq!(status(doors.enter(&right, bad, now)), 429);
    assert!(doors.enter(&right, good, now).unwrap().is_some());
    let own = headers(&[("host", "192.0.2.7:4150"), ("cookie", &format!("tenterhook={right}"))]);
    assert_eq!(status(doors.reader(&own, peer(HALL))), 429);
    assert_eq!(doors.reader(&own, peer(HERE)), Ok(Role::Desk));
    assert!(doors.enter(&right, bad, now + Duration::from_secs(60)).unwrap().is_some());
}

#[test]
fn guessing_from_everywhere_shuts_the_form_but_not_out_who_is_in() {
    let keys = RoleKeys::random().unwrap();
    let (right, now) = (keys.spelt(Role::Desk), Instant::now());
    let doors = Doors::new(Access::Keys(keys));
    for last in 0..60 {
        assert_eq!(status(doors.enter("wrong", IpAddr::from([203, 0, 113, last]), now)), 401);
    }
    let refusal = doors.enter(&right, peer(HERE).ip(), now).unwrap_err();
    assert_eq!((refusal.status.as_u16(), refusal.wait), (429, Some(Duration::from_secs(60))));
    let own = headers(&[("host", "192.0.2.7:4150"), ("cookie", &format!("tenterhook={right}"))]);
    assert_eq!(doors.reader(&own, peer(HERE)), Ok(Role::Desk));
}

#[test]
fn an_old_cookie_that_comes_again_and_again_does_not_shut_the_form() {
    let keys = RoleKeys::random().unwrap();
    let right = keys.spelt(Role::Desk);
    let doors = Doors::new(Access::Keys(keys));
    let old = headers(&[("host", "192.0.2.7:4150"), ("cookie", "tenterhook=AAAA-AAAA-AAAA-AAAA")]);
    for _ in 0..200 {
        assert_eq!(status(doors.reader(&old, peer(HALL))), 401);
    }
    assert!(doors.enter(&right, peer(HALL).ip(), Instant::now()).unwrap().is_some());
}
