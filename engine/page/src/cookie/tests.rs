use super::*;
use axum::http::HeaderValue;

fn headers(lines: &[&str]) -> HeaderMap {
    let mut headers = HeaderMap::new();
    for line in lines {
        headers.append(COOKIE, HeaderValue::from_bytes(line.as_bytes()).unwrap());
    }
    headers
}

fn shown(headers: &HeaderMap, keys: &RoleKeys) -> Option<Role> {
    keys.role(&key(headers)?)
}

#[test]
fn the_cookie_that_was_set_brings_its_role_back() {
    let keys = RoleKeys::random().unwrap();
    for role in Role::ALL {
        let set = set(&keys, role);
        let pair = set.split(';').next().unwrap();
        assert_eq!(shown(&headers(&[pair]), &keys), Some(role));
        assert_eq!(shown(&headers(&[&format!("a=b; {pair}; c=d")]), &keys), Some(role));
        assert_eq!(shown(&headers(&["a=b", pair]), &keys), Some(role));
    }
}

#[test]
fn scripts_and_foreign_pages_do_not_get_the_cookie() {
    let keys = RoleKeys::random().unwrap();
    for set in [set(&keys, Role::Desk), removed()] {
        let cookie = cookie::Cookie::parse(set).unwrap();
        assert_eq!(cookie.http_only(), Some(true));
        assert_eq!(cookie.same_site(), Some(cookie::SameSite::Strict));
        assert_eq!(cookie.path(), Some("/"));
        assert_eq!(cookie.secure(), None);
        assert!(cookie.max_age().is_some());
    }
}

#[test]
fn no_other_cookie_has_a_role() {
    let keys = RoleKeys::random().unwrap();
    let key = keys.spelt(Role::Desk);
    let wrong = RoleKeys::random().unwrap().spelt(Role::Desk);
    for line in
        ["", ";;=;", "tenterhook", "tenterhook=", &format!("other={key}"), &format!("tenterhook={wrong}"), "\u{e9}"]
    {
        assert_eq!(shown(&headers(&[line]), &keys), None, "{line}");
    }
    assert_eq!(shown(&HeaderMap::new(), &keys), None);
    let removed = removed();
    assert_eq!(shown(&headers(&[removed.split(';').next().unwrap()]), &keys), None);
}
