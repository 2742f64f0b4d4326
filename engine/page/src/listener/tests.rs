use super::*;
use crate::access::Role;
use axum::routing::get;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::oneshot;

/// Far longer than anything here takes.
const LONG: Duration = Duration::from_secs(60);

struct Server {
    address: SocketAddr,
    stop: Option<oneshot::Sender<()>>,
    ended: tokio::task::JoinHandle<()>,
}

/// The system has no more files to give before the connections come.
struct Exhausted {
    errors: u32,
    listener: TcpListener,
}

impl Accept for Exhausted {
    async fn accept(&mut self) -> io::Result<(TcpStream, SocketAddr)> {
        if self.errors > 0 {
            self.errors -= 1;
            return Err(io::Error::from_raw_os_error(24));
        }
        self.listener.accept().await
    }
}

fn router() -> Router {
    let never = || async {
        std::future::pending::<()>().await;
    };
    let endless = || async { vec![b'x'; 64 << 20] };
    Router::new().route("/", get(|| async { "page" })).route("/never", get(never)).route("/endless", get(endless))
}

async fn server(most: usize, errors: u32) -> Server {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let (stop, stopped) = oneshot::channel();
    let stopped = async {
        let _ = stopped.await;
    };
    let ended = tokio::spawn(accept(Exhausted { errors, listener }, Places::new(most), router(), stopped));
    Server { address, stop: Some(stop), ended }
}

impl Server {
    async fn connect(&self) -> TcpStream {
        TcpStream::connect(self.address).await.unwrap()
    }

    /// From another address of this machine.
    async fn connect_from(&self, last: u8) -> TcpStream {
        let socket = tokio::net::TcpSocket::new_v4().unwrap();
        socket.bind(SocketAddr::from(([127, 0, 0, last], 0))).unwrap();
        socket.connect(self.address).await.unwrap()
    }

    async fn stop(mut self) {
        self.stop.take().unwrap().send(()).unwrap();
        timeout(LONG, self.ended).await.unwrap().unwrap();
    }
}

async fn ask(stream: &mut TcpStream, path: &str) {
    stream.write_all(format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n").as_bytes()).await.unwrap();
}

/// Reads until `end`; `false` if the connection ended before.
async fn reads(stream: &mut TcpStream, end: &str) -> bool {
    let mut text = Vec::new();
    let mut some = [0; 1024];
    while !text.ends_with(end.as_bytes()) {
        match timeout(LONG, stream.read(&mut some)).await.expect("neither an answer nor an end") {
            Ok(0) | Err(_) => return false,
            Ok(count) => text.extend_from_slice(&some[..count]),
        }
    }
    true
}

async fn ends(stream: &mut TcpStream) {
    assert!(!reads(stream, "\0").await);
}

#[tokio::test]
async fn errors_of_the_system_do_not_end_the_loop() {
    let server = server(4, 3).await;
    let mut client = server.connect().await;
    ask(&mut client, "/").await;
    assert!(reads(&mut client, "page").await);
    server.stop().await;
}

#[tokio::test]
async fn who_has_waited_longest_makes_room_and_who_is_answered_does_not() {
    let server = server(3, 0).await;
    let mut answered = server.connect().await;
    ask(&mut answered, "/never").await;
    let mut kept = server.connect().await;
    ask(&mut kept, "/").await;
    assert!(reads(&mut kept, "page").await);
    let mut silent = server.connect().await;
    // The one that was kept open asks once more, and so the silent one has waited longest.
    tokio::time::sleep(Duration::from_millis(200)).await;
    ask(&mut kept, "/").await;
    assert!(reads(&mut kept, "page").await);
    let mut new = server.connect().await;
    ends(&mut silent).await;
    ask(&mut new, "/").await;
    assert!(reads(&mut new, "page").await);
    ask(&mut kept, "/").await;
    assert!(reads(&mut kept, "page").await);
    assert!(timeout(Duration::from_millis(100), answered.read_u8()).await.is_err(), "still being answered");
    server.stop().await;
}

#[tokio::test]
async fn when_all_are_being_answered_the_one_that_takes_longest_makes_room() {
    let server = server(2, 0).await;
    let mut first = server.connect().await;
    ask(&mut first, "/never").await;
    tokio::time::sleep(Duration::from_millis(200)).await;
    let mut second = server.connect().await;
    ask(&mut second, "/never").await;
    tokio::time::sleep(Duration::from_millis(200)).await;
    let mut new = server.connect().await;
    ends(&mut first).await;
    ask(&mut new, "/").await;
    assert!(reads(&mut new, "page").await);
    assert!(timeout(Duration::from_millis(100), second.read_u8()).await.is_err(), "still being answered");
    server.stop().await;
}

#[tokio::test]
async fn the_network_with_most_connections_makes_room_whoever_waited_longest() {
    let server = server(4, 0).await;
    let mut one = server.connect_from(9).await;
    let mut many = Vec::new();
    for _ in 0..3 {
        many.push(server.connect_from(2).await);
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    for _ in 0..6 {
        let mut new = server.connect_from(2).await;
        ask(&mut new, "/").await;
        assert!(reads(&mut new, "page").await);
        many.push(new);
    }
    ask(&mut one, "/").await;
    assert!(reads(&mut one, "page").await, "it has waited longest, and alone");
    server.stop().await;
}

#[tokio::test]
async fn who_takes_nothing_of_an_answer_is_cut_off() {
    let server = server(2, 0).await;
    let mut client = server.connect().await;
    ask(&mut client, "/endless").await;
    tokio::time::sleep(Duration::from_secs(12)).await;
    let mut all = 0;
    let mut some = vec![0; 1 << 20];
    while let Ok(count @ 1..) = timeout(LONG, client.read(&mut some)).await.unwrap() {
        all += count;
    }
    assert!(all < 64 << 20, "{all} bytes came");
    server.stop().await;
}

#[tokio::test]
async fn at_the_end_every_connection_ends() {
    let server = server(8, 0).await;
    let mut silent = server.connect().await;
    let mut half = server.connect().await;
    half.write_all(b"GET / HT").await.unwrap();
    let mut answered = server.connect().await;
    ask(&mut answered, "/never").await;
    let mut kept = server.connect().await;
    ask(&mut kept, "/").await;
    assert!(reads(&mut kept, "page").await);
    let address = server.address;
    server.stop().await;
    for stream in [&mut silent, &mut half, &mut answered, &mut kept] {
        ends(stream).await;
    }
    assert!(TcpStream::connect(address).await.is_err(), "nobody listens any more");
}

/// Places, and a stream that all who come have.
async fn places(most: usize) -> (Arc<Places>, Arc<TcpStream>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    (Places::new(most), Arc::new(TcpStream::connect(listener.local_addr().unwrap()).await.unwrap()))
}

fn from(network: u8) -> std::net::IpAddr {
    [192, 0, 2, network].into()
}

#[tokio::test]
async fn what_is_answered_as_desk_or_player_makes_no_room() {
    for (role, gives_way) in
        [(None, true), (Some(Role::Watch), true), (Some(Role::Player), false), (Some(Role::Desk), false)]
    {
        let (places, stream) = places(1).await;
        let ticket = places.take(&stream, from(1)).unwrap();
        ticket.comes_as(role);
        let busy = Busy::new(Arc::clone(&ticket));
        assert_eq!(places.take(&stream, from(2)).is_some(), gives_way, "{role:?}");
        drop(busy);
    }
}

#[tokio::test]
async fn a_network_opens_64_pages_at_once_and_then_8_a_second_but_the_desk_as_many_as_it_will() {
    let now = std::time::Instant::now();
    let after = |ms| now + Duration::from_millis(ms);
    for role in [Role::Watch, Role::Player] {
        let (places, stream) = places(4).await;
        let opens = |network, at| places.take(&stream, from(network)).unwrap().becomes(role, at);
        for _ in 0..64 {
            assert_eq!(opens(1, after(0)), Ok(()));
        }
        let Err(NoPlace::Later(wait)) = opens(1, after(0)) else { panic!("{role:?}: it goes on and on") };
        assert!(wait <= Duration::from_millis(126), "{wait:?}");
        assert_eq!(opens(2, after(0)), Ok(()), "another network");
        for second in 1..4 {
            assert_eq!((0..20).filter(|_| opens(1, after(1000 * second)).is_ok()).count(), 8, "{role:?}");
        }
    }
    let (places, stream) = places(4).await;
    assert!((0..1000).all(|_| places.take(&stream, from(1)).unwrap().becomes(Role::Desk, now).is_ok()));
}

#[tokio::test]
async fn networks_that_have_as_many_pages_do_not_put_each_other_out_in_turn() {
    let (places, stream) = places(4).await;
    let opens = |network| {
        let ticket = places.take(&stream, from(network)).unwrap();
        ticket.becomes(Role::Watch, std::time::Instant::now()).map(|()| ticket)
    };
    // 22, 21 and 21: with one more none would have less than the one that had to go.
    let mut open: Vec<_> = (0..64).map(|n| opens(1 + n % 3).ok().unwrap()).collect();
    for network in [1, 2, 3] {
        assert_eq!(opens(network).err(), Some(NoPlace::Full), "{network}");
    }
    // A page that goes makes room, and who has two more than the one that comes does.
    open.remove(1);
    open.remove(3);
    open.extend([opens(3).ok().unwrap(), opens(3).ok().unwrap()]);
    assert!(opens(2).is_ok());
}
