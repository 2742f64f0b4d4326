//! The program while it runs, as someone sees it who started it and reads what it says.

use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::thread::JoinHandle;
use std::time::Duration;

use crossbeam_channel::Receiver;
use serde_json::Value;

use super::server;

/// More than anything here takes on a slow machine.
const LIMIT: Duration = Duration::from_secs(30);

/// The program, running; killed if it still does when this is dropped.
pub struct Program {
    child: Child,
    lines: Receiver<String>,
    words: Option<JoinHandle<String>>,
    seen: Vec<Value>,
}

/// How it ended.
pub struct Ended {
    /// The exit status; `None`: by a signal.
    pub status: Option<i32>,
    /// Every line of JSON on standard output.
    pub events: Vec<Value>,
    /// What stands on standard error.
    pub words: String,
}

impl Program {
    /// Starts it in a folder. The arguments are parted by spaces.
    pub fn start(folder: &Path, arguments: &str, environment: &[(&str, &str)]) -> Self {
        Self::start_by(&[], folder, arguments, environment)
    }

    /// The same, started by another program: its name and its own arguments.
    pub fn start_by(by: &[&str], folder: &Path, arguments: &str, environment: &[(&str, &str)]) -> Self {
        let all = [by, &[env!("CARGO_BIN_EXE_tenterhook")]].concat();
        let mut child = Command::new(all[0])
            .args(&all[1..])
            .args(arguments.split(' '))
            // Its journals are this run's own, not the user's.
            .env("XDG_STATE_HOME", folder.join("state"))
            .envs(environment.iter().copied())
            .current_dir(folder)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let (sender, lines) = crossbeam_channel::unbounded();
        let out = BufReader::new(child.stdout.take().unwrap());
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                // Nobody listens any more once a test has failed.
                let _ = sender.send(line);
            }
        });
        let mut err = child.stderr.take().unwrap();
        let words = std::thread::spawn(move || {
            let mut words = Vec::new();
            let _ = err.read_to_end(&mut words);
            String::from_utf8_lossy(&words).into_owned()
        });
        Self { child, lines, words: Some(words), seen: Vec::new() }
    }

    /// Waits until it says an event of this name.
    pub fn event(&mut self, name: &str) -> Value {
        while let Ok(line) = self.lines.recv_timeout(LIMIT) {
            let event: Value = serde_json::from_str(&line).unwrap_or_else(|why| panic!("{why}: {line}"));
            self.seen.push(event.clone());
            if event["event"] == name {
                return event;
            }
        }
        let _ = self.child.kill();
        let words = self.take_words();
        panic!("it never said `{name}`: {:?}, but {words}", self.seen);
    }

    /// How many events of this name it has said by now.
    pub fn said(&mut self, name: &str) -> usize {
        let more = self.lines.try_iter().map(|line| serde_json::from_str(&line).expect("each line is JSON"));
        self.seen.extend(more);
        self.seen.iter().filter(|event| event["event"] == name).count()
    }

    /// The last event of this name that it has said by now and that is as wished.
    pub fn last(&self, name: &str, wished: impl Fn(&Value) -> bool) -> Option<Value> {
        self.seen.iter().rev().find(|event| event["event"] == name && wished(event)).cloned()
    }

    /// Its process id.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Sends it a signal by its name, as `TERM`.
    pub fn signal(&self, name: &str) {
        let status = Command::new("kill").args(["-s", name, &self.child.id().to_string()]).status();
        assert!(status.expect("kill is part of every system").success(), "it is there to be sent {name}");
    }

    /// Waits for its end.
    pub fn end(mut self) -> Ended {
        let status = server::ended(&mut self.child, LIMIT);
        let words = self.take_words();
        let status = status.unwrap_or_else(|| panic!("it did not end within {LIMIT:?}: {words}"));
        // The other end of the channel goes when standard output is closed.
        let rest = self.lines.iter().map(|line| serde_json::from_str(&line).expect("each line is JSON"));
        let events = self.seen.drain(..).chain(rest).collect();
        Ended { status: status.code(), events, words }
    }

    /// Asks it to end, and waits.
    pub fn terminate(self) -> Ended {
        self.signal("TERM");
        self.end()
    }

    fn take_words(&mut self) -> String {
        self.words.take().map_or_else(String::new, |words| words.join().unwrap())
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        // It has ended already, unless a test failed.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Ended {
    /// What it said last: how the run went.
    pub fn load(&self) -> &Value {
        let last = self.events.iter().find(|event| event["event"] == "ended");
        last.unwrap_or_else(|| panic!("it says how it went; it said {:?} and {}", self.events, self.words))
    }
}
