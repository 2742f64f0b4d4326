//! The page's socket without a browser: what it is told, and what it asks for.

use std::net::TcpStream;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use serde_json::Value;
use tungstenite::client::IntoClientRequest;
use tungstenite::{Message, WebSocket};

/// More than anything here takes on a slow machine.
const LIMIT: Duration = Duration::from_secs(30);

pub struct Socket {
    socket: WebSocket<TcpStream>,
    /// The piece that was last told.
    pub piece: Value,
}

impl Socket {
    /// Opens the page at an address as `started` gives it.
    pub fn open(address: &str) -> Self {
        let host = address.trim_start_matches("http://").trim_end_matches('/').to_owned();
        let mut request = format!("ws://{host}/socket").into_client_request().unwrap();
        request.headers_mut().insert("Origin", format!("http://{host}").parse().unwrap());
        let stream = TcpStream::connect(&host).unwrap();
        stream.set_read_timeout(Some(LIMIT)).unwrap();
        let (socket, _) = tungstenite::client(request, stream).unwrap();
        Self { socket, piece: Value::Null }
    }

    /// Asks for something, as the page would.
    pub fn ask(&mut self, ask: Value) {
        self.socket.send(Message::text(ask.to_string())).unwrap();
    }

    /// Waits until the state is as wished.
    pub fn until(&mut self, what: &str, wished: impl Fn(&Value) -> bool) -> Value {
        let limit = Instant::now() + LIMIT;
        loop {
            assert!(Instant::now() < limit, "the page is never told: {what}");
            let Message::Text(text) = self.socket.read().unwrap() else { continue };
            let mut told: Value = serde_json::from_str(&text).unwrap();
            assert_eq!(told.get("error"), None, "{told}");
            if let Some(piece) = told.get_mut("piece") {
                self.piece = piece.take();
            }
            if told.get("now").is_some_and(&wished) {
                return told["now"].take();
            }
        }
    }

    /// Takes all that the page is told until it is to stop, or the page is gone; how many messages.
    pub fn listen(mut self, stop: &AtomicBool) -> u64 {
        let mut told = 0;
        while !stop.load(Ordering::Acquire) && self.socket.read().is_ok() {
            told += 1;
        }
        told
    }

    /// The words of a topic, if there are any.
    pub fn word<'a>(now: &'a Value, topic: &str) -> Option<&'a str> {
        let words = now["words"].as_array()?;
        words.iter().find(|word| word["topic"] == topic)?["text"].as_str()
    }
}
