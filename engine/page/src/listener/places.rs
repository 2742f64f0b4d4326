//! The places that connections take, who makes room for the next, and who has to wait outside.
//!
//! A connection is one of two things. Until it becomes a page it asks and is answered: of these there is a number for
//! all, and when they are taken the network with the most of them gives one up, so that an address has a share however
//! often it comes. A page has a place of its role: no watching page ever takes one that is kept for desk or players.

use crate::access::Role;
use crate::pace::{ByNetwork, Pace, Purse, network};
use socket2::SockRef;
use std::collections::{HashMap, VecDeque};
use std::net::{IpAddr, Shutdown};
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};
use std::time::{Duration, Instant};
use tokio::net::TcpStream;

/// Pages of each role.
const MOST_PAGES: usize = 64;
/// How many pages of a role a network may open, those of the desk not counted: all phones of a hall may come back at once,
/// and who watches takes nothing from a player behind the same router.
const OPENED: Pace = Pace { a_second: 8.0, at_once: 64.0 };
/// Whoever flooded the page does not come back so soon.
const AWAY: Duration = Duration::from_secs(10);
/// How many of those are remembered.
const MOST_AWAY: usize = 256;

/// What a connection does; the lower its number, the longer.
#[derive(Clone, Copy)]
enum Does {
    /// Waits for a request.
    Waits(u64),
    Answers(u64),
    /// It has become a page.
    Shows(Role),
}

struct PagePlace {
    stream: Weak<TcpStream>,
    network: IpAddr,
    /// What its last request came in as.
    role: Option<Role>,
    does: Does,
}

impl PagePlace {
    /// Who makes room before others: first those that wait, then those that nobody answers as desk or player.
    fn gives_way(&self) -> Option<(bool, u64)> {
        match self.does {
            Does::Waits(since) => Some((false, since)),
            Does::Answers(_) if matches!(self.role, Some(Role::Desk | Role::Player)) => None,
            Does::Answers(since) => Some((true, since)),
            Does::Shows(_) => None,
        }
    }
}

struct PlaceTaken {
    /// Counts what happens: says which was first.
    count: u64,
    by: HashMap<u64, PagePlace>,
    /// By role.
    opened: [ByNetwork<Purse>; Role::ALL.len()],
    /// Who was let go, as what, and when.
    away: VecDeque<(IpAddr, Role, Instant)>,
}

impl PlaceTaken {
    fn next(&mut self) -> u64 {
        self.count += 1;
        self.count
    }

    /// How many pages of a role each network has.
    fn pages(&self, role: Role) -> HashMap<IpAddr, usize> {
        count(self.by.values().filter(|place| matches!(place.does, Does::Shows(as_) if as_ == role)))
    }

    fn close(&mut self, id: u64) {
        if let Some(place) = self.by.remove(&id) {
            close(&place);
        }
    }
}

fn count<'a>(places: impl Iterator<Item = &'a PagePlace>) -> HashMap<IpAddr, usize> {
    let mut of = HashMap::new();
    places.for_each(|place| *of.entry(place.network).or_default() += 1);
    of
}

/// Why a page finds no place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum NoPlace {
    /// All are taken.
    Full,
    /// It is to come again after this long.
    Later(Duration),
}

/// A bounded number of places.
pub(super) struct Places {
    most: usize,
    taken: Mutex<PlaceTaken>,
}

impl Places {
    /// So many for connections that are no pages.
    pub(super) fn new(most: usize) -> Arc<Self> {
        let opened = Role::ALL.map(|_| ByNetwork::new(Purse::new(OPENED, Instant::now())));
        let taken = PlaceTaken { count: 0, by: HashMap::new(), opened, away: VecDeque::new() };
        Arc::new(Self { most, taken: Mutex::new(taken) })
    }

    fn taken(&self) -> MutexGuard<'_, PlaceTaken> {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A place for `stream`, which waits from now on. `None` if there is none and nobody makes room.
    pub(super) fn take(self: &Arc<Self>, stream: &Arc<TcpStream>, peer: IpAddr) -> Option<Arc<Ticket>> {
        let no_pages = |place: &&PagePlace| !matches!(place.does, Does::Shows(_));
        if self.taken().by.values().filter(no_pages).count() >= self.most && !self.make_room() {
            return None;
        }
        let mut taken = self.taken();
        let id = taken.next();
        let place =
            PagePlace { stream: Arc::downgrade(stream), network: network(peer), role: None, does: Does::Waits(id) };
        taken.by.insert(id, place);
        Some(Arc::new(Ticket { id, shows: AtomicU8::new(NOTHING), places: Arc::clone(self) }))
    }

    /// Closes a connection of the network that has most of those that give way; whether there was one.
    pub(super) fn make_room(&self) -> bool {
        let mut taken = self.taken();
        let of = count(taken.by.values().filter(|place| place.gives_way().is_some()));
        let ways = taken.by.iter().filter_map(|(id, place)| Some((place, place.gives_way()?, *id)));
        let first = ways.min_by_key(|(place, way, _)| (std::cmp::Reverse(of.get(&place.network)), *way));
        let Some((.., id)) = first else { return false };
        taken.close(id);
        true
    }

    pub(super) fn close_all(&self) {
        self.taken().by.values().for_each(close);
    }

    pub(super) fn is_empty(&self) -> bool {
        self.taken().by.is_empty()
    }
}

/// Whoever reads or writes it learns that it has ended, and drops it.
fn close(place: &PagePlace) {
    if let Some(stream) = place.stream.upgrade() {
        // It may have ended by itself just now.
        let _ = SockRef::from(&*stream).shutdown(Shutdown::Both);
    }
}

/// What is no page.
const NOTHING: u8 = u8::MAX;

/// Holds a place until it is dropped.
pub(crate) struct Ticket {
    id: u64,
    /// The role of the page that it is.
    shows: AtomicU8,
    places: Arc<Places>,
}

impl Ticket {
    /// Says as what a request on this connection comes in.
    pub(crate) fn comes_as(&self, role: Option<Role>) {
        if let Some(place) = self.places.taken().by.get_mut(&self.id) {
            place.role = role;
        }
    }

    /// Becomes a page. Where all places of its role are taken, a network with at least two more of them than this one's
    /// gives up its latest.
    ///
    /// # Errors
    /// If there is no place, or not yet.
    pub(crate) fn becomes(&self, role: Role, now: Instant) -> Result<(), NoPlace> {
        let mut taken = self.places.taken();
        let Some(network) = taken.by.get(&self.id).map(|place| place.network) else { return Err(NoPlace::Full) };
        if role != Role::Desk {
            let away = taken.away.iter().filter(|(who, as_, _)| *who == network && *as_ == role);
            let waits = away.map(|(.., since)| AWAY.saturating_sub(now.saturating_duration_since(*since))).max();
            if let Some(wait) = waits.filter(|wait| !wait.is_zero()) {
                return Err(NoPlace::Later(wait));
            }
            let opened = taken.opened[role as usize].of(network);
            if opened.left(now) < 1.0 {
                return Err(NoPlace::Later(opened.until(1.0)));
            }
            opened.take(1.0);
        }
        let pages = taken.pages(role);
        if pages.values().sum::<usize>() >= MOST_PAGES {
            let own = pages.get(&network).copied().unwrap_or(0);
            let most = pages.into_iter().max_by_key(|(_, pages)| *pages).filter(|(_, pages)| *pages > own + 1);
            let Some((most, _)) = most else { return Err(NoPlace::Full) };
            let of = taken.by.iter().filter(|(_, place)| place.network == most);
            let latest =
                of.filter(|(_, place)| matches!(place.does, Does::Shows(as_) if as_ == role)).map(|(id, _)| *id);
            if let Some(latest) = latest.max() {
                taken.close(latest);
            }
        }
        if let Some(place) = taken.by.get_mut(&self.id) {
            place.does = Does::Shows(role);
        }
        self.shows.store(role as u8, Ordering::Relaxed);
        Ok(())
    }

    /// As what it is a page, if it is one.
    pub(super) fn shows(&self) -> Option<Role> {
        Role::ALL.get(usize::from(self.shows.load(Ordering::Relaxed))).copied()
    }

    /// It flooded the page: no page of its network and its role comes back for a while. The desk does: others are not
    /// to shut it out, and whoever has its key could do worse.
    pub(crate) fn flooded(&self) {
        let Some(role) = self.shows() else { return };
        let mut taken = self.places.taken();
        let Some(network) = taken.by.get(&self.id).map(|place| place.network) else { return };
        if taken.away.len() >= MOST_AWAY {
            taken.away.pop_front();
        }
        taken.away.push_back((network, role, Instant::now()));
    }
}

impl Drop for Ticket {
    fn drop(&mut self) {
        self.places.taken().by.remove(&self.id);
    }
}

/// The connection is being answered until this is dropped.
pub(super) struct Busy {
    ticket: Arc<Ticket>,
}

impl Busy {
    pub(super) fn new(ticket: Arc<Ticket>) -> Self {
        ticket.does(Does::Answers);
        Self { ticket }
    }
}

impl Ticket {
    fn does(&self, what: fn(u64) -> Does) {
        let mut taken = self.places.taken();
        let now = taken.next();
        // A page never waits for a request again.
        if let Some(place) = taken.by.get_mut(&self.id).filter(|place| !matches!(place.does, Does::Shows(_))) {
            place.does = what(now);
        }
    }
}

impl Drop for Busy {
    fn drop(&mut self) {
        self.ticket.does(Does::Waits);
    }
}
