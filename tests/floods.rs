//! What a hostile visitor does to a show: how long the desk's Fire and hush take meanwhile, in the program itself.
//!
//! `cargo test --release --test floods -- --ignored --nocapture` prints a table. With `TENTERHOOK_BEFORE=PROGRAM` it
//! measures another build of the program as well, and prints both. All traffic stays on this machine's loopback network;
//! each attack ends by itself after some seconds, and its threads together take at most half a core, by their own
//! processor time.
#![cfg(target_os = "linux")]

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use socket2::{Domain, SockRef, Socket, Type};
use tungstenite::client::IntoClientRequest;
use tungstenite::{Message, WebSocket};

/// The share of a core that an attack may take.
const SHARE: f64 = 0.5;
/// How often Fire and hush are measured each.
const TIMES: usize = 9;
/// What takes longer is given up.
const LIMIT: Duration = Duration::from_secs(10);
/// An attack ends after this, whatever happens.
const WHOLE: Duration = Duration::from_secs(90);
/// As many times as long the desk may take under an attack.
const MOST: f64 = 3.0;

/// The program with its page open to a hall of one machine.
struct Program {
    child: Child,
    out: std::io::BufReader<std::process::ChildStdout>,
    host: String,
    keys: toml::Table,
    _folder: tempfile::TempDir,
}

impl Program {
    fn start(program: &Path) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut child = Command::new(program)
            .args(["demo", "--host", "clock", "--json", "--share", "--page", "127.0.0.1:0"])
            .env("XDG_STATE_HOME", folder.path().join("state"))
            .env("XDG_CONFIG_HOME", folder.path().join("config"))
            .current_dir(folder.path())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut out = std::io::BufReader::new(child.stdout.take().unwrap());
        let started = event(&mut out, "started");
        let host = started["page"].as_str().unwrap().trim_start_matches("http://").trim_end_matches('/').to_owned();
        let keys = std::fs::read_to_string(folder.path().join("config/tenterhook/keys.toml")).unwrap();
        Self { child, out, host, keys: keys.parse().unwrap(), _folder: folder }
    }

    fn cookie(&self, role: &str) -> String {
        format!("tenterhook={}", self.keys[role].as_str().unwrap())
    }

    /// Ends it; how many blocks were late, of how many.
    fn end(mut self) -> (u64, u64) {
        let asked = Command::new("kill").args(["-s", "TERM", &self.child.id().to_string()]).status().unwrap();
        assert!(asked.success());
        let ended = event(&mut self.out, "ended");
        self.child.wait().unwrap();
        let count = |name: &str| ended["load"][name].as_u64().unwrap_or_else(|| panic!("{name} of {ended}"));
        (count("late"), count("blocks"))
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        // It has ended already, unless something failed.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn event(out: &mut impl std::io::BufRead, name: &str) -> Value {
    let mut line = String::new();
    while out.read_line(&mut line).unwrap() > 0 {
        let event: Value = serde_json::from_str(&line).unwrap();
        if event["event"] == name {
            return event;
        }
        line.clear();
    }
    panic!("it never said `{name}`");
}

/// What an attack knows, and when it ends.
#[derive(Clone)]
struct Attacker {
    host: String,
    watch: String,
    player: String,
    end: Arc<AtomicBool>,
    until: Instant,
    /// How many threads share what an attack may take.
    threads: usize,
}

/// Sees to it that a thread takes no more than its share of a core.
struct Leash {
    begun: Instant,
    share: f64,
}

impl Leash {
    fn pull(&self) {
        let used = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
        let used = used.tv_sec as f64 + used.tv_nsec as f64 * 1e-9;
        let earned = self.begun.elapsed().as_secs_f64() * self.share;
        if used > earned {
            std::thread::sleep(Duration::from_secs_f64(((used - earned) / self.share).min(0.2)));
        }
    }
}

impl Attacker {
    fn ended(&self) -> bool {
        self.end.load(Ordering::Relaxed) || Instant::now() > self.until
    }

    fn leash(&self) -> Leash {
        Leash { begun: Instant::now(), share: SHARE / self.threads as f64 }
    }

    /// From the same address as the desk, as everybody has it behind a hall's router.
    fn connect(&self) -> Option<TcpStream> {
        let socket = Socket::new(Domain::IPV4, Type::STREAM, None).ok()?;
        let address: SocketAddr = self.host.parse().unwrap();
        socket.connect_timeout(&address.into(), Duration::from_secs(2)).ok()?;
        socket.set_write_timeout(Some(Duration::from_millis(200))).ok()?;
        socket.set_read_timeout(Some(Duration::from_secs(2))).ok()?;
        // Else this machine soon has no ports left.
        SockRef::from(&socket).set_linger(Some(Duration::ZERO)).ok()?;
        Some(socket.into())
    }

    fn page(&self, cookie: &str) -> Option<WebSocket<TcpStream>> {
        page(&self.host, cookie, self.connect()?)
    }
}

fn page(host: &str, cookie: &str, stream: TcpStream) -> Option<WebSocket<TcpStream>> {
    let mut request = format!("ws://{host}/socket").into_client_request().unwrap();
    request.headers_mut().insert("Origin", format!("http://{host}").parse().unwrap());
    request.headers_mut().insert("Cookie", cookie.parse().unwrap());
    tungstenite::client(request, stream).ok().map(|(page, _)| page)
}

type Attack = fn(&Attacker);

/// Each has a name, how many threads do it, and what one of them does.
const ATTACKS: [(&str, usize, Attack); 10] = [
    ("64 watching pages, and more that want in", 2, |attacker| {
        let (mut pages, leash) = (Vec::new(), attacker.leash());
        while !attacker.ended() {
            pages.extend(attacker.page(&attacker.watch));
            if pages.len() > 64 {
                pages.remove(0);
            }
            leash.pull();
        }
    }),
    ("empty continuations of one message", 1, |attacker| frames(attacker, &[1, 0x80, 0, 0, 0, 0], [0, 0x80])),
    ("empty pings", 1, |attacker| frames(attacker, &[], [0x89, 0x80])),
    ("empty pongs", 1, |attacker| frames(attacker, &[], [0x8a, 0x80])),
    ("messages that watchers may not send", 4, |attacker| {
        let leash = attacker.leash();
        while !attacker.ended() {
            let Some(mut page) = attacker.page(&attacker.watch) else {
                leash.pull();
                continue;
            };
            while !attacker.ended() && page.send(Message::text(r#"{"do":"hush","on":true}"#)).is_ok() {
                leash.pull();
            }
        }
    }),
    ("a player's key, levers without end", 4, |attacker| {
        let leash = attacker.leash();
        while !attacker.ended() {
            let Some(mut page) = attacker.page(&attacker.player) else {
                leash.pull();
                continue;
            };
            while !attacker.ended()
                && page.send(Message::text(r#"{"do":"controller","name":"wheel","value":1}"#)).is_ok()
            {
                leash.pull();
            }
        }
    }),
    ("connections, opened and closed", 2, |attacker| {
        let leash = attacker.leash();
        while !attacker.ended() {
            drop(attacker.connect());
            leash.pull();
        }
    }),
    ("1000 connections that say nothing", 2, |attacker| {
        let (mut silent, leash) = (Vec::new(), attacker.leash());
        while !attacker.ended() {
            silent.extend(attacker.connect());
            if silent.len() > 500 {
                silent.clear();
            }
            leash.pull();
        }
    }),
    ("the page's files, again and again", 4, |attacker| {
        let leash = attacker.leash();
        let request =
            format!("GET /assets/study.js HTTP/1.1\r\nHost: {}\r\nAccept-Encoding: gzip\r\n\r\n", attacker.host);
        let mut some = [0; 1 << 16];
        while !attacker.ended() {
            let Some(mut stream) = attacker.connect() else {
                leash.pull();
                continue;
            };
            // Others are asked for before these have come.
            while !attacker.ended() && stream.write_all(request.repeat(16).as_bytes()).is_ok() {
                if stream.read(&mut some).is_err() {
                    break;
                }
                leash.pull();
            }
        }
    }),
    ("wrong keys", 4, |attacker| {
        let leash = attacker.leash();
        let body = r#"{"key":"AAAA-BBBB-CCCC-DDDD"}"#;
        let request = format!(
            "POST /enter HTTP/1.1\r\nHost: {}\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            attacker.host,
            body.len()
        );
        let mut some = [0; 1 << 16];
        while !attacker.ended() {
            let Some(mut stream) = attacker.connect() else {
                leash.pull();
                continue;
            };
            while !attacker.ended() && stream.write_all(request.repeat(16).as_bytes()).is_ok() {
                if stream.read(&mut some).is_err() {
                    break;
                }
                leash.pull();
            }
        }
    }),
];

/// Frames without content, as many as go; coming again when it is let go.
fn frames(attacker: &Attacker, first: &[u8], [kind, length]: [u8; 2]) {
    let leash = attacker.leash();
    let many = [kind, length, 0, 0, 0, 0].repeat(10_000);
    while !attacker.ended() {
        let Some(mut page) = attacker.page(&attacker.watch) else {
            leash.pull();
            continue;
        };
        let stream = page.get_mut();
        let mut well = stream.write_all(first).is_ok();
        let mut from = 0;
        while well && !attacker.ended() {
            match stream.write(&many[from..]) {
                // A frame that was cut goes on where it was cut.
                Ok(count) => from = (from + count) % many.len(),
                Err(why) => well = why.kind() == std::io::ErrorKind::WouldBlock,
            }
            leash.pull();
        }
    }
}

/// The desk's page.
struct Desk {
    page: WebSocket<TcpStream>,
    marks: Vec<String>,
    scene: usize,
}

impl Desk {
    fn come(program: &Program) -> Option<Self> {
        let stream = TcpStream::connect(&program.host).ok()?;
        stream.set_read_timeout(Some(LIMIT)).unwrap();
        let mut desk =
            Self { page: page(&program.host, &program.cookie("desk"), stream)?, marks: Vec::new(), scene: 0 };
        let now = desk.until(|_| true)?;
        desk.scene = usize::try_from(now["scene"].as_u64()?).ok()?;
        Some(desk)
    }

    /// The state, once it is as wished; `None`: not within the limit.
    fn until(&mut self, wished: impl Fn(&Value) -> bool) -> Option<Value> {
        let begun = Instant::now();
        while begun.elapsed() < LIMIT {
            let Message::Text(text) = self.page.read().ok()? else { continue };
            let mut told: Value = serde_json::from_str(&text).unwrap();
            if let Some(scenes) = told["piece"]["scenes"].as_array() {
                self.marks = scenes.iter().map(|scene| scene["mark"].as_str().unwrap().to_owned()).collect();
            }
            if told.get("now").is_some_and(&wished) {
                return Some(told["now"].take());
            }
        }
        None
    }

    /// From asking to seeing it done.
    fn takes(&mut self, ask: &Value, wished: impl Fn(&Value) -> bool) -> f64 {
        let begun = Instant::now();
        // Whoever is thrown out never sees it done.
        let seen = self.page.send(Message::text(ask.to_string())).ok().and_then(|()| self.until(wished));
        seen.map_or(f64::INFINITY, |_| begun.elapsed().as_secs_f64())
    }

    fn fires(&mut self) -> f64 {
        let next = usize::from(self.scene == 0);
        let ask = json!({ "do": "fire", "mark": self.marks[next], "in": self.marks[self.scene] });
        self.scene = next;
        self.takes(&ask, |now| now["scene"] == next)
    }

    fn hushes(&mut self, on: bool) -> f64 {
        self.takes(&json!({ "do": "hush", "on": on }), |now| now["hushed"] == on)
    }
}

/// What an attack did.
struct Outcome {
    /// Medians in seconds.
    fire: f64,
    hush: f64,
    /// Until one more page of the desk was there.
    coming: f64,
    late: u64,
    blocks: u64,
}

fn median(mut all: Vec<f64>) -> f64 {
    all.sort_by(f64::total_cmp);
    all[all.len() / 2]
}

fn measure(program: &Path, attack: Option<(usize, Attack)>) -> Outcome {
    let program = Program::start(program);
    let mut desk = Desk::come(&program).expect("nobody attacks yet");
    // From now on it no longer plays by itself.
    desk.fires();
    let end = Arc::<AtomicBool>::default();
    let attacker = Attacker {
        host: program.host.clone(),
        watch: program.cookie("watch"),
        player: program.cookie("player"),
        end: Arc::clone(&end),
        until: Instant::now() + WHOLE,
        threads: attack.map_or(1, |(threads, _)| threads),
    };
    let threads: Vec<_> = attack
        .into_iter()
        .flat_map(|(threads, attack)| std::iter::repeat_n(attack, threads))
        .map(|attack| {
            let attacker = attacker.clone();
            std::thread::spawn(move || attack(&attacker))
        })
        .collect();
    std::thread::sleep(Duration::from_secs(1));
    let (mut fire, mut hush) = (Vec::new(), Vec::new());
    for time in 0..TIMES {
        fire.push(desk.fires());
        hush.push(desk.hushes(time % 2 == 0));
        // No two alike: the reports of the engine come in step.
        std::thread::sleep(Duration::from_millis(61 + 7 * time as u64));
        if fire[time].is_infinite() || hush[time].is_infinite() {
            break;
        }
    }
    let begun = Instant::now();
    let mut coming = f64::INFINITY;
    while begun.elapsed() < LIMIT {
        if Desk::come(&program).is_some() {
            coming = begun.elapsed().as_secs_f64();
            break;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    end.store(true, Ordering::Relaxed);
    threads.into_iter().for_each(|thread| thread.join().unwrap());
    let (late, blocks) = program.end();
    Outcome { fire: median(fire), hush: median(hush), coming, late, blocks }
}

fn table(name: &str, program: &Path) -> Vec<(&'static str, Outcome)> {
    println!("\n{name}\n");
    println!("| attack | Fire | hush | one more desk | late blocks |\n| --- | --- | --- | --- | --- |");
    let ms = |seconds: f64| {
        if seconds.is_finite() { format!("{:.0} ms", seconds * 1000.0) } else { format!("over {} s", LIMIT.as_secs()) }
    };
    let all =
        std::iter::once(("none", None)).chain(ATTACKS.map(|(name, threads, attack)| (name, Some((threads, attack)))));
    all.map(|(attack, what)| {
        let outcome = measure(program, what);
        let Outcome { fire, hush, coming, late, blocks } = outcome;
        println!("| {attack} | {} | {} | {} | {late} of {blocks} |", ms(fire), ms(hush), ms(coming));
        (attack, outcome)
    })
    .collect()
}

#[test]
#[ignore = "measures times, for a quiet machine: cargo test --release --test floods -- --ignored --nocapture"]
fn fire_and_hush_take_at_most_three_times_as_long_under_each_attack() {
    if let Some(before) = std::env::var_os("TENTERHOOK_BEFORE") {
        table("before", Path::new(&before));
    }
    let outcomes = table("now", Path::new(env!("CARGO_BIN_EXE_tenterhook")));
    let (_, quiet) = &outcomes[0];
    for (attack, outcome) in &outcomes[1..] {
        assert!(outcome.fire <= MOST * quiet.fire, "Fire under {attack}");
        assert!(outcome.hush <= MOST * quiet.hush, "hush under {attack}");
        assert!(outcome.coming.is_finite(), "one more desk under {attack}");
    }
}
