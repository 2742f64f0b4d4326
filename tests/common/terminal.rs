//! A terminal with the program in it: keys go in, and what a person sees comes out.

use std::fs::File;
use std::io::{Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{LocalModes, Winsize, tcgetattr, tcsetwinsize};

use super::server;

/// More than anything here takes on a slow machine.
const LIMIT: Duration = Duration::from_secs(30);
const ROWS: u16 = 24;

/// A terminal in which the program runs; it is killed if it still does when this is dropped.
pub struct Terminal {
    child: Child,
    keys: File,
    screen: Arc<Mutex<vt100::Parser>>,
    /// Everything that came, in bytes.
    all: Arc<Mutex<Vec<u8>>>,
}

impl Terminal {
    /// Starts the program in a folder. The arguments are parted by spaces. `releases`: the terminal tells when a key comes
    /// up, by the keyboard protocol that terminals agree on ("comprehensive keyboard handling", CSI u).
    pub fn start(folder: &Path, arguments: &str, columns: u16, releases: bool) -> Self {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        tcsetwinsize(&master, Winsize { ws_row: ROWS, ws_col: columns, ws_xpixel: 0, ws_ypixel: 0 }).unwrap();
        let name = ptsname(&master, Vec::new()).unwrap().into_string().unwrap();
        let slave = File::options().read(true).write(true).open(name).unwrap();
        let end = || Stdio::from(slave.try_clone().unwrap());
        // The terminal is then the program's own, as in a window.
        let child = Command::new("setsid")
            .args(["--ctty", env!("CARGO_BIN_EXE_tenterhook")])
            .args(arguments.split(' '))
            .env("XDG_STATE_HOME", folder.join("state"))
            .env("TERM", "xterm-256color")
            .current_dir(folder)
            .stdin(end())
            .stdout(end())
            .stderr(end())
            .spawn()
            .unwrap();
        let keys = File::from(master);
        let (mut from, mut answers) = (keys.try_clone().unwrap(), keys.try_clone().unwrap());
        let screen = Arc::new(Mutex::new(vt100::Parser::new(ROWS.try_into().unwrap(), columns.try_into().unwrap(), 0)));
        let all = Arc::<Mutex<Vec<u8>>>::default();
        let (shown, kept) = (Arc::clone(&screen), Arc::clone(&all));
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            // Reading fails when nobody has the other end any more.
            while let Ok(length @ 1..) = from.read(&mut bytes) {
                let came = &bytes[..length];
                shown.lock().unwrap_or_else(PoisonError::into_inner).process(came);
                kept.lock().unwrap_or_else(PoisonError::into_inner).extend_from_slice(came);
                let asks = |question: &[u8]| came.windows(question.len()).any(|window| window == question);
                if asks(b"\x1b[c") {
                    let answer: &[u8] = if releases { b"\x1b[?0u\x1b[?62;c" } else { b"\x1b[?62;c" };
                    let _ = answers.write_all(answer);
                }
            }
        });
        Self { child, keys, screen, all }
    }

    /// Sends keys as a terminal does.
    pub fn types(&mut self, keys: &str) {
        self.keys.write_all(keys.as_bytes()).unwrap();
    }

    /// What stands on the screen.
    pub fn screen(&self) -> String {
        self.screen.lock().unwrap_or_else(PoisonError::into_inner).screen().contents()
    }

    /// Everything that came so far, in bytes as text.
    pub fn all(&self) -> String {
        String::from_utf8_lossy(&self.all.lock().unwrap_or_else(PoisonError::into_inner)).into_owned()
    }

    /// The line in which the cursor stands: the status line.
    pub fn status(&self) -> String {
        let screen = self.screen.lock().unwrap_or_else(PoisonError::into_inner);
        let (row, _) = screen.screen().cursor_position();
        screen.screen().contents_between(row, 0, row, screen.screen().size().1.get())
    }

    /// Whether it shows what is typed and hands it on line by line, as a shell needs it.
    pub fn is_a_shells(&self) -> bool {
        tcgetattr(&self.keys).unwrap().local_modes.contains(LocalModes::ECHO | LocalModes::ICANON | LocalModes::ISIG)
    }

    /// Waits until the screen is as it should be.
    pub fn until(&self, what: &str, is_so: impl Fn(&Self) -> bool) {
        let began = Instant::now();
        while !is_so(self) {
            assert!(began.elapsed() < LIMIT, "{what}: never so, but\n{}", self.screen());
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Waits until the status line has these words.
    pub fn shows(&self, words: &str) {
        self.until(words, |terminal| terminal.status().contains(words));
    }

    /// Waits until the status line no longer has these words.
    pub fn hides(&self, words: &str) {
        self.until(&format!("without {words}"), |terminal| !terminal.status().contains(words));
    }

    /// Ends it by Ctrl-C; its exit status.
    pub fn end(mut self) -> Option<i32> {
        self.types("\x03");
        server::ended(&mut self.child, LIMIT).unwrap_or_else(|| panic!("it does not end:\n{}", self.screen())).code()
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        // It has ended already, unless a test failed.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
