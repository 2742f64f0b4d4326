//! The doors over real TCP: who comes in, who does not, and that nobody can keep others out.

mod house;

use std::io::{ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::{Duration, Instant};

use house::House;
use tenterhook_page::{Access, Role, RoleKeys};
use tenterhook_plan::Gesture;
use tungstenite::client::IntoClientRequest;

/// What a page may load and do: its own files, and nothing else.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; \
                      connect-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; \
                      frame-ancestors 'none'";

/// Far longer than anything here takes.
const LONG: Duration = Duration::from_secs(60);

struct Server {
    address: SocketAddr,
    house: Option<House>,
}

impl Server {
    fn start(access: Access) -> Self {
        let house = House::open(access);
        Self { address: house.page.address(), house: Some(house) }
    }

    fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(self.address).unwrap();
        stream.set_read_timeout(Some(LONG)).unwrap();
        stream
    }

    fn host(&self) -> String {
        self.address.to_string()
    }

    /// The whole answer to one request.
    fn ask(&self, line: &str, fields: &[(&str, &str)], body: &str) -> String {
        let mut stream = self.connect();
        let mut request = format!("{line} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n", body.len());
        for (name, value) in fields {
            request += &format!("{name}: {value}\r\n");
        }
        stream.write_all(format!("{request}\r\n{body}").as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer
    }

    fn enter(&self, key: &str) -> String {
        let body = format!("{{\"key\":\"{key}\"}}");
        self.ask("POST /enter", &[("Host", &self.host()), ("Content-Type", "application/json")], &body)
    }

    /// Opens a WebSocket and returns the role that it is told, or the status that refuses it.
    fn role(&self, fields: &[(&'static str, &str)]) -> Result<String, u16> {
        Ok(told_role(&mut self.socket(fields)?))
    }

    fn socket(&self, fields: &[(&'static str, &str)]) -> Result<tungstenite::WebSocket<TcpStream>, u16> {
        let mut request = format!("ws://{}/socket", self.address).into_client_request().unwrap();
        for (name, value) in fields {
            request.headers_mut().insert(*name, value.parse().unwrap());
        }
        match tungstenite::client(request, self.connect()) {
            Ok((socket, _)) => Ok(socket),
            Err(tungstenite::HandshakeError::Failure(tungstenite::Error::Http(answer))) => {
                Err(answer.status().as_u16())
            }
            Err(why) => panic!("{why}"),
        }
    }

    fn own(&self) -> String {
        format!("http://{}", self.address)
    }
}

/// The role of the first thing that a page is told.
fn told_role(socket: &mut tungstenite::WebSocket<TcpStream>) -> String {
    loop {
        if let tungstenite::Message::Text(text) = socket.read().unwrap() {
            let told: serde_json::Value = serde_json::from_str(&text).unwrap();
            return told["piece"]["role"].as_str().expect("the piece comes first").to_owned();
        }
    }
}

fn status(answer: &str) -> u16 {
    answer.strip_prefix("HTTP/1.1 ").and_then(|rest| rest[..3].parse().ok()).unwrap_or_else(|| panic!("{answer:?}"))
}

fn field<'a>(answer: &'a str, name: &str) -> Option<&'a str> {
    let head = answer.split("\r\n\r\n").next()?;
    let mut fields = head.lines().filter_map(|line| line.split_once(": "));
    fields.find(|(field, _)| field.eq_ignore_ascii_case(name)).map(|(_, value)| value)
}

fn with_keys() -> (Server, RoleKeys) {
    let keys = RoleKeys::random().unwrap();
    (Server::start(Access::Keys(keys.clone())), keys)
}

#[test]
fn the_right_key_brings_its_role_and_leaving_takes_it_away() {
    let (server, keys) = with_keys();
    for role in Role::ALL {
        let answer = server.enter(&keys.spelt(role).to_lowercase());
        assert_eq!(status(&answer), 204);
        let cookie = field(&answer, "set-cookie").unwrap();
        assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
        let pair = cookie.split(';').next().unwrap();
        let told = server.role(&[("origin", &server.own()), ("cookie", pair)]);
        assert_eq!(told, Ok(format!("{role:?}").to_lowercase()));
    }
    let answer = server.ask("POST /leave", &[("Host", &server.host()), ("Origin", &server.own())], "");
    assert_eq!(status(&answer), 204);
    let cookie = field(&answer, "set-cookie").unwrap();
    assert!(cookie.contains("tenterhook=;") && cookie.contains("Max-Age=0"), "{cookie}");
}

#[test]
fn without_a_right_key_the_page_comes_but_not_the_socket() {
    let (server, _) = with_keys();
    let page = server.ask("GET /", &[("Host", &server.host())], "");
    assert_eq!(status(&page), 200);
    assert!(page.contains("<title>"), "{page}");
    assert_eq!(server.role(&[("origin", &server.own())]), Err(401));
    for path in ["/etudes", "/etudes/freeze.toml", "/etudes/freeze.wav"] {
        assert_eq!(status(&server.ask(&format!("GET {path}"), &[("Host", &server.host())], "")), 401, "{path}");
    }
    let wrong = "tenterhook=AAAA-AAAA-AAAA-AAAA";
    assert_eq!(server.role(&[("origin", &server.own()), ("cookie", wrong)]), Err(401));
    let answer = server.enter("AAAA-AAAA-AAAA-AAAA");
    assert_eq!(status(&answer), 401);
    assert!(answer.contains("{\"error\":\"") && field(&answer, "set-cookie").is_none(), "{answer}");
}

#[test]
fn a_foreign_page_opens_no_socket_with_its_visitors_cookie() {
    let (server, keys) = with_keys();
    let cookie = format!("tenterhook={}", keys.spelt(Role::Desk));
    for origin in ["http://example.org", "null", "http://127.0.0.1:1", "https://127.0.0.1"] {
        assert_eq!(server.role(&[("origin", origin), ("cookie", &cookie)]), Err(403), "{origin}");
        let fields = [("Host", &*server.host()), ("Origin", origin), ("Content-Type", "application/json")];
        let body = format!("{{\"key\":\"{}\"}}", keys.spelt(Role::Watch));
        assert_eq!(status(&server.ask("POST /enter", &fields, &body)), 403);
        assert_eq!(status(&server.ask("POST /leave", &fields, "")), 403);
    }
    assert_eq!(server.role(&[("cookie", &cookie)]), Err(403), "without Origin");
    // Nor does who says two, ours among them.
    let host = server.host();
    for others in [["http://example.org", &*server.own()], [&*server.own(), "http://example.org"]] {
        let fields =
            [("Host", &*host), ("Origin", others[0]), ("Origin", others[1]), ("Content-Type", "application/json")];
        assert_eq!(status(&server.ask("POST /leave", &fields, "")), 403, "{others:?}");
        let body = format!("{{\"key\":\"{}\"}}", keys.spelt(Role::Watch));
        assert_eq!(status(&server.ask("POST /enter", &fields, &body)), 403, "{others:?}");
    }
}

#[test]
fn without_keys_this_machine_comes_in_and_a_name_made_to_point_here_does_not() {
    let server = Server::start(Access::Anyone);
    assert_eq!(server.role(&[("origin", &server.own())]), Ok("desk".to_owned()));
    let host = format!("evil.example:{}", server.address.port());
    let origin = format!("http://{host}");
    assert_eq!(server.role(&[("origin", &origin), ("host", &host)]), Err(403));
    let page = server.ask("GET /", &[("Host", &host)], "");
    assert_eq!(status(&page), 403);
    assert!(page.contains("{\"error\":\""), "{page}");
    assert_eq!(field(&page, "content-security-policy"), Some(POLICY));
    assert_eq!(status(&server.ask("GET /nothing", &[("Host", &host)], "")), 403);
    assert_eq!(status(&server.ask("GET /", &[], "")), 400);
    assert_eq!(status(&server.ask("GET /", &[("Host", "localhost")], "")), 200);
}

#[test]
fn after_ten_wrong_keys_more_of_them_are_to_wait_and_the_right_one_comes_in() {
    let (server, keys) = with_keys();
    for _ in 0..10 {
        assert_eq!(status(&server.enter("wrong")), 401);
    }
    let answer = server.enter("wrong");
    assert_eq!(status(&answer), 429);
    assert!(answer.contains("too many wrong keys"), "{answer}");
    let wait: u64 = field(&answer, "retry-after").unwrap().parse().unwrap();
    assert!((1..=61).contains(&wait), "{wait}");
    // From the same address, as all have it behind a hall's router.
    assert_eq!(status(&server.enter(&keys.spelt(Role::Desk))), 204);
    let cookie = format!("tenterhook={}", keys.spelt(Role::Desk));
    assert_eq!(server.role(&[("origin", &*server.own()), ("cookie", &*cookie)]), Ok("desk".to_owned()));
}

#[test]
fn what_another_page_asks_for_is_refused_also_where_it_says_no_origin() {
    let server = Server::start(Access::Anyone);
    let ask = |line: &str, fields: &[(&str, &str)]| {
        let host = server.host();
        status(&server.ask(line, &[&[("Host", &*host), ("Content-Type", "application/json")], fields].concat(), "{}"))
    };
    for site in ["cross-site", "same-site"] {
        for line in ["POST /study?name=a.wav", "POST /study/mic", "POST /enter", "POST /leave", "GET /machine"] {
            assert_eq!(ask(line, &[("Sec-Fetch-Site", site), ("Sec-Fetch-Mode", "no-cors")]), 403, "{line} {site}");
        }
        let frame = [("Sec-Fetch-Site", site), ("Sec-Fetch-Mode", "navigate"), ("Sec-Fetch-Dest", "iframe")];
        assert_eq!(ask("GET /", &frame), 403, "{site}");
        // A form that is sent is a visit as well.
        let form = [("Sec-Fetch-Site", site), ("Sec-Fetch-Mode", "navigate"), ("Sec-Fetch-Dest", "document")];
        assert_eq!(ask("POST /leave", &form), 403, "{site}");
        assert_eq!(ask("GET /", &form), 200, "a link may lead here");
    }
    for own in [&[("Sec-Fetch-Site", "same-origin")][..], &[("Sec-Fetch-Site", "none")], &[]] {
        assert_eq!(ask("GET /machine", own), 200, "{own:?}");
        assert_eq!(ask("POST /leave", own), 204, "{own:?}");
    }
}

#[test]
fn long_and_senseless_requests_are_refused_in_words() {
    let (server, _) = with_keys();
    let fields = [("Host", &*server.host()), ("Content-Type", "application/json")];
    for long in [1100, 5000] {
        let body = format!("{{\"key\":\"{}\"}}", "A".repeat(long));
        assert_eq!(status(&server.ask("POST /enter", &fields, &body)), 413);
    }
    for body in ["", "{", "[]", "{\"key\":3}", "{\"key\":\"a\",\"more\":1}"] {
        let answer = server.ask("POST /enter", &fields, body);
        assert!(matches!(status(&answer), 400 | 422) && answer.contains("{\"error\":\""), "{answer}");
    }
    let plain = [("Host", &*server.host()), ("Content-Type", "text/plain")];
    assert_eq!(status(&server.ask("POST /enter", &plain, "{\"key\":\"a\"}")), 415, "as a foreign form could send it");
}

#[test]
fn every_answer_has_the_strict_headers() {
    let (server, _) = with_keys();
    let none = server.host();
    for answer in [
        server.ask("GET /", &[("Host", &none)], ""),
        server.ask("GET /nothing", &[("Host", &none)], ""),
        server.ask("GET /socket", &[("Host", &none)], ""),
        server.ask("DELETE /", &[("Host", &none)], ""),
        server.enter("wrong"),
    ] {
        assert_eq!(field(&answer, "content-security-policy"), Some(POLICY), "{answer}");
        assert_eq!(field(&answer, "x-content-type-options"), Some("nosniff"), "{answer}");
        assert_eq!(field(&answer, "referrer-policy"), Some("no-referrer"), "{answer}");
        assert!(matches!(field(&answer, "cache-control"), Some("no-store" | "no-cache")), "{answer}");
    }
}

/// Sends one byte a second, up to what would take a minute; whether the server ended it before.
fn drips(server: &Server, start: &str) -> bool {
    let mut stream = server.connect();
    stream.write_all(start.as_bytes()).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(1))).unwrap();
    let mut all = [0; 1024];
    (0..60).any(|_| {
        let written = stream.write_all(b"a");
        loop {
            match stream.read(&mut all) {
                Ok(0) => return true,
                Ok(_) => {}
                Err(why) if matches!(why.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {
                    return written.is_err();
                }
                Err(_) => return true,
            }
        }
    })
}

#[test]
fn who_sends_a_byte_a_second_is_dropped() {
    let (server, _) = with_keys();
    assert!(drips(&server, "GET / HTTP/1.1\r\nHost: "), "in the headers");
    assert!(drips(&server, "POST /enter HTTP/1.1\r\nHost: a\r\nContent-Length: 100\r\n\r\n"), "in the body");
}

#[test]
fn a_thousand_idle_connections_lock_nobody_out_nor_end_a_socket() {
    let (server, keys) = with_keys();
    let cookie = format!("tenterhook={}", keys.spelt(Role::Desk));
    let mut socket = server.socket(&[("origin", &server.own()), ("cookie", &cookie)]).unwrap();
    let idle: Vec<TcpStream> = (0..1000)
        .map(|count| {
            let mut stream = server.connect();
            // Some say nothing, some begin.
            if count % 2 == 0 {
                let _ = stream.write_all(b"GET / HTTP/1.1\r\nHost: ");
            }
            stream
        })
        .collect();
    let start = Instant::now();
    assert_eq!(status(&server.ask("GET /", &[("Host", &server.host())], "")), 200);
    assert!(start.elapsed() < Duration::from_secs(10), "{:?}", start.elapsed());
    assert_eq!(told_role(&mut socket), "desk");
    socket.send(tungstenite::Message::text(r#"{"do":"hush","on":true}"#)).unwrap();
    assert_eq!(server.house.as_ref().unwrap().until_asked(1), [Gesture::Hush(true)], "it is still there");
    drop(idle);
}

#[test]
fn at_the_end_a_socket_ends_too() {
    let (mut server, keys) = with_keys();
    let cookie = format!("tenterhook={}", keys.spelt(Role::Desk));
    let mut socket = server.socket(&[("origin", &server.own()), ("cookie", &cookie)]).unwrap();
    drop(server.house.take());
    while socket.read().is_ok() {}
}
