//! The server, on a thread of its own: what the program shows goes out to every page, what pages ask for comes in.

use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use axum::Router;
use axum::body::Bytes;
use axum::extract::ws::{Utf8Bytes, WebSocketUpgrade};
use axum::extract::{ConnectInfo, Extension, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use axum::routing::get;
use tenterhook_plan::{Channel, EngineState, Gesture, MeterReading, Plan, RunState, SceneId, Who, places::places};
use tokio::sync::watch;

use crate::access::{Access, Role};
use crate::auth::{self, Auth, Refusal};
use crate::etudes::{self, Etude, Etudes, Hear};
use crate::listener::{NoPlace, Ticket};
use crate::machine::{self, LookOver};
use crate::meters::{PageMeters, SLOTS_A_SECOND};
use crate::score::{self, About};
use crate::study::{self, Studio};
use crate::wire::{MOST_BYTES, Words};
use crate::{assets, frame, renewal, socket};

/// Bytes that may wait in the system for one page: more would be meters of long ago.
const WAITING: u32 = 32 * 1024;
/// A scene that was just fired from another is not fired from there again so soon: news of it may still be on the way.
const AGAIN: Duration = Duration::from_millis(400);

/// What a page needs of the program.
pub struct Settings {
    /// Where it is served.
    pub address: SocketAddr,
    /// Who may see it.
    pub access: Access,
    /// What is shown from the start.
    pub plan: Arc<Plan>,
    /// What the piece does not say.
    pub about: About,
    /// Says what one must know.
    pub words: Words,
    /// The etudes.
    pub etudes: Vec<Etude>,
    /// Makes an etude heard.
    pub hear: Arc<Hear>,
    /// Studies sounds for the desk; none: the page has no such view.
    pub studio: Option<Arc<dyn Studio>>,
    /// Looks the machine over for the desk.
    pub look_over: Arc<LookOver>,
    /// Sends a gesture to the engine.
    pub act: PageAct,
    /// Writes into the hall file what the desk asks for; none: there is none that could be written here.
    pub hall: Option<WriteHall>,
}

/// What the desk wants to have in the hall file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HallWish {
    /// What reaches the controller of this name, to be learned from now on; none: nothing is to be learned any more.
    Learn(Option<String>),
    /// The levels of effects as they stand.
    Levels,
}

/// Is to see to it; must not wait.
pub type WriteHall = Box<dyn Fn(HallWish) + Send + Sync>;

/// Sends a gesture, whose ids are those of the piece beside it, and says whose it is; must not wait. False: it was lost.
pub type PageAct = Box<dyn Fn(&Arc<Plan>, Gesture, Who) -> bool + Send + Sync>;

/// Why the page cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The address cannot be had.
    #[error(
        "the page cannot be served at {address} ({why}): give another address with --page, or leave it out with --no-page"
    )]
    Address {
        /// Which.
        address: SocketAddr,
        /// What the system says.
        why: std::io::Error,
    },
    /// The system gives no thread.
    #[error("the page cannot be served ({0})")]
    Thread(std::io::Error),
}

/// A page that is being served; it ends when this is dropped.
pub struct Page {
    address: SocketAddr,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl Page {
    /// Starts to serve. Port 0 takes any free one, see [`address`](Page::address).
    ///
    /// # Errors
    /// If the address cannot be had, or the system gives no thread.
    pub fn serve(settings: Settings) -> Result<Self, Error> {
        let Settings { address, access, plan, about, words, etudes, hear, studio, look_over, act, hall } = settings;
        let shared = Arc::new(Shared::new(
            plan,
            PageTold { about, words, studies: studio.is_some(), writes_hall: hall.is_some() },
            act,
            hall,
        ));
        let refused = |why| Error::Address { address, why };
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(Error::Thread)?;
        let listener = {
            let _inside = runtime.enter();
            listen(address).map_err(refused)?
        };
        let address = listener.local_addr().map_err(refused)?;
        let file = match &access {
            Access::Kept(_, file) => Some(file.clone()),
            Access::Keys(_) | Access::Anyone => None,
        };
        let doors = Arc::new(Auth::new(access));
        let renewal = renewal::routes(Arc::clone(&doors), file.as_deref().map(Arc::from), address);
        let router = router(&doors, &shared, Arc::new(Etudes::new(etudes, hear)), studio, look_over)
            .merge(auth::desk(Arc::clone(&doors), renewal));
        let router = auth::guarded(Arc::clone(&doors), router);
        let mut ending = shared.ending();
        let run = move || {
            let ended = async move {
                // An error means that the page is gone, which is an end as well.
                let _ = ending.wait_for(|ending| *ending).await;
            };
            if let Some(file) = file {
                runtime.spawn(renewal::follow(doors, file));
            }
            runtime.block_on(crate::listener::serve(listener, router, ended));
            // An etude that is being made heard cleans up behind itself, but a program that ends does not wait for long.
            runtime.shutdown_timeout(Duration::from_secs(3));
        };
        let thread = std::thread::Builder::new().name("page".to_owned()).spawn(run).map_err(Error::Thread)?;
        Ok(Self { address, shared, thread: Some(thread) })
    }

    /// Where it is served.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Takes in what the meter of a channel said at a sample, of the piece that was last shown.
    pub fn meter(&self, channel: Channel, sample: u64, reading: MeterReading) {
        let place = match channel {
            Channel::Mic(mic) => mic.index(),
            Channel::Output(output) => self.shared.shown.borrow().plan().mics.len() + output.index(),
        };
        lock(&self.shared.bench).feed(place, sample, reading);
    }

    /// Shows how things stand, and the meters as they are. Call it about 30 times a second; it never waits for a page.
    pub fn show(&self, state: RunState) {
        self.shared.show(state);
    }
}

impl Drop for Page {
    fn drop(&mut self) {
        self.shared.end.send_replace(true);
        if let Some(thread) = self.thread.take() {
            // It has no way to panic; were there one, there would be nothing to do here.
            let _ = thread.join();
        }
    }
}

fn listen(address: SocketAddr) -> std::io::Result<tokio::net::TcpListener> {
    let socket = if address.is_ipv4() { tokio::net::TcpSocket::new_v4() } else { tokio::net::TcpSocket::new_v6() }?;
    // A program that starts again takes its place at once.
    #[cfg(unix)]
    socket.set_reuseaddr(true)?;
    socket.set_send_buffer_size(WAITING)?;
    socket.bind(address)?;
    socket.listen(128)
}

fn router(
    doors: &Arc<Auth>,
    shared: &Arc<Shared>,
    etudes: Arc<Etudes>,
    studio: Option<Arc<dyn Studio>>,
    look_over: Arc<LookOver>,
) -> Router {
    let etudes =
        Router::new().route("/etudes", get(etudes::list)).route("/etudes/{file}", get(etudes::one)).with_state(etudes);
    let inside = Inside { doors: Arc::clone(doors), shared: Arc::clone(shared) };
    let files = Router::new().route("/", get(assets::page)).route("/assets/{name}", get(assets::asset));
    let router = Router::new()
        .route("/socket", get(enter))
        .with_state(inside)
        .merge(files)
        .merge(auth::inside(Arc::clone(doors), etudes))
        .merge(auth::desk(Arc::clone(doors), machine::routes(look_over)))
        .merge(auth::routes(Arc::clone(doors)));
    match studio {
        Some(studio) => router.merge(auth::desk(Arc::clone(doors), study::routes(studio))),
        None => router,
    }
}

#[derive(Clone)]
struct Inside {
    doors: Arc<Auth>,
    shared: Arc<Shared>,
}

/// `GET /socket`.
async fn enter(
    State(inside): State<Inside>,
    ConnectInfo(peer): ConnectInfo<SocketAddr>,
    Extension(ticket): Extension<Arc<Ticket>>,
    headers: HeaderMap,
    upgrade: WebSocketUpgrade,
) -> Result<Response, Refusal> {
    let renewals = Role::ALL.map(|role| inside.doors.renewals(role));
    let role = inside.doors.role(&headers, peer)?;
    let [watch, player, desk] = renewals;
    let renewed = match role {
        Role::Watch => watch,
        Role::Player => player,
        Role::Desk => desk,
    };
    ticket.becomes(role, Instant::now()).map_err(|why| match why {
        NoPlace::Full => Refusal::new(StatusCode::SERVICE_UNAVAILABLE, "too many pages are open: close some"),
        NoPlace::Later(wait) => {
            let words = "pages from this address come too fast or send too much: wait and try again";
            Refusal { wait: Some(wait), ..Refusal::new(StatusCode::TOO_MANY_REQUESTS, words) }
        }
    })?;
    let upgrade = upgrade.max_message_size(MOST_BYTES).max_frame_size(MOST_BYTES);
    Ok(upgrade.on_upgrade(move |socket| socket::serve(socket, role, inside.shared, ticket, renewed)))
}

/// What is told of every piece beside the piece itself.
struct PageTold {
    about: About,
    words: Words,
    /// Whether sounds can be studied here.
    studies: bool,
    /// Whether the hall file is written here: controllers are learned, and levels kept.
    writes_hall: bool,
}

/// What all pages share.
pub(crate) struct Shared {
    told: PageTold,
    act: PageAct,
    hall: Option<WriteHall>,
    /// The meters of the mics, then of the outputs.
    bench: Mutex<PageMeters>,
    shown: watch::Sender<Arc<Shown>>,
    meters: watch::Sender<Bytes>,
    end: watch::Sender<bool>,
    /// The last scene that was fired from a page: from which, and when.
    fired: Mutex<Option<(SceneId, Instant)>>,
}

/// What is shown.
pub(crate) struct Shown {
    pub state: RunState,
    /// Which of the pieces since the start it is.
    pub piece_number: u64,
    pieces: [Utf8Bytes; 3],
    pub now: Utf8Bytes,
}

impl Shown {
    fn new(state: RunState, piece_number: u64, told: &PageTold) -> Self {
        let tell = |role| {
            let desk = role == Role::Desk;
            score::tell(&state.engine.plan, &told.about, role, told.studies && desk, told.writes_hall && desk).into()
        };
        let pieces = [Role::Watch, Role::Player, Role::Desk].map(tell);
        let now = crate::wire::now(&state, told.words).into();
        Self { state, piece_number, pieces, now }
    }

    /// The piece in force.
    pub fn plan(&self) -> &Arc<Plan> {
        &self.state.engine.plan
    }

    /// The piece, as it is told to a role.
    pub fn piece(&self, role: Role) -> &Utf8Bytes {
        &self.pieces[match role {
            Role::Watch => 0,
            Role::Player => 1,
            Role::Desk => 2,
        }]
    }
}

impl Shared {
    fn new(plan: Arc<Plan>, told: PageTold, act: PageAct, hall: Option<WriteHall>) -> Self {
        let bench = PageMeters::new(told.about.rate, plan.mics.len() + plan.outputs.len());
        let shown = Arc::new(Shown::new(RunState::new(EngineState::new(plan)), 0, &told));
        Self {
            told,
            act,
            hall,
            bench: Mutex::new(bench),
            shown: watch::Sender::new(shown),
            meters: watch::Sender::new(Bytes::new()),
            end: watch::Sender::new(false),
            fired: Mutex::new(None),
        }
    }

    fn show(&self, state: RunState) {
        let before = self.shown.borrow().clone();
        let (sample, plan) = (state.sample, Arc::clone(&state.engine.plan));
        // Another copy is another piece: to look inside would compare every sample of its recordings.
        if !Arc::ptr_eq(&plan, before.plan()) {
            lock(&self.bench).rearrange(&channels(before.plan(), &plan));
            self.shown.send_replace(Arc::new(Shown::new(state, before.piece_number + 1, &self.told)));
        } else if is_other(&state, &before.state) {
            let (piece_number, pieces) = (before.piece_number, before.pieces.clone());
            let now = crate::wire::now(&state, self.told.words).into();
            self.shown.send_replace(Arc::new(Shown { state, piece_number, pieces, now }));
        }
        let shown = lock(&self.bench).take();
        self.meters.send_replace(frame::frame(sample, plan.mics.len(), &shown).into());
    }

    /// The newest state, and each after it.
    pub fn shown(&self) -> watch::Receiver<Arc<Shown>> {
        self.shown.subscribe()
    }

    /// The newest meters, and each after them.
    pub fn meters(&self) -> watch::Receiver<Bytes> {
        self.meters.subscribe()
    }

    /// Whether the run is ending.
    pub fn ending(&self) -> watch::Receiver<bool> {
        self.end.subscribe()
    }

    /// The loudness of the last seconds, as JSON.
    pub fn history(&self) -> String {
        let mics = self.shown.borrow().plan().mics.len();
        let history = lock(&self.bench).history(mics);
        crate::wire::history(history.from_slot, SLOTS_A_SECOND, &history.channels)
    }

    /// Forgets all held peaks, clips and verdicts.
    pub fn reset(&self) {
        lock(&self.bench).reset();
    }

    /// Is to have something written into the hall file. An error says why not.
    pub fn write_hall(&self, wish: HallWish) -> Result<(), &'static str> {
        let Some(write) = &self.hall else {
            return Err("the hall file is written only while a piece of yours is played");
        };
        write(wish);
        Ok(())
    }

    /// Sends a gesture that was asked for as things stood. False: it was lost.
    pub fn act(&self, gesture: Gesture, by: Role, shown: &Shown) -> bool {
        let scene = shown.state.engine.scene_id();
        if let Gesture::Fire(_) = gesture {
            let mut fired = lock(&self.fired);
            if fired.is_some_and(|(from, at)| from == scene && at.elapsed() < AGAIN) {
                return true;
            }
            *fired = Some((scene, Instant::now()));
        }
        let who = match by {
            Role::Player => Who::PagePlayer,
            // A page that only watches may do nothing, so none of these is its.
            Role::Desk | Role::Watch => Who::PageDesk,
        };
        (self.act)(shown.plan(), gesture, who)
    }
}

/// Whether something is shown otherwise than before, besides the time: whoever holds what was shown sees by that itself
/// whether it has changed.
fn is_other(now: &RunState, before: &RunState) -> bool {
    !Arc::ptr_eq(&now.engine, &before.engine)
        || !Arc::ptr_eq(&now.conditions, &before.conditions)
        || now.learning != before.learning
        || now.kept != before.kept
}

/// Of each mic, then each output, of a changed piece: its place in the piece before.
fn channels(old: &Plan, new: &Plan) -> Vec<Option<usize>> {
    let outputs = places(&old.outputs, &new.outputs, |a, b| a.name == b.name);
    let after = |place: Option<usize>| place.map(|place| old.mics.len() + place);
    places(&old.mics, &new.mics, |a, b| a.name == b.name).into_iter().chain(outputs.into_iter().map(after)).collect()
}

/// No holder of these locks can leave them half changed, so a panic elsewhere does not spoil them.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;
    use tenterhook_plan::Recording;
    use tenterhook_plan::declare::Setting;

    /// NaN equals nothing, itself included: whoever compares the samples takes the piece for another each time.
    #[test]
    fn a_piece_that_is_shown_on_and_on_is_told_once_and_its_recordings_are_not_compared() {
        let recording =
            Recording { path: "rain.wav".to_owned(), rate: 48_000, tuned: 1.0, samples: Arc::new([f32::NAN; 8]) };
        let mut plan = crate::authorize::tests::plan();
        plan.instances[0].settings = vec![Setting::Sound(recording)];
        assert!(plan != plan.clone(), "the measure tells");
        let (first, copy) = (Arc::new(plan.clone()), Arc::new(plan));
        let about = About { rate: 48_000, opens: score::View::Score, rehearsal: true, declarations: Vec::new() };
        let told = PageTold { about, words: |_| String::new(), studies: false, writes_hall: false };
        let shared = Shared::new(Arc::clone(&first), told, Box::new(|_, _, _| true), None);
        for (plan, number) in [(&first, 0), (&copy, 1)] {
            for sample in 0..300 {
                shared.show(RunState { sample, ..RunState::new(EngineState::new(Arc::clone(plan))) });
            }
            assert_eq!(shared.shown().borrow().piece_number, number);
        }
    }
}
