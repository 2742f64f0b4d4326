//! A JACK server on its dummy driver, for one test.

use jack::{Client, ClientOptions};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A server of its own, ended when this is dropped.
pub struct Server {
    /// Its name, for `JACK_DEFAULT_SERVER`.
    pub name: String,
    child: Child,
}

impl Server {
    pub fn start() -> Self {
        let name = format!("tenterhook-test-{}", std::process::id());
        let arguments =
            ["-n", &name, "-R", "-P", "70", "-d", "dummy", "-r", "48000", "-p", "128", "-C", "8", "-P", "8"];
        let child = Command::new("jackd").args(arguments).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
        Self { name, child: child.expect("jackd (package jackd2) is installed") }
    }

    /// This program once more, for one test by its name, with the server and more in its environment: that belongs to
    /// the whole process, so it is set before any thread starts. `inside` tells the test that it is the one.
    pub fn run(&self, test: &str, inside: &str, environment: &[(&str, &Path)]) {
        let output = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", test, "--nocapture"])
            .env("JACK_DEFAULT_SERVER", &self.name)
            .env(inside, self.child.id().to_string())
            .envs(environment.iter().copied())
            .output()
            .unwrap();
        print!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        assert!(output.status.success());
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // Asked to end, not killed: a killed server leaves its place taken in JACK's registry, which has eight.
        // It may be gone already; then this fails, rightly.
        let _ = Command::new("kill").arg(self.child.id().to_string()).stderr(Stdio::null()).status();
        let limit = Instant::now() + Duration::from_secs(10);
        while Instant::now() < limit && matches!(self.child.try_wait(), Ok(None)) {
            std::thread::sleep(Duration::from_millis(10));
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Waits, since a shared machine may be slow, and gives up where it must.
pub fn within_a_minute(what: &str, mut done: impl FnMut() -> bool) {
    let limit = Instant::now() + Duration::from_secs(60);
    while !done() {
        assert!(Instant::now() < limit, "not within a minute: {what}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// An independent client, once the server answers.
pub fn client(name: &str) -> Client {
    let mut client = None;
    within_a_minute("the server answers", || {
        client = Client::new(name, ClientOptions::NO_START_SERVER).ok().map(|(client, _)| client);
        client.is_some()
    });
    client.expect("it answered")
}
