//! A JACK server on its dummy driver, for one test.
//! Shared by several test programs.
#![allow(dead_code, reason = "each test program uses its own part of this")]

use jack::{Client, ClientOptions};
use std::fs::{self, File};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// One server at a time: two would take each other's processor, and both run late.
static ALONE: Mutex<()> = Mutex::new(());
/// How many servers this program has started: a name is not used twice.
static STARTED: AtomicU32 = AtomicU32::new(0);

/// A server of its own, ended when this is dropped.
pub struct Server {
    /// Its name, for `JACK_DEFAULT_SERVER`.
    pub name: String,
    child: Child,
    _alone: MutexGuard<'static, ()>,
}

impl Server {
    pub fn start() -> Self {
        let alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        let name = format!("tenterhook-test-{}-{}", std::process::id(), STARTED.fetch_add(1, Ordering::Relaxed));
        let child = server(&name);
        Self { name, child, _alone: alone }
    }

    /// This program once more, for one test by its name, with the server and more in its environment: that belongs to
    /// the whole process, so it is set before any thread starts. `inside` tells the test that it is the one.
    pub fn run(&mut self, test: &str, inside: &str, environment: &[(&str, &Path)]) {
        self.run_within(test, inside, environment, INSIDE_LIMIT);
    }

    /// The same for a test that takes longer than others.
    pub fn run_within(&mut self, test: &str, inside: &str, environment: &[(&str, &Path)], limit: Duration) {
        let dir = tempfile::tempdir().unwrap();
        let said = |name: &str| dir.path().join(name);
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", test, "--nocapture"])
            .env("JACK_DEFAULT_SERVER", &self.name)
            .env(inside, self.child.id().to_string())
            .envs(environment.iter().copied())
            .stdout(File::create(said("out")).unwrap())
            .stderr(File::create(said("err")).unwrap())
            .spawn()
            .unwrap();
        let status = ended_beside(&mut child, limit, &mut self.child);
        let [out, err] = ["out", "err"].map(|name| fs::read_to_string(said(name)).unwrap());
        print!("{out}{err}");
        let status = status.unwrap_or_else(|| panic!("`{test}` did not end within {limit:?}"));
        // No test of that name would be a success as well.
        assert!(status.success() && out.contains("1 passed"), "`{test}` failed on its server; see above");
    }
}

fn server(name: &str) -> Child {
    server_at(name, 48_000, 128)
}

/// A server of that name, rate in Hz and period in frames.
fn server_at(name: &str, rate: u32, period: u32) -> Child {
    let (rate, period) = (rate.to_string(), period.to_string());
    let arguments = ["-n", name, "-R", "-P", "70", "-d", "dummy", "-r", &rate, "-p", &period, "-C", "8", "-P", "8"];
    let child = Command::new("jackd").args(arguments).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
    child.expect("jackd runs: install the package jackd2")
}

/// Asks a server to end; whether it did so itself.
fn end(server: &mut Child) -> bool {
    // It may be gone already; then this fails, rightly.
    let _ = Command::new("kill").arg(server.id().to_string()).stderr(Stdio::null()).status();
    ended(server, Duration::from_secs(10)).is_some_and(|status| status.code().is_some())
}

/// More than any of the tests takes.
const INSIDE_LIMIT: Duration = Duration::from_secs(240);

/// Waits for a program's end; after the limit it is killed, and `None`.
pub fn ended(child: &mut Child, limit: Duration) -> Option<ExitStatus> {
    wait(child, limit, || ())
}

/// The same beside another program: a server that the test kills is not gone before somebody has taken note of it.
fn ended_beside(child: &mut Child, limit: Duration, other: &mut Child) -> Option<ExitStatus> {
    wait(child, limit, || drop(other.try_wait()))
}

fn wait(child: &mut Child, limit: Duration, mut beside: impl FnMut()) -> Option<ExitStatus> {
    let limit = Instant::now() + limit;
    while Instant::now() < limit {
        if let Ok(Some(status)) = child.try_wait() {
            return Some(status);
        }
        beside();
        std::thread::sleep(Duration::from_millis(10));
    }
    // It may end at this very moment; then this fails, rightly.
    let _ = child.kill();
    let _ = child.wait();
    None
}

impl Drop for Server {
    fn drop(&mut self) {
        // A killed server leaves its place taken in JACK's registry, which has eight. The next of the same name takes it
        // over, and gives it back when it is asked to end.
        if !end(&mut self.child) {
            let mut next = server(&self.name);
            let wait = ["--server", &self.name, "--wait", "--timeout", "10"];
            let _ = Command::new("jack_wait").args(wait).stdout(Stdio::null()).stderr(Stdio::null()).status();
            end(&mut next);
        }
    }
}

/// The server of the environment after its end: a new one of the same name, ended when this is dropped.
pub struct Successor(Child);

impl Successor {
    pub fn start(rate: u32, period: u32) -> Self {
        let name = std::env::var("JACK_DEFAULT_SERVER").expect("the test runs on a server of its own");
        Self(server_at(&name, rate, period))
    }

    /// Ends it at once, as a crash does.
    pub fn kill(mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}

impl Drop for Successor {
    fn drop(&mut self) {
        end(&mut self.0);
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

/// The server as fast as it goes, waiting for every client; by the clock again when this is dropped, which must be
/// before any client leaves.
pub struct Freewheel(());

impl Freewheel {
    pub fn enter() -> Self {
        freewheel("y");
        Self(())
    }
}

impl Drop for Freewheel {
    fn drop(&mut self) {
        freewheel("n");
    }
}

fn freewheel(on: &str) {
    let tool = Command::new("jack_freewheel").arg(on).stdout(Stdio::null()).stderr(Stdio::null()).spawn();
    let mut tool = tool.expect("jack_freewheel runs: install the package jackd2 or jack-example-tools");
    let status = ended(&mut tool, Duration::from_secs(20));
    // Not while a failed test is being unwound already: that would abort it.
    assert!(std::thread::panicking() || status.is_some_and(|status| status.success()), "jack_freewheel {on} failed");
}
