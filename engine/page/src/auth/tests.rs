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
    let doors = Auth::new(Access::Anyone);
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
    let doors = Auth::new(Access::Keys(keys.clone()));
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
fn wrong_keys_make_only_wrong_keys_wait_whosever_address_it_is() {
    let keys = RoleKeys::random().unwrap();
    let (right, now) = (keys.spelt(Role::Desk), Instant::now());
    let doors = Auth::new(Access::Keys(keys));
    let (bad, good) = (peer(HALL).ip(), peer(HERE).ip());
    for _ in 0..10 {
        assert_eq!(status(doors.enter("wrong", bad, now)), 401);
    }
    let refusal = doors.enter("wrong", bad, now).unwrap_err();
    assert_eq!((refusal.status.as_u16(), refusal.wait), (429, Some(Duration::from_secs(60))));
    assert_eq!(status(doors.enter("wrong", good, now)), 401, "another address is not told to wait");
    // All phones of a hall may have one address: the desk's is among them, whether it was here before or not.
    assert!(doors.enter(&right, bad, now).unwrap().is_some());
    let own = headers(&[("host", "192.0.2.7:4150"), ("cookie", &format!("tenterhook={right}"))]);
    assert_eq!(doors.reader(&own, peer(HALL)), Ok(Role::Desk));
    assert_eq!(status(doors.enter("wrong", bad, now + Duration::from_secs(60))), 401);
}

#[test]
fn wrong_keys_from_everywhere_shut_nobody_out() {
    let keys = RoleKeys::random().unwrap();
    let (right, now) = (keys.spelt(Role::Desk), Instant::now());
    let doors = Auth::new(Access::Keys(keys));
    for last in 0..=255 {
        for _ in 0..20 {
            assert!(doors.enter("wrong", IpAddr::from([203, 0, 113, last]), now).is_err());
        }
    }
    assert!(doors.enter(&right, peer(HERE).ip(), now).unwrap().is_some());
}

#[test]
fn a_renewed_key_is_the_only_one_that_changes() {
    let old = RoleKeys::random().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("keys.toml");
    let doors = Auth::new(Access::Kept(RoleKeys::kept(&path).unwrap(), path.clone()));
    for role in Role::ALL {
        let before = doors.keys().unwrap();
        let renewals = Role::ALL.map(|role| doors.renewals(role));
        let keys = RoleKeys::renewed_for(&path, role).unwrap();
        doors.change(&keys);
        for (other, renewal) in Role::ALL.into_iter().zip(renewals) {
            let own =
                headers(&[("host", "192.0.2.7:4150"), ("cookie", &format!("tenterhook={}", before.spelt(other)))]);
            let came = doors.reader(&own, peer(HALL));
            assert_eq!(renewal.has_changed().unwrap(), other == role, "{other:?} after {role:?}");
            if other == role {
                assert_eq!(status(came), 401);
            } else {
                assert_eq!(came, Ok(other));
            }
        }
        assert_eq!(RoleKeys::kept(&path).unwrap().spelt(role), keys.spelt(role), "it is kept");
    }
    // Where there are no keys, none come into force.
    let open = Auth::new(Access::Anyone);
    open.change(&old);
    assert!(open.keys().is_none());
}

#[test]
fn an_old_cookie_that_comes_again_and_again_does_not_shut_the_form() {
    let keys = RoleKeys::random().unwrap();
    let right = keys.spelt(Role::Desk);
    let doors = Auth::new(Access::Keys(keys));
    let old = headers(&[("host", "192.0.2.7:4150"), ("cookie", "tenterhook=AAAA-AAAA-AAAA-AAAA")]);
    for _ in 0..200 {
        assert_eq!(status(doors.reader(&old, peer(HALL))), 401);
    }
    assert!(doors.enter(&right, peer(HALL).ip(), Instant::now()).unwrap().is_some());
}

#[test]
fn whoever_comes_back_when_they_were_told_to_is_not_told_to_wait_again() {
    for milliseconds in [1, 300, 1000, 1001, 59_999, 60_000] {
        let wait = Duration::from_millis(milliseconds);
        let refusal = Refusal::shut(wait);
        let told = refusal.clone().into_response().headers()[header::RETRY_AFTER].to_str().unwrap().parse().unwrap();
        assert!(Duration::from_secs(told) >= wait, "{told} s of {wait:?}");
        assert!(refusal.words.contains(&format!("wait {told} s")), "{}", refusal.words);
    }
}
