//! More machines than one: who works the show by OSC and is told of it, a machine that stands in for another, and mics on
//! another machine than the engine.

#[path = "../common/mod.rs"]
mod common;
mod heard;
mod machines;
mod namespaces;
mod told;

use std::net::{SocketAddr, UdpSocket};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use rosc::{OscBundle, OscMessage, OscPacket, OscTime, OscType};

/// No JACK server has this name.
const NO_SERVER: (&str, &str) = ("JACK_DEFAULT_SERVER", "tenterhook-test-none");

/// One idea a scene, each with its pedal.
const PIECE: &str = r#"
title = "Thistle Hours"
next = "step"
mics = { voice = 1 }
outputs = { left = 1, right = 2 }
[controllers]
pedal = { cc = 64 }
wheel = { cc = 1 }
sway = { osc = "/sway", from = -1.0, to = 1.0 }
step = { cc = 66 }
[[scene]]
mark = "A"
name = "Threshold"
mic.voice.freeze = { by = "pedal", to = ["left"] }
mic.voice.reverse = { by = "wheel", to = ["right"] }
mic.voice.stretch = { by = "sway", to = ["right"] }
[[scene]]
mark = "B"
mic.voice.direct = { by = "scene", to = ["left"] }
mic.voice.freeze = { by = "pedal", to = ["right"] }
[[scene]]
mark = "C"
mic.voice.direct = { by = "wheel", to = ["left"] }
"#;

/// One test with audio servers at a time: two would take each other's processor, and both run late.
fn servers() -> MutexGuard<'static, ()> {
    static ALONE: Mutex<()> = Mutex::new(());
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A port of this machine that was free a moment ago.
fn free() -> SocketAddr {
    UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap()
}

/// Somebody who sends OSC, and hears it.
struct Surface(UdpSocket);

impl Surface {
    fn new() -> Self {
        let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
        socket.set_read_timeout(Some(Duration::from_millis(20))).unwrap();
        Self(socket)
    }

    fn address(&self) -> SocketAddr {
        self.0.local_addr().unwrap()
    }

    fn say(&self, to: SocketAddr, address: &str, arguments: &[OscType]) {
        let message = OscPacket::Message(OscMessage { addr: address.to_owned(), args: arguments.to_vec() });
        self.0.send_to(&rosc::encoder::encode(&message).unwrap(), to).unwrap();
    }

    /// The next packet, its length and what is in it; `None`: none comes just now.
    fn hear(&self) -> Option<(usize, Vec<OscMessage>)> {
        let mut packet = [0; 65_536];
        let length = self.0.recv(&mut packet).ok()?;
        let (rest, packet) = rosc::decoder::decode_udp(&packet[..length]).expect("it is OSC");
        assert!(rest.is_empty(), "and nothing else");
        let OscPacket::Bundle(OscBundle { timetag, content }) = packet else { panic!("all is told in bundles") };
        // OSC 1.0: this tag means at once.
        assert_eq!(timetag, OscTime { seconds: 0, fractional: 1 });
        let message = |packet| match packet {
            OscPacket::Message(message) => message,
            OscPacket::Bundle(_) => panic!("no bundle in a bundle"),
        };
        Some((length, content.into_iter().map(message).collect()))
    }

    /// All that comes for so long.
    fn listen(&self, span: Duration) -> Vec<(usize, Vec<OscMessage>)> {
        let end = Instant::now() + span;
        let mut heard = Vec::new();
        while Instant::now() < end {
            heard.extend(self.hear());
        }
        heard
    }
}
