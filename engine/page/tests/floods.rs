//! Floods: whoever sends much keeps nobody else out, and is let go.

mod house;

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use house::{House, LIMIT};
use serde_json::{Value, json};
use socket2::{Domain, Socket, Type};
use tenterhook_page::{Access, Role, RoleKeys};
use tenterhook_plan::Gesture;
use tungstenite::client::IntoClientRequest;
use tungstenite::{Message, WebSocket};

struct Hall {
    house: House,
    keys: RoleKeys,
}

impl Hall {
    fn open() -> Self {
        let keys = RoleKeys::random().unwrap();
        let house = House::open(Access::Keys(keys.clone()));
        house.show(house.state());
        Self { house, keys }
    }

    /// A connection from 127.0.0.`last`: each is a network of its own.
    fn connect(&self, last: u8) -> TcpStream {
        let socket = Socket::new(Domain::IPV4, Type::STREAM, None).unwrap();
        socket.bind(&SocketAddr::from(([127, 0, 0, last], 0)).into()).unwrap();
        socket.connect(&self.house.page.address().into()).unwrap();
        socket.set_read_timeout(Some(LIMIT)).unwrap();
        socket.set_write_timeout(Some(LIMIT)).unwrap();
        socket.into()
    }

    fn cookie(&self, role: Role) -> String {
        format!("tenterhook={}", self.keys.spelt(role))
    }

    /// Comes in as a page, or the status that refuses it.
    fn come(&self, last: u8, role: Role) -> Result<WebSocket<TcpStream>, u16> {
        let address = self.house.page.address();
        let mut request = format!("ws://{address}/socket").into_client_request().unwrap();
        request.headers_mut().insert("Origin", format!("http://{address}").parse().unwrap());
        request.headers_mut().insert("Cookie", self.cookie(role).parse().unwrap());
        match tungstenite::client(request, self.connect(last)) {
            Ok((socket, _)) => Ok(socket),
            Err(tungstenite::HandshakeError::Failure(tungstenite::Error::Http(refused))) => {
                Err(refused.status().as_u16())
            }
            Err(why) => panic!("{why}"),
        }
    }

    /// A page that has been told all.
    fn page(&self, last: u8, role: Role) -> WebSocket<TcpStream> {
        let mut page = self.come(last, role).unwrap_or_else(|status| panic!("{role:?} is refused: {status}"));
        assert_eq!(told(&mut page, "piece")["role"], role.name());
        page
    }

    /// The desk hushes and releases, and the engine is asked for both.
    fn hushes(&self, desk: &mut WebSocket<TcpStream>) {
        let before = self.house.asked().len();
        for on in [true, false] {
            desk.send(Message::text(json!({ "do": "hush", "on": on }).to_string())).unwrap();
        }
        assert_eq!(self.house.until_asked(before + 2)[before..], [Gesture::Hush(true), Gesture::Hush(false)]);
    }
}

fn told(page: &mut WebSocket<TcpStream>, key: &str) -> Value {
    loop {
        if let Message::Text(text) = page.read().unwrap() {
            let mut told: Value = serde_json::from_str(&text).unwrap();
            if let Some(value) = told.get_mut(key) {
                return value.take();
            }
        }
    }
}

/// A frame of a page (RFC 6455, 5.2): its first byte, and an empty payload under a mask of zeros.
const fn empty(first: u8) -> [u8; 6] {
    [first, 0x80, 0, 0, 0, 0]
}

/// Writes frames until the server has had enough, at most 60 s; how many bytes went.
fn floods(page: &mut TcpStream, frames: &[u8]) -> usize {
    let many = frames.repeat(65_536 / frames.len());
    let (begun, mut sent) = (Instant::now(), 0);
    page.set_write_timeout(Some(Duration::from_millis(500))).unwrap();
    loop {
        match page.write(&many) {
            Ok(count) => sent += count,
            Err(why) if matches!(why.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut) => {}
            Err(_) => return sent,
        }
        assert!(begun.elapsed() < Duration::from_secs(60), "it was never let go, after {sent} bytes");
    }
}

#[test]
fn whoever_floods_with_frames_is_let_go_and_does_not_come_straight_back() {
    // Empty ones that are answered, that are not, that go on a message without end; and more messages than one has.
    let kinds: [(&str, Vec<u8>); 4] = [
        ("pings", empty(0x89).to_vec()),
        ("pongs", empty(0x8a).to_vec()),
        ("continuations", empty(0x00).to_vec()),
        ("texts", empty(0x81).to_vec()),
    ];
    for (kind, frames) in kinds {
        let hall = Hall::open();
        let mut desk = hall.page(1, Role::Desk);
        let mut flooder = hall.page(1, Role::Watch);
        if kind == "continuations" {
            flooder.get_mut().write_all(&empty(0x01)).unwrap();
        }
        let sent = std::thread::scope(|scope| {
            let flood = scope.spawn(|| floods(flooder.get_mut(), &frames));
            while !flood.is_finished() {
                hall.hushes(&mut desk);
            }
            flood.join().unwrap()
        });
        // What lies in the buffers of the system counts as sent: some megabytes, of 12 MB/s that could have come.
        println!("{kind}: {sent} bytes went");
        if kind != "texts" {
            // Nonsense is sent away as nonsense.
            assert_eq!(hall.come(1, Role::Watch).err(), Some(429), "{kind}: it does not come straight back");
        }
        hall.page(2, Role::Watch);
        // Whoever has its address does, in another role.
        hall.page(1, Role::Player);
        hall.page(1, Role::Desk);
        hall.hushes(&mut desk);
    }
}

#[test]
fn a_player_who_plays_fast_stays() {
    let hall = Hall::open();
    let mut player = hall.page(1, Role::Player);
    player.send(Message::text(r#"{"do":"part","mic":"voice"}"#)).unwrap();
    // Two seconds of a hand on a lever, as the fastest screens send it.
    for step in 0..480u16 {
        let ask = json!({ "do": "controller", "name": "hand", "value": f32::from(step % 100) / 100.0 });
        player.send(Message::text(ask.to_string())).unwrap();
        std::thread::sleep(Duration::from_millis(4));
    }
    hall.house.until_asked(480);
}

#[test]
fn the_desk_may_send_more_than_is_taken_at_once_and_is_not_let_go() {
    let hall = Hall::open();
    let mut desk = hall.page(1, Role::Desk);
    // Of 240 a second some four seconds: twice as long as anybody else may go on so.
    for _ in 0..1200 {
        desk.send(Message::text(r#"{"do":"reset"}"#)).unwrap();
    }
    hall.hushes(&mut desk);
}

#[test]
fn who_sends_too_much_for_a_moment_now_and_then_stays() {
    let hall = Hall::open();
    let mut watch = hall.page(1, Role::Watch);
    let ask = |watch: &mut WebSocket<TcpStream>, mic: &str, bytes: usize| {
        let ask = json!({ "do": "part", "mic": mic }).to_string();
        watch.send(Message::text(format!("{ask:bytes$}"))).unwrap();
    };
    // 8 kB are taken at once and 1 kB a second: each time it is behind for less than a second, and then for none.
    for _ in 0..3 {
        ask(&mut watch, "voice", 3000);
    }
    for _ in 0..3 {
        std::thread::sleep(Duration::from_millis(2500));
        ask(&mut watch, "voice", 2500);
    }
    ask(&mut watch, "nobody", 0);
    assert!(told(&mut watch, "error").as_str().unwrap().contains("nobody"), "it is still heard");
}

#[test]
fn strangers_stand_in_one_line_and_players_do_not() {
    const EACH: usize = 60;
    let hall = Hall::open();
    let host = hall.house.page.address();
    let request = format!("GET /keyless HTTP/1.1\r\nHost: {host}\r\n");
    let answered = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        let begun = Instant::now();
        for last in 2..52 {
            let mut stream = hall.connect(last);
            let (request, answered) = (format!("{request}\r\n"), &answered);
            scope.spawn(move || {
                stream.write_all(request.repeat(EACH).as_bytes()).unwrap();
                let (mut some, mut all) = ([0; 4096], Vec::new());
                let mut known = 0;
                while known < EACH {
                    let count = stream.read(&mut some).unwrap();
                    all.extend_from_slice(&some[..count]);
                    let now = all.windows(9).filter(|window| window == b"HTTP/1.1 ").count();
                    answered.fetch_add(now - known, Ordering::Relaxed);
                    known = now;
                }
            });
        }
        while answered.load(Ordering::Relaxed) < 600 {
            assert!(begun.elapsed() < LIMIT);
            std::thread::sleep(Duration::from_millis(5));
        }
        // 50 wait at any time: were each of its requests behind them, 2000 strangers would be answered meanwhile.
        let before = answered.load(Ordering::Relaxed);
        let mut player = hall.connect(2);
        for _ in 0..40 {
            let line = format!("{request}Cookie: {}\r\n\r\n", hall.cookie(Role::Player));
            player.write_all(line.as_bytes()).unwrap();
            let mut some = [0; 4096];
            assert!(player.read(&mut some).unwrap() > 0);
        }
        let meanwhile = answered.load(Ordering::Relaxed) - before;
        assert!(meanwhile < 1000, "{meanwhile} strangers came before the player's forty requests");
        while answered.load(Ordering::Relaxed) < 50 * EACH {
            let most = 500.0 + 250.0 * begun.elapsed().as_secs_f64() + 50.0;
            let answered = answered.load(Ordering::Relaxed);
            assert!(answered as f64 <= most, "{answered} were answered in {:?}", begun.elapsed());
            std::thread::sleep(Duration::from_millis(5));
        }
    });
}

#[test]
fn watching_pages_take_no_place_of_the_desk_or_of_players_and_no_address_has_them_all() {
    let hall = Hall::open();
    let mut watching: Vec<_> = (0..64).map(|_| hall.page(2, Role::Watch)).collect();
    let refused = hall.come(2, Role::Watch).err();
    // Too many, or on a quick machine too fast.
    assert!(matches!(refused, Some(503 | 429)), "{refused:?}: its own it may not put out");
    // Behind the same router, and elsewhere.
    let mut desk = hall.page(2, Role::Desk);
    hall.page(3, Role::Desk);
    hall.page(2, Role::Player);
    hall.page(3, Role::Player);
    hall.hushes(&mut desk);
    let mut others: Vec<_> = (3..13).map(|last| hall.page(last, Role::Watch)).collect();
    others.iter_mut().for_each(|page| drop(told(page, "history")));
    // The latest of those who have most had to go, and no others.
    let gone = watching.iter_mut().map(|page| {
        page.get_ref().set_read_timeout(Some(Duration::from_millis(200))).unwrap();
        loop {
            match page.read() {
                Ok(_) => {}
                Err(tungstenite::Error::Io(why)) if why.kind() == std::io::ErrorKind::WouldBlock => return false,
                Err(_) => return true,
            }
        }
    });
    let gone: Vec<bool> = gone.collect();
    assert_eq!(gone.iter().filter(|gone| **gone).count(), 10, "{gone:?}");
    assert!(gone[54..].iter().all(|gone| *gone), "{gone:?}");
}

#[test]
fn whoever_takes_nothing_of_a_thousand_answers_keeps_the_desk_not_out() {
    let hall = Hall::open();
    let host = hall.house.page.address();
    // From the desk's own address: the page in pieces that nobody takes.
    let held: Vec<_> = (0..600)
        .map(|_| {
            let mut stream = hall.connect(1);
            let request = format!("GET /assets/study.js HTTP/1.1\r\nHost: {host}\r\n\r\n").repeat(8);
            let _ = stream.write_all(request.as_bytes());
            stream
        })
        .collect();
    let mut desk = hall.page(1, Role::Desk);
    hall.hushes(&mut desk);
    let mut stream = hall.connect(1);
    stream.write_all(format!("GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n").as_bytes()).unwrap();
    let mut page = String::new();
    stream.read_to_string(&mut page).unwrap();
    assert!(page.starts_with("HTTP/1.1 200"), "{page}");
    drop(held);
}
