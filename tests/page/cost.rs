//! What pages cost the machine, by the processor time of the program's threads (Linux).

use std::fs;
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use tungstenite::client::IntoClientRequest;

/// How long is measured.
const SPAN: Duration = Duration::from_secs(10);
/// Ticks of a thread's time in a second, as Linux has them on all its systems (`man 7 time`, USER_HZ).
const TICKS: f64 = 100.0;

/// The seconds that the threads of this name have worked so far.
fn worked(process: u32, name: &str) -> f64 {
    let threads = fs::read_dir(format!("/proc/{process}/task")).unwrap().map(|entry| entry.unwrap().path());
    let named = threads.filter(|path| fs::read_to_string(path.join("comm")).is_ok_and(|comm| comm.trim() == name));
    let ticks = named.filter_map(|path| {
        let stat = fs::read_to_string(path.join("stat")).ok()?;
        let fields: Vec<i64> = stat.rsplit(") ").next()?.split(' ').filter_map(|field| field.parse().ok()).collect();
        // User and system time are the 14th and 15th of all fields; of the numbers behind the state the 11th and 12th.
        Some(fields.get(10)? + fields.get(11)?)
    });
    ticks.sum::<i64>() as f64 / TICKS
}

/// A page without a browser: takes all that it is sent.
fn page(address: &str, end: Arc<AtomicBool>) -> std::thread::JoinHandle<u64> {
    let host = address.trim_start_matches("http://").trim_end_matches('/').to_owned();
    std::thread::spawn(move || {
        let mut request = format!("ws://{host}/socket").into_client_request().unwrap();
        request.headers_mut().insert("Origin", format!("http://{host}").parse().unwrap());
        let (mut socket, _) = tungstenite::client(request, TcpStream::connect(&host).unwrap()).unwrap();
        let mut frames = 0;
        while !end.load(Ordering::Relaxed) {
            frames += u64::from(socket.read().unwrap().is_binary());
        }
        frames
    })
}

/// The share of one core that threads of each of these names take, with so many pages.
pub fn shares(process: u32, address: &str, pages: usize, names: &[&str]) -> Vec<f64> {
    let end = Arc::<AtomicBool>::default();
    let pages: Vec<_> = (0..pages).map(|_| page(address, Arc::clone(&end))).collect();
    std::thread::sleep(Duration::from_secs(1));
    let before: Vec<f64> = names.iter().map(|name| worked(process, name)).collect();
    let begun = Instant::now();
    std::thread::sleep(SPAN);
    let seconds = begun.elapsed().as_secs_f64();
    let shares = names.iter().zip(before).map(|(name, before)| (worked(process, name) - before) / seconds).collect();
    end.store(true, Ordering::Relaxed);
    for page in pages {
        assert!(page.join().unwrap() > 100, "each page got its frames");
    }
    shares
}
