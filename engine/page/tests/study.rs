//! The study's doors and files over real TCP, before a stand-in for what studies sounds.

mod house;

use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::ops::Range;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Condvar, Mutex};
use std::thread;
use std::time::Instant;

use house::{House, LIMIT};
use serde_json::{Value, json};
use tenterhook_page::{Access, FILES, Role, RoleKeys, Studio, StudyAsk, StudyFile};
use tungstenite::client::IntoClientRequest;

/// The most that a sound may have, as the page's users are told.
const MOST: usize = 64 << 20;

/// Keeps what it is asked for, and how many things it was asked for at once.
#[derive(Default)]
struct StandIn {
    asked: Mutex<Vec<String>>,
    now: AtomicUsize,
    most: AtomicUsize,
    /// While true, sounds that are handed in wait.
    shut: Mutex<bool>,
    opened: Condvar,
}

impl StandIn {
    fn work<T>(&self, what: String, work: impl FnOnce() -> T) -> T {
        let now = self.now.fetch_add(1, Ordering::SeqCst) + 1;
        self.most.fetch_max(now, Ordering::SeqCst);
        self.asked.lock().unwrap().push(what);
        let done = work();
        self.now.fetch_sub(1, Ordering::SeqCst);
        done
    }

    fn asked(&self) -> Vec<String> {
        self.asked.lock().unwrap().clone()
    }

    fn shut(&self, shut: bool) {
        *self.shut.lock().unwrap() = shut;
        self.opened.notify_all();
    }

    fn until_asked(&self, count: usize) {
        let begun = Instant::now();
        while self.asked().len() < count {
            assert!(begun.elapsed() < LIMIT, "{count} asked for: {:?}", self.asked());
            thread::yield_now();
        }
    }
}

impl Studio for StandIn {
    fn sound(&self, name: &str, bytes: Vec<u8>) -> Result<Value, String> {
        self.work(format!("sound {name} {}", bytes.len()), || {
            drop(self.opened.wait_while(self.shut.lock().unwrap(), |shut| *shut).unwrap());
            match bytes.first() {
                Some(b'R') => Ok(json!({ "id": 3, "name": name })),
                _ => Err(format!("{name} is no sound: give a WAV file")),
            }
        })
    }

    fn mic(&self, mic: &str, seconds: f64) -> Result<Value, String> {
        self.work(format!("mic {mic} {seconds}"), || match mic {
            "voice" => Ok(json!({ "id": 4, "name": mic })),
            _ => Err(format!("there is no mic {mic}: choose voice")),
        })
    }

    fn moment(&self, id: u64, span: Range<f64>) -> Result<Value, String> {
        self.work(format!("moment {id} {span:?}"), || match id {
            3 => Ok(json!({ "from": span.start, "to": span.end })),
            13 => panic!("a fault of the stand-in"),
            _ => Err(format!("there is no study {id}: hand the sound in again")),
        })
    }

    fn file(&self, id: u64, name: &str, ask: &StudyAsk) -> Result<StudyFile, String> {
        self.work(format!("file {id} {name} {ask:?}"), || {
            if ask.step == "whole" {
                return Err("no such step: choose semitone".to_owned());
            }
            let kind = if name == "picture.svg" { "image/svg+xml" } else { "text/plain" };
            let bytes = (0..=255).chain(ask.step.bytes()).collect();
            Ok(StudyFile { name: format!("Gezeiten \u{e9}té\"-{name}"), kind, bytes })
        })
    }
}

struct Answer {
    status: u16,
    head: String,
    body: Vec<u8>,
}

impl Answer {
    fn field(&self, name: &str) -> &str {
        let mut fields = self.head.lines().filter_map(|line| line.split_once(": "));
        fields.find(|(field, _)| field.eq_ignore_ascii_case(name)).map_or("", |(_, value)| value)
    }

    fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|why| panic!("{why}: {}", self.head))
    }

    fn error(&self) -> String {
        self.json()["error"].as_str().expect("a refusal says why").to_owned()
    }
}

/// A house where sounds are studied, and whoever asks there.
struct Desk {
    house: House,
    studio: Arc<StandIn>,
}

impl Desk {
    fn open(access: Access) -> Self {
        let studio = Arc::<StandIn>::default();
        Self { house: House::studying(access, Arc::<StandIn>::clone(&studio)), studio }
    }

    fn send(&self, line: &str, fields: &[(&str, &str)]) -> TcpStream {
        send(&self.house, line, fields)
    }

    fn ask(&self, line: &str, fields: &[(&str, &str)], body: &[u8]) -> Answer {
        let length = body.len().to_string();
        let mut stream = self.send(line, &[fields, &[("Content-Length", &length)]].concat());
        // Whoever is refused need not be heard to the end.
        let _ = stream.write_all(body);
        hear(stream)
    }

    /// Whether a page with this cookie is told that sounds can be studied.
    fn told(&self, cookie: &str) -> bool {
        let address = self.house.page.address();
        let mut request = format!("ws://{address}/socket").into_client_request().unwrap();
        request.headers_mut().insert("Origin", format!("http://{address}").parse().unwrap());
        request.headers_mut().insert("Cookie", cookie.parse().unwrap());
        let (mut socket, _) = tungstenite::client(request, TcpStream::connect(address).unwrap()).unwrap();
        let told: Value = serde_json::from_str(socket.read().unwrap().to_text().unwrap()).unwrap();
        told["piece"]["study"].as_bool().expect("the piece comes first and says it")
    }

    fn get(&self, path: &str) -> Answer {
        self.ask(&format!("GET {path}"), &[], b"")
    }

    fn post(&self, name: &str, body: &[u8]) -> Answer {
        self.ask(&format!("POST /study?name={name}"), &[], body)
    }
}

/// Sends the head of a request.
fn send(house: &House, line: &str, fields: &[(&str, &str)]) -> TcpStream {
    let mut stream = TcpStream::connect(house.page.address()).unwrap();
    stream.set_read_timeout(Some(LIMIT)).unwrap();
    let host = house.page.address().to_string();
    let fields = [&[("Host", host.as_str()), ("Connection", "close")], fields].concat();
    let fields: String = fields.iter().map(|(name, value)| format!("{name}: {value}\r\n")).collect();
    stream.write_all(format!("{line} HTTP/1.1\r\n{fields}\r\n").as_bytes()).unwrap();
    stream
}

/// The whole answer; a reset after it is no matter, when the request was not read to its end.
fn hear(mut stream: TcpStream) -> Answer {
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    let end = answer.windows(4).position(|four| four == b"\r\n\r\n").expect("an answer");
    let head = String::from_utf8(answer[..end].to_vec()).unwrap();
    Answer { status: head[9..12].parse().unwrap(), head, body: answer[end + 4..].to_vec() }
}

const MIC: (&str, &str) = ("Content-Type", "application/json");

#[test]
fn only_the_desk_studies_and_looks_the_machine_over() {
    let keys = RoleKeys::random().unwrap();
    let desk = Desk::open(Access::Keys(keys.clone()));
    let requests: [(&str, &[u8]); 5] = [
        ("GET /machine", b""),
        ("POST /study?name=a.wav", b"RIFF"),
        ("POST /study/mic", br#"{"mic":"voice","seconds":8}"#),
        ("GET /study/3/moment?from=0&to=1", b""),
        ("GET /study/3/notes.mid", b""),
    ];
    for (line, body) in requests {
        assert_eq!(desk.ask(line, &[MIC], body).status, 401, "{line}, without a key");
        for (role, status) in [(Role::Watch, 403), (Role::Player, 403), (Role::Desk, 200)] {
            let key = format!("{{\"key\":\"{}\"}}", keys.spelt(role));
            let entered = desk.ask("POST /enter", &[MIC], key.as_bytes());
            let cookie = entered.field("set-cookie").split(';').next().unwrap().to_owned();
            let answer = desk.ask(line, &[MIC, ("Cookie", &cookie)], body);
            assert_eq!(answer.status, status, "{line}, {role:?}");
            assert_eq!(desk.told(&cookie), status == 200, "the page of {role:?} knows");
        }
    }
    let studied = requests.iter().filter(|(line, _)| line.contains("study")).count();
    assert_eq!(desk.studio.asked().len(), studied, "nobody else got through");
}

#[test]
fn a_foreign_page_hands_nothing_in() {
    let desk = Desk::open(Access::Anyone);
    let own = format!("http://{}", desk.house.page.address());
    let mic = br#"{"mic":"voice","seconds":8}"#;
    for foreign in ["http://elsewhere.example", "null", &own.replace("http", "https")] {
        let origin = ("Origin", foreign);
        assert_eq!(desk.ask("POST /study?name=a.wav", &[origin], b"RIFF").status, 403, "{foreign}");
        assert_eq!(desk.ask("POST /study/mic", &[origin, MIC], mic).status, 403, "{foreign}");
    }
    assert_eq!(desk.studio.asked(), Vec::<String>::new());
    assert_eq!(desk.ask("POST /study?name=a.wav", &[("Origin", &own)], b"RIFF").status, 200);
    assert_eq!(desk.ask("POST /study/mic", &[("Origin", &own), MIC], mic).status, 200);
}

#[test]
fn where_nothing_studies_there_is_nothing_to_ask() {
    let house = House::open(Access::Anyone);
    for line in ["POST /study?name=a.wav", "GET /study/3/moment?from=0&to=1", "GET /study/3/sound.wav"] {
        assert_eq!(hear(send(&house, line, &[("Content-Length", "0")])).status, 404, "{line}");
    }
}

#[test]
fn a_study_goes_through_as_it_was_made() {
    let desk = Desk::open(Access::Anyone);
    assert_eq!(desk.post("ein%20Wort.wav", b"RIFF").json(), json!({ "id": 3, "name": "ein Wort.wav" }));
    let mic = desk.ask("POST /study/mic", &[MIC], br#"{"mic":"voice","seconds":2.5}"#);
    assert_eq!(mic.json(), json!({ "id": 4, "name": "voice" }));
    assert_eq!(desk.get("/study/3/moment?from=0.5&to=1").json(), json!({ "from": 0.5, "to": 1.0 }));
    desk.get("/study/3/notes.mid?from=0.5&to=1&for=violin,bass%20viol,&step=semitone");
    let span = Some(0.5..1.0);
    let ask =
        StudyAsk { span, players: vec!["violin".to_owned(), "bass viol".to_owned()], step: "semitone".to_owned() };
    let asked = ["sound ein Wort.wav 4", "mic voice 2.5", "moment 3 0.5..1.0", &format!("file 3 notes.mid {ask:?}")];
    assert_eq!(desk.studio.asked(), asked);
}

#[test]
fn what_is_refused_is_said_in_words() {
    let desk = Desk::open(Access::Anyone);
    let refused = |answer: Answer, status, word: &str| {
        assert_eq!(answer.status, status, "{}", answer.head);
        assert!(answer.error().contains(word), "{word} in {}", answer.error());
    };
    refused(desk.post("a.txt", b"text"), 422, "a.txt is no sound");
    refused(desk.post("a.wav", b""), 422, "empty");
    refused(desk.ask("POST /study", &[], b"RIFF"), 422, "?name=");
    refused(desk.ask("POST /study/mic", &[MIC], br#"{"mic":"harp","seconds":8}"#), 409, "no mic harp");
    refused(desk.ask("POST /study/mic", &[MIC], br#"{"mic":"voice","seconds":0}"#), 422, "more than 0");
    refused(desk.ask("POST /study/mic", &[MIC], b"{"), 422, "seconds");
    refused(desk.get("/study/9/moment?from=0&to=1"), 409, "no study 9");
    refused(desk.get("/study/3/notes.mid?step=whole"), 409, "no such step");
    refused(desk.get("/study/3/chord.wav?step=whole"), 409, "no such step");
    for file in ["other.txt", "partials.CSV", "..%2f..%2fetc%2fpasswd"] {
        refused(desk.get(&format!("/study/3/{file}")), 404, "notes.musicxml");
    }
    refused(desk.get("/study/three/notes.mid"), 404, "notes.musicxml");
    refused(desk.get("/study/3/moment"), 422, "which moment");
    for span in
        ["from=1&to=1", "from=2&to=1", "from=-1&to=1", "from=NaN&to=1", "from=0&to=inf", "from=1", "from=a&to=b"]
    {
        refused(desk.get(&format!("/study/3/moment?{span}")), 422, "from=1.2&to=1.6");
        refused(desk.get(&format!("/study/3/chord.wav?{span}")), 422, "from=1.2&to=1.6");
    }
}

#[test]
fn the_largest_sound_is_taken_and_one_byte_more_is_not() {
    let desk = Desk::open(Access::Anyone);
    let sound = vec![b'R'; MOST];
    assert_eq!(desk.post("long.wav", &sound).status, 200);
    // Said beforehand: refused before anything of it comes.
    let length = (MOST + 1).to_string();
    let refused = hear(desk.send("POST /study?name=a.wav", &[("Content-Length", &length)]));
    assert_eq!((refused.status, refused.error().contains("64 MB")), (413, true));
    // Not said: refused where it becomes too long. Nothing that is sent lies unread, so that the answer is not lost.
    let mut stream = desk.send("POST /study?name=a.wav", &[("Transfer-Encoding", "chunked")]);
    stream.write_all(format!("{:x}\r\n", MOST + 1).as_bytes()).unwrap();
    stream.write_all(&sound).unwrap();
    stream.write_all(b"R").unwrap();
    let refused = hear(stream);
    assert_eq!((refused.status, refused.error().contains("64 MB")), (413, true));
    assert_eq!(desk.studio.asked(), [format!("sound long.wav {MOST}")]);
    assert_eq!(desk.post("next.wav", b"RIFF").status, 200);
}

#[test]
fn what_is_heard_answers_to_ranges_and_is_made_once() {
    let desk = Desk::open(Access::Anyone);
    for path in ["/study/3/sound.wav", "/study/3/chord.wav?from=0&to=1&step=semitone"] {
        let range = |range| desk.ask(&format!("GET {path}"), &[("Range", range)], b"");
        let whole = desk.get(path);
        assert_eq!((whole.status, whole.field("accept-ranges")), (200, "bytes"));
        assert!(whole.field("content-type").starts_with("audio/"), "{}", whole.head);
        let part = range("bytes=10-19");
        assert_eq!((part.status, &part.body[..]), (206, &whole.body[10..20]));
        assert_eq!(part.field("content-range"), format!("bytes 10-19/{}", whole.body.len()));
        assert_eq!(range("bytes=9999-").status, 416);
    }
    let made = desk.studio.asked();
    assert_eq!(made.len(), 2, "{made:?}");
    let other = desk.get("/study/3/chord.wav?from=0&to=1&step=exact");
    assert!(other.body.ends_with(b"exact"), "another chord is another sound");
    // However many are heard, they do not heap up, and each is right.
    for step in (0..30).chain(0..30) {
        let step = format!("step{step}");
        assert!(desk.get(&format!("/study/3/chord.wav?step={step}")).body.ends_with(step.as_bytes()));
    }
}

#[test]
fn each_file_comes_under_its_name_and_a_picture_has_a_policy_of_its_own() {
    let desk = Desk::open(Access::Anyone);
    for file in FILES.iter().filter(|file| !file.ends_with(".wav")) {
        let answer = desk.get(&format!("/study/3/{file}"));
        let (disposition, policy) = (answer.field("content-disposition"), answer.field("content-security-policy"));
        let seen = *file == "picture.svg";
        assert_eq!(answer.status, 200);
        assert!(disposition.starts_with(if seen { "inline; " } else { "attachment; " }), "{disposition}");
        assert!(disposition.contains(&format!("filename=\"Gezeiten _t__-{file}\"")), "{disposition}");
        let spelt = format!("Gezeiten%20%C3%A9t%C3%A9%22%2D{}", file.replace('.', "%2E"));
        assert!(disposition.ends_with(&format!("filename*=UTF-8''{spelt}")), "{disposition}");
        assert_eq!(policy.contains("sandbox"), seen, "{policy}");
        assert_eq!(policy.contains("script-src"), !seen, "{policy}");
        assert!(policy.starts_with("default-src 'none'"), "{policy}");
        assert_eq!(answer.field("x-content-type-options"), "nosniff");
    }
}

#[test]
fn one_thing_is_done_at_a_time_and_a_second_sound_is_told_to_wait() {
    let desk = Desk::open(Access::Anyone);
    desk.studio.shut(true);
    thread::scope(|scope| {
        let first = scope.spawn(|| desk.post("a.wav", b"RIFF"));
        desk.studio.until_asked(1);
        let second = desk.post("b.wav", b"RIFF");
        assert_eq!((second.status, second.error().contains("wait")), (409, true));
        let mic = desk.ask("POST /study/mic", &[MIC], br#"{"mic":"voice","seconds":8}"#);
        assert_eq!(mic.status, 409);
        let others: Vec<_> = (0..8)
            .map(|n| {
                let desk = &desk;
                scope.spawn(move || match n % 2 {
                    0 => desk.get("/study/3/moment?from=0&to=1").status,
                    _ => desk.get(&format!("/study/3/chord.wav?step={n}")).status,
                })
            })
            .collect();
        assert_eq!(desk.studio.asked().len(), 1, "the others wait");
        desk.studio.shut(false);
        assert_eq!(first.join().unwrap().status, 200);
        assert!(others.into_iter().all(|other| other.join().unwrap() == 200));
    });
    assert_eq!(desk.studio.asked().len(), 9);
    assert_eq!(desk.studio.most.load(Ordering::SeqCst), 1);
}

#[test]
fn a_page_that_goes_away_in_the_middle_leaves_the_door_free() {
    let desk = Desk::open(Access::Anyone);
    let until_taken = |name: &str| {
        let begun = Instant::now();
        while desk.post(name, b"RIFF").status != 200 {
            assert!(begun.elapsed() < LIMIT, "the door is free again");
            thread::yield_now();
        }
    };
    // In the middle of its file.
    let mut stream = desk.send("POST /study?name=half.wav", &[("Content-Length", "1000")]);
    stream.write_all(&[b'R'; 500]).unwrap();
    assert_eq!(desk.studio.asked(), Vec::<String>::new());
    drop(stream);
    until_taken("next.wav");
    assert_eq!(desk.studio.asked(), ["sound next.wav 4"], "half a file is none");
    // While its sound is studied: what has begun is brought to its end.
    desk.studio.shut(true);
    let mut stream = desk.send("POST /study?name=gone.wav", &[("Content-Length", "4")]);
    stream.write_all(b"RIFF").unwrap();
    desk.studio.until_asked(2);
    stream.shutdown(Shutdown::Both).unwrap();
    drop(stream);
    assert_eq!(desk.post("early.wav", b"RIFF").status, 409);
    desk.studio.shut(false);
    until_taken("last.wav");
    assert_eq!(desk.studio.most.load(Ordering::SeqCst), 1);
}

#[test]
fn a_file_that_stops_on_its_way_does_not_hold_the_door_for_ever() {
    let desk = Desk::open(Access::Anyone);
    let mut stream = desk.send("POST /study?name=half.wav", &[("Content-Length", "1000")]);
    stream.write_all(&[b'R'; 500]).unwrap();
    let answer = hear(stream);
    assert_eq!((answer.status, answer.error().contains("stopped")), (408, true));
    assert_eq!(desk.post("next.wav", b"RIFF").status, 200);
}

#[test]
fn a_study_that_breaks_off_takes_nothing_with_it() {
    let desk = Desk::open(Access::Anyone);
    let broken = desk.get("/study/13/moment?from=0&to=1");
    assert_eq!((broken.status, broken.error().contains("broke off")), (500, true));
    assert_eq!(desk.get("/study/3/moment?from=0&to=1").status, 200);
}
