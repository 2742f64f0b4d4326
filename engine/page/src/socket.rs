//! One page's WebSocket: what it is sent, and what it asks for.

use std::io::ErrorKind;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::extract::ws::{CloseFrame, Message, WebSocket, close_code};
use futures_util::{SinkExt, StreamExt};
use tenterhook_plan::{ControllerId, Gesture, MicId, Plan};
use tokio::sync::{mpsc, watch};
use tokio::task::yield_now;

use crate::HallWish;
use crate::access::Role;
use crate::authorize::{PageAnswer, PageWho, answer};
use crate::listener::Ticket;
use crate::pace::{Pace, Purse};
use crate::server::{Shared, Shown};
use crate::wire::{self, Ask, MOST_BYTES};

/// A page that takes nothing for so long is let go; it comes back by itself.
const SEND: Duration = Duration::from_secs(5);
/// Messages that make no sense before the page is sent away.
const SENSELESS: u32 = 20;
/// How long a page may go on sending more messages than are taken of it. The desk may for ever.
const FLOOD: Duration = Duration::from_secs(2);

/// Messages that are taken of a page, of whatever kind. Who watches says whose part it looks at, and nothing else.
fn pace(role: Role) -> Pace {
    match role {
        Role::Watch => Pace { a_second: 8.0, at_once: 32.0 },
        Role::Player | Role::Desk => Pace { a_second: 240.0, at_once: 240.0 },
    }
}

/// Serves one page until it goes, its key is renewed, or the server ends.
pub(crate) async fn serve(
    socket: WebSocket,
    role: Role,
    shared: Arc<Shared>,
    ticket: Arc<Ticket>,
    mut renewed: watch::Receiver<u64>,
) {
    let (mut out, mut into) = socket.split();
    let (refusals, mut refused) = mpsc::channel::<String>(16);
    let mut ending = shared.ending();
    let reader = {
        let shared = Arc::clone(&shared);
        async move {
            let mut visitor = Visitor::new(role, shared);
            while let Some(message) = into.next().await {
                // However fast they come, the others have their turn before the next.
                yield_now().await;
                if visitor.floods().await {
                    ticket.flooded();
                    return Some((close_code::POLICY, "too many messages"));
                }
                match message {
                    Ok(Message::Text(text)) => match visitor.hear(&text) {
                        SocketHeard::Well => {}
                        // A page that reads none of its refusals misses some.
                        SocketHeard::Refused(words) => drop(refusals.try_send(words)),
                        SocketHeard::Enough => {
                            return Some((close_code::POLICY, "too many messages that make no sense"));
                        }
                    },
                    Ok(Message::Binary(_)) => return Some((close_code::UNSUPPORTED, "this protocol is text")),
                    Ok(Message::Close(_)) => return None,
                    Ok(Message::Ping(_) | Message::Pong(_)) => {}
                    Err(why) => return Some(broken(why)),
                }
            }
            None
        }
    };
    let writer = async {
        let (mut shown, mut meters) = (shared.shown(), shared.meters());
        let mut piece = None;
        let first = first(&mut shown, &shared, role, &mut piece);
        for text in first {
            if !sent(&mut out, Message::Text(text.into())).await {
                return;
            }
        }
        loop {
            let messages = tokio::select! {
                changed = shown.changed() => match changed {
                    Ok(()) => news(&mut shown, &shared, role, &mut piece),
                    Err(_) => return,
                },
                changed = meters.changed() => match changed {
                    Ok(()) => vec![Message::Binary(meters.borrow_and_update().clone())],
                    Err(_) => return,
                },
                Some(words) = refused.recv() => vec![Message::Text(wire::error(&words).into())],
            };
            for message in messages {
                if !sent(&mut out, message).await {
                    return;
                }
            }
        }
    };
    let close = tokio::select! {
        close = reader => close,
        () = writer => None,
        _ = renewed.changed() => Some((close_code::POLICY, "the key has been renewed")),
        _ = ending.wait_for(|ending| *ending) => Some((close_code::RESTART, "the program ends")),
    };
    if let Some((code, reason)) = close {
        let frame = CloseFrame { code, reason: reason.into() };
        let _ = sent(&mut out, Message::Close(Some(frame))).await;
    }
}

async fn sent(out: &mut (impl SinkExt<Message> + Unpin), message: Message) -> bool {
    matches!(tokio::time::timeout(SEND, out.send(message)).await, Ok(Ok(())))
}

/// Why a page is sent away whose messages cannot be read.
fn broken(why: axum::Error) -> (u16, &'static str) {
    match why.into_inner().downcast_ref::<tungstenite::Error>() {
        Some(tungstenite::Error::Capacity(_)) => (close_code::SIZE, "a message has at most 4096 bytes"),
        Some(tungstenite::Error::Io(why)) if why.kind() == ErrorKind::ConnectionAborted => {
            (close_code::POLICY, "too much is sent")
        }
        _ => (close_code::PROTOCOL, "a broken frame"),
    }
}

/// What a page is told when it comes: the piece, the state, the loudness of the last seconds.
fn first(shown: &mut watch::Receiver<Arc<Shown>>, shared: &Shared, role: Role, piece: &mut Option<u64>) -> Vec<String> {
    // Not borrowed any longer than this: `history` looks at it as well.
    let shown = Arc::clone(&shown.borrow_and_update());
    *piece = Some(shown.piece_number);
    vec![shown.piece(role).to_string(), shown.now.to_string(), shared.history()]
}

/// What has changed.
fn news(shown: &mut watch::Receiver<Arc<Shown>>, shared: &Shared, role: Role, piece: &mut Option<u64>) -> Vec<Message> {
    let shown = Arc::clone(&shown.borrow_and_update());
    let now = Message::Text(shown.now.clone());
    if *piece == Some(shown.piece_number) {
        return vec![now];
    }
    *piece = Some(shown.piece_number);
    vec![Message::Text(shown.piece(role).clone()), now, Message::Text(shared.history().into())]
}

/// What came of a message.
enum SocketHeard {
    Well,
    Refused(String),
    Enough,
}

/// Whoever sits before a page.
struct Visitor {
    who: PageWho,
    /// The piece whose ids `who` holds.
    plan: Arc<Plan>,
    shared: Arc<Shared>,
    /// The keys that are down.
    keys: Vec<String>,
    senseless: u32,
    /// The messages that it may send.
    purse: Purse,
    /// Since when it sends more.
    behind: Option<Instant>,
}

impl Visitor {
    fn new(role: Role, shared: Arc<Shared>) -> Self {
        let who = PageWho { role, part: None, moved: None };
        let plan = Arc::clone(&shared.shown().borrow().state.engine.plan);
        let purse = Purse::new(pace(role), Instant::now());
        Self { who, plan, shared, keys: Vec::new(), senseless: 0, purse, behind: None }
    }

    /// Counts a message. Whoever sends faster is read more slowly; whether that has gone on for too long.
    async fn floods(&mut self) -> bool {
        let now = Instant::now();
        if self.purse.left(now) >= 1.0 {
            self.behind = None;
            self.purse.take(1.0);
            return false;
        }
        let behind = *self.behind.get_or_insert(now);
        if self.who.role != Role::Desk && now.saturating_duration_since(behind) >= FLOOD {
            return true;
        }
        tokio::time::sleep(self.purse.until(1.0)).await;
        self.purse.left(Instant::now());
        self.purse.take(1.0);
        false
    }

    fn hear(&mut self, text: &str) -> SocketHeard {
        debug_assert!(text.len() <= MOST_BYTES, "the socket takes no longer ones");
        let ask = match serde_json::from_str::<Ask>(text) {
            Ok(ask) => ask,
            Err(why) => return self.senseless(format!("this is no message of the protocol: {why}")),
        };
        let shown = self.shared.shown().borrow().clone();
        self.follow(shown.plan());
        match answer(&ask, self.who, &shown.state.engine) {
            Ok(PageAnswer::Gestures(gestures)) => {
                if let Some(Gesture::Controller { id, .. } | Gesture::Press { id, .. }) = gestures.first() {
                    self.who.moved = Some(*id);
                }
                if let Ask::Key { key, down } = ask {
                    self.keys.retain(|known| *known != key);
                    if down {
                        self.keys.push(key);
                    }
                }
                match gestures.into_iter().all(|gesture| self.shared.act(gesture, self.who.role, &shown)) {
                    true => SocketHeard::Well,
                    false => {
                        SocketHeard::Refused("too many gestures wait for the engine: this one was lost".to_owned())
                    }
                }
            }
            Ok(PageAnswer::Reset) => {
                self.shared.reset();
                SocketHeard::Well
            }
            Ok(PageAnswer::Learn(id)) => {
                let name = id.map(|id| shown.plan().controllers[id.index()].name.clone());
                self.write_hall(HallWish::Learn(name))
            }
            Ok(PageAnswer::Keep) => self.write_hall(HallWish::Levels),
            Ok(PageAnswer::Part(part)) => {
                self.who.part = part;
                SocketHeard::Well
            }
            Ok(PageAnswer::Nothing) => SocketHeard::Well,
            Err(words) => SocketHeard::Refused(words),
        }
    }

    fn write_hall(&self, wish: HallWish) -> SocketHeard {
        let written = self.shared.write_hall(wish);
        written.map_or_else(|words| SocketHeard::Refused(words.to_owned()), |()| SocketHeard::Well)
    }

    /// In a changed piece whoever sits here keeps what has the same name.
    fn follow(&mut self, plan: &Arc<Plan>) {
        if Arc::ptr_eq(plan, &self.plan) {
            return;
        }
        let old = std::mem::replace(&mut self.plan, Arc::clone(plan));
        let mic = |mic: MicId| plan.mics.iter().position(|one| one.name == old.mics[mic.index()].name);
        let controller =
            |id: ControllerId| plan.controllers.iter().position(|one| one.name == old.controllers[id.index()].name);
        self.who.part = self.who.part.and_then(mic).map(MicId::new);
        self.who.moved = self.who.moved.and_then(controller).map(ControllerId::new);
    }

    fn senseless(&mut self, words: String) -> SocketHeard {
        self.senseless += 1;
        if self.senseless > SENSELESS { SocketHeard::Enough } else { SocketHeard::Refused(words) }
    }
}

impl Drop for Visitor {
    /// A page that goes takes its hands off the keys: what it held down would stay down.
    fn drop(&mut self) {
        let shown = self.shared.shown().borrow().clone();
        self.follow(shown.plan());
        let who = PageWho { role: Role::Desk, ..self.who };
        for key in self.keys.drain(..) {
            if let Ok(PageAnswer::Gestures(gestures)) = answer(&Ask::Key { key, down: false }, who, &shown.state.engine)
            {
                for gesture in gestures {
                    // If even that is lost there is nobody to tell.
                    self.shared.act(gesture, self.who.role, &shown);
                }
            }
        }
    }
}
