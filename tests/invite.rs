//! How others come in, as the program itself says it: on a terminal, into a file, before and during a run.

mod common;

use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use common::program::Program;
use serde_json::Value;
use tempfile::TempDir;
use tungstenite::client::IntoClientRequest;
use tungstenite::{Message, WebSocket};

/// More than anything here takes on a slow machine.
const LIMIT: Duration = Duration::from_secs(30);
const PROGRAM: &str = env!("CARGO_BIN_EXE_tenterhook");

/// The folder of a user, whose settings and states are in it.
fn home() -> TempDir {
    tempfile::tempdir().unwrap()
}

fn config(home: &Path) -> String {
    home.join("config").to_str().unwrap().to_owned()
}

/// The key of a role, from the file in which they are kept.
fn key(home: &Path, role: &str) -> String {
    let keys = fs::read_to_string(home.join("config/tenterhook/keys.toml")).unwrap();
    keys.parse::<toml::Table>().unwrap()[role].as_str().unwrap().to_owned()
}

fn command(home: &Path, program: &str, arguments: &[&str]) -> Command {
    let mut command = Command::new(program);
    command
        .args(arguments)
        .env("XDG_CONFIG_HOME", config(home))
        .env("XDG_STATE_HOME", home.join("state"))
        .current_dir(home);
    command
}

/// The program, its output not on a terminal.
fn piped(home: &Path, arguments: &str) -> Output {
    let arguments: Vec<&str> = arguments.split(' ').collect();
    command(home, PROGRAM, &arguments).stdin(Stdio::null()).output().unwrap()
}

fn words(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

/// What a terminal shows with the program in it (util-linux's `script` is that terminal), once it has said `end`.
fn on_terminal(home: &Path, arguments: &str, end: &str) -> String {
    let line = format!("'{PROGRAM}' {arguments}");
    let mut child = command(home, "script", &["--quiet", "--return", "--command", &line, "/dev/null"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut keys = child.stdin.take().unwrap();
    let mut out = child.stdout.take().unwrap();
    let (mut all, mut some) = (Vec::new(), [0; 4096]);
    let mut asked = false;
    while let Ok(count @ 1..) = out.read(&mut some) {
        all.extend_from_slice(&some[..count]);
        if !asked && String::from_utf8_lossy(&all).contains(end) {
            // Ctrl-C.
            asked = keys.write_all(b"\x03").is_ok();
        }
    }
    // The terminal may have gone before it was let go.
    let _ = child.wait();
    let shown = String::from_utf8_lossy(&all).replace("\r\n", "\n");
    assert!(shown.contains(end), "it never said `{end}`, but\n{shown}");
    shown
}

/// All keys in a text, in addresses.
fn keys_in(text: &str) -> Vec<String> {
    let after = text.split("#key=").skip(1);
    after
        .map(|rest| rest.chars().take_while(|letter| letter.is_ascii_alphanumeric() || *letter == '-').collect())
        .collect()
}

/// What a camera reads in the codes that a terminal shows: each letter is two squares, light where it is drawn.
fn codes_in(text: &str) -> Vec<String> {
    let is_code = |line: &&str| line.chars().count() > 20 && line.chars().all(|letter| " █▀▄".contains(letter));
    let lines: Vec<&str> = text.lines().collect();
    let blocks = lines.chunk_by(|a, b| is_code(a) == is_code(b)).filter(|block| is_code(&block[0]));
    let codes = blocks.map(|block| {
        let lines: Vec<Vec<char>> = block.iter().map(|line| line.chars().collect()).collect();
        let light = |x: usize, y: usize| {
            let letter = lines[y / 2].get(x).copied().unwrap_or(' ');
            letter == '█' || letter == if y.is_multiple_of(2) { '▀' } else { '▄' }
        };
        let seen = |x: usize, y: usize| if light(x / 4, y / 4) { 255 } else { 0 };
        let mut image = rqrr::PreparedImage::prepare_from_greyscale(lines[0].len() * 4, lines.len() * 8, seen);
        image.detect_grids()[0].decode().unwrap().1
    });
    codes.collect()
}

const SHARED: &str = "demo --host clock --share --page 127.0.0.1:0";
/// What is said last of the doors.
const SAID: &str = "use one that you know.";

#[test]
fn each_printed_invitation_has_its_own_key_and_no_other_and_the_desks_is_not_among_them() {
    let home = home();
    let shown = on_terminal(home.path(), SHARED, SAID);
    let (watch, player, desk) = (key(home.path(), "watch"), key(home.path(), "player"), key(home.path(), "desk"));
    assert_eq!(keys_in(&shown), [player.clone(), watch.clone()], "{shown}");
    let codes: Vec<_> = codes_in(&shown).iter().flat_map(|code| keys_in(code)).collect();
    assert_eq!(codes, [player, watch]);
    assert!(!shown.contains(&desk), "{shown}");
    let places =
        ["player: ", "#key=", "watch: ", "tenterhook invite desk --page 127.0.0.1:"].map(|words| shown.find(words));
    assert!(places.iter().all(Option::is_some) && places.is_sorted(), "{places:?} in {shown}");
    // Each stands under the words that say what it lets do.
    let (players, watchers) = shown.split_at(shown.find("watch: ").unwrap());
    assert_eq!(keys_in(players), [key(home.path(), "player")]);
    assert_eq!(keys_in(watchers), [key(home.path(), "watch")]);
}

#[test]
fn the_desks_key_is_shown_to_whoever_asks_for_it_and_never_last() {
    let home = home();
    let shown = on_terminal(home.path(), "invite --page 127.0.0.1:4150", "watch: ");
    assert_eq!(keys_in(&shown), [key(home.path(), "player"), key(home.path(), "watch")], "{shown}");
    let shown = on_terminal(home.path(), "invite desk --page 127.0.0.1:4150", "clear it");
    let desk = key(home.path(), "desk");
    assert_eq!(keys_in(&shown), [desk.as_str()], "{shown}");
    assert_eq!(codes_in(&shown), [format!("http://127.0.0.1:4150/#key={desk}")]);
    // Ctrl-C may be shown after it.
    let said = shown.trim_end().trim_end_matches("^C").trim_end();
    assert!(said.ends_with("clear it before others look at it."), "{shown}");
    for order in ["watch desk player", "player watch desk", "desk player watch"] {
        let shown = on_terminal(home.path(), &format!("invite {order} --page 127.0.0.1:4150"), "clear it");
        assert_eq!(keys_in(&shown), ["desk", "player", "watch"].map(|role| key(home.path(), role)), "{order}");
    }
}

#[test]
fn no_key_goes_where_no_terminal_is() {
    let home = home();
    let mut program =
        Program::start(home.path(), &format!("{SHARED} --json"), &[("XDG_CONFIG_HOME", &config(home.path()))]);
    program.event("started");
    let ended = program.terminate();
    let all = format!("{}{:?}", ended.words, ended.events);
    for role in ["watch", "player", "desk"] {
        assert!(!all.contains(&key(home.path(), role)), "{all}");
    }
    assert!(!all.contains("#key=") && codes_in(&all).is_empty(), "{all}");
    let file = home.path().join("config/tenterhook/keys.toml");
    for words in ["tenterhook invite desk", "terminal", file.to_str().unwrap(), "http://127.0.0.1:"] {
        assert!(ended.words.contains(words), "{words} in {}", ended.words);
    }
    for asked in ["invite", "invite desk", "invite watch player"] {
        let output = piped(home.path(), asked);
        assert_eq!(output.status.code(), Some(2), "{asked}");
        assert!(output.stdout.is_empty() && keys_in(&words(&output.stderr)).is_empty(), "{asked}");
        let said = words(&output.stderr);
        assert!(said.contains("run this in a terminal") && said.contains(file.to_str().unwrap()), "{said}");
    }
}

#[test]
fn no_key_goes_into_a_file_though_a_terminal_is_beside_it() {
    let home = home();
    let started = "\"event\":\"started\"";
    for (arguments, end, shows) in [
        ("invite desk --page 127.0.0.1:4150 > file", "run this in a terminal", 0),
        ("invite desk --new-key --page 127.0.0.1:4150 > file", "run this in a terminal", 0),
        // What people are told goes into the file.
        (&format!("{SHARED} --json 2> file"), started, 0),
        // What programs are told does: people see the two invitations.
        (&format!("{SHARED} --json > file"), SAID, 2),
    ] {
        let shown = on_terminal(home.path(), arguments, end);
        assert_eq!(keys_in(&shown).len(), shows, "{arguments}: {shown}");
        let file = fs::read_to_string(home.path().join("file")).unwrap();
        assert!(keys_in(&file).is_empty() && codes_in(&file).is_empty(), "{arguments}: {file}");
        for role in ["watch", "player", "desk"] {
            assert!(!file.contains(&key(home.path(), role)), "{arguments}: {role}: {file}");
        }
    }
}

#[test]
fn off_loopback_the_page_is_refused_unless_it_is_shared() {
    let home = home();
    for address in ["0.0.0.0:0", "192.0.2.1:4150", "[::]:0"] {
        let output = piped(home.path(), &format!("demo --host clock --page {address}"));
        assert_eq!(output.status.code(), Some(2), "{address}");
        let said = words(&output.stderr);
        assert!(said.contains("others could reach the page") && said.contains("--share"), "{said}");
    }
    assert!(!home.path().join("config").exists(), "nothing was made on the way");
    let output = piped(home.path(), "demo --host clock --new-keys");
    assert_eq!(output.status.code(), Some(2));
    assert!(words(&output.stderr).contains("--share"), "{}", words(&output.stderr));
}

/// A run whose page is shared, and who comes to it.
struct Hall {
    home: TempDir,
    host: String,
    program: Program,
}

impl Hall {
    fn open(home: TempDir, more: &str) -> Self {
        let arguments = format!("{SHARED} --json{more}");
        let mut program = Program::start(home.path(), &arguments, &[("XDG_CONFIG_HOME", &config(home.path()))]);
        let started = program.event("started");
        let address = started["page"].as_str().unwrap();
        let host = address.trim_start_matches("http://").trim_end_matches('/').to_owned();
        Self { home, host, program }
    }

    fn key(&self, role: &str) -> String {
        key(self.home.path(), role)
    }

    /// A page, if its key is right.
    fn page(&self, key: &str) -> Option<WebSocket<TcpStream>> {
        let mut request = format!("ws://{}/socket", self.host).into_client_request().unwrap();
        request.headers_mut().insert("Origin", format!("http://{}", self.host).parse().unwrap());
        request.headers_mut().insert("Cookie", format!("tenterhook={key}").parse().unwrap());
        let stream = TcpStream::connect(&self.host).unwrap();
        stream.set_read_timeout(Some(LIMIT)).unwrap();
        tungstenite::client(request, stream).ok().map(|(page, _)| page)
    }

    /// The whole answer to a request with this key.
    fn ask(&self, line: &str, key: &str, body: &str) -> String {
        let mut stream = TcpStream::connect(&self.host).unwrap();
        stream.set_read_timeout(Some(LIMIT)).unwrap();
        let request = format!(
            "{line} HTTP/1.1\r\nHost: {}\r\nOrigin: http://{}\r\nCookie: tenterhook={key}\r\nConnection: close\r\n\
             Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            self.host,
            self.host,
            body.len()
        );
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer
    }

    /// The status of trying a key at the door.
    fn enters(&self, key: &str) -> String {
        self.ask("POST /enter", "", &format!("{{\"key\":\"{key}\"}}"))[9..12].to_owned()
    }

    fn pages(&self) -> [WebSocket<TcpStream>; 3] {
        ["watch", "player", "desk"].map(|role| self.page(&self.key(role)).expect(role))
    }
}

/// The page is sent away because its key is no more.
fn sent_away(page: &mut WebSocket<TcpStream>) {
    let begun = Instant::now();
    loop {
        assert!(begun.elapsed() < LIMIT, "it is not sent away");
        if let Message::Close(frame) = page.read().unwrap() {
            let frame = frame.unwrap();
            assert_eq!((u16::from(frame.code), frame.reason.as_str()), (1008, "the key has been renewed"));
            return;
        }
    }
}

/// It is told of so many more changes and meters.
fn goes_on(page: &mut WebSocket<TcpStream>) {
    for _ in 0..30 {
        assert!(!page.read().unwrap().is_close(), "it stays");
    }
}

#[test]
fn keys_stay_from_run_to_run_until_new_ones_are_made_and_then_no_old_one_comes_in() {
    let hall = Hall::open(home(), "");
    let old = ["watch", "player", "desk"].map(|role| hall.key(role));
    for key in &old {
        assert_eq!(hall.enters(key), "204");
    }
    let Hall { home, program, .. } = hall;
    assert_eq!(program.terminate().status, Some(0));
    let hall = Hall::open(home, "");
    assert_eq!(old, ["watch", "player", "desk"].map(|role| hall.key(role)), "the same again");
    let Hall { home, program, .. } = hall;
    assert_eq!(program.terminate().status, Some(0));
    let hall = Hall::open(home, " --new-keys");
    for (role, old) in ["watch", "player", "desk"].iter().zip(&old) {
        assert_ne!(hall.key(role), *old);
        assert_eq!(hall.enters(old), "401", "{role}");
        assert_eq!(hall.enters(&hall.key(role)), "204", "{role}");
        assert!(hall.page(old).is_none(), "{role}: nor by its cookie");
    }
    assert_eq!(hall.program.terminate().status, Some(0));
}

#[test]
fn one_key_is_renewed_from_another_terminal_while_a_piece_plays() {
    let hall = Hall::open(home(), "");
    let [mut watch, mut player, mut desk] = hall.pages();
    let old = ["watch", "player", "desk"].map(|role| hall.key(role));
    let output = piped(hall.home.path(), "invite player --new-key");
    assert_eq!(output.status.code(), Some(0), "{}", words(&output.stderr));
    assert!(output.stdout.is_empty() && keys_in(&words(&output.stderr)).is_empty());
    sent_away(&mut player);
    goes_on(&mut watch);
    goes_on(&mut desk);
    assert_eq!([&old[0], &old[2]], [&hall.key("watch"), &hall.key("desk")]);
    assert_ne!(old[1], hall.key("player"));
    assert_eq!((hall.enters(&old[1]), hall.enters(&hall.key("player"))), ("401".to_owned(), "204".to_owned()));
    // All three at once would leave nobody: which is meant must be said.
    let output = piped(hall.home.path(), "invite --new-key");
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(hall.program.terminate().status, Some(0));
}

#[test]
fn the_desk_shows_others_in_and_renews_keys_on_the_page() {
    let hall = Hall::open(home(), "");
    let [mut watch, mut player, mut desk] = hall.pages();
    let [watching, playing, old] = ["watch", "player", "desk"].map(|role| hall.key(role));
    let told = |answer: &str| -> Value { serde_json::from_str(answer.split("\r\n\r\n").nth(1).unwrap()).unwrap() };
    let status = |answer: &str| answer[9..12].to_owned();
    for (role, key) in [("watch", &watching), ("player", &playing)] {
        let answer = hall.ask(&format!("GET /keys/{role}"), &old, "");
        assert_eq!(told(&answer)["address"], format!("http://{}/#key={key}", hall.host));
        assert!(told(&answer)["code"].as_str().unwrap().contains("<svg"), "{answer}");
    }
    assert_eq!(status(&hall.ask("GET /keys/desk", &old, "")), "404", "not on a screen");
    for key in [&watching, &playing] {
        assert_eq!(status(&hall.ask("GET /keys/watch", key, "")), "403");
        assert_eq!(status(&hall.ask("POST /keys/watch", key, "")), "403");
    }
    let answer = hall.ask("POST /keys/watch", &old, "");
    assert_eq!(told(&answer)["address"], format!("http://{}/#key={}", hall.host, hall.key("watch")));
    sent_away(&mut watch);
    goes_on(&mut player);
    goes_on(&mut desk);
    // Its own: whoever asked has the new one at once, and nobody else.
    let answer = hall.ask("POST /keys/desk", &old, "");
    let new = hall.key("desk");
    assert!(answer.to_lowercase().contains(&format!("set-cookie: tenterhook={new};").to_lowercase()), "{answer}");
    assert_eq!(told(&answer)["address"], Value::Null);
    sent_away(&mut desk);
    goes_on(&mut player);
    assert!(hall.page(&old).is_none() && hall.page(&new).is_some());
    assert_eq!(hall.program.terminate().status, Some(0));
}
