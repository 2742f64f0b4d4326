//! Other machines and programs: who works the show by OSC, and who is told of it.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use crossbeam_channel::Sender;
use tenterhook_io::{BackupPairing, Done, Hub, Osc, OscCounts, OscMap, Receiver, Relay};
use tenterhook_plan::Plan;

use crate::cli::OscOptions;
use crate::failure::Failure;
use crate::say::say;

/// Where OSC is listened for, unless one says otherwise.
pub const ADDRESS: SocketAddr = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 4151);

/// What is made ready before the engine runs, so that nothing it applies is missed.
pub struct Ready {
    listen: Option<SocketAddr>,
    comes_back: bool,
    to: Vec<Receiver>,
    heard: Option<crossbeam_channel::Receiver<Done>>,
}

impl Ready {
    /// Finds the receivers. What is applied must be told to the channel that comes with it, if there is one.
    /// `comes_back`: the show begins also where what it asks for cannot be had.
    pub fn new(options: &OscOptions, comes_back: bool) -> Result<(Self, Option<Sender<Done>>), Failure> {
        let to = options.osc_to.iter().map(|name| Receiver::find(name)).collect::<Result<Vec<_>, _>>();
        let to = to.map_err(Failure::asked)?;
        let (told, heard) = match options.osc.is_some() || !to.is_empty() {
            true => Some(Hub::subscription()).unzip(),
            false => (None, None),
        };
        Ok((Self { listen: options.osc, comes_back, to, heard }, told))
    }

    /// Whether somebody is told of pitch and onsets.
    pub fn tells(&self) -> bool {
        !self.to.is_empty()
    }

    /// Begins to listen and to tell.
    pub fn open(self, plan: &Arc<Plan>, hub: &Hub) -> Result<(RelayInbox, Option<Relay>), Failure> {
        let Self { listen, comes_back, to, heard } = self;
        let follow = Arc::new(BackupPairing::new(listen.is_some()));
        let readings = (!to.is_empty()).then(|| hub.readings());
        let relay = heard.map(|heard| Relay::start(&to, Arc::clone(&follow), heard, readings, hub.window()));
        let relay = relay.transpose().map_err(Failure::running)?;
        let inbox = RelayInbox::default();
        inbox.lock().asked = listen.map(|address| (address, follow));
        match inbox.ready(plan, hub) {
            Some(why) if listen.is_some() && !comes_back => Err(Failure::Asked(why)),
            _ => Ok((inbox, relay)),
        }
    }
}

/// What listens for OSC.
#[derive(Default)]
pub struct RelayInbox(Mutex<RelayListening>);

#[derive(Default)]
struct RelayListening {
    osc: Option<Osc>,
    /// Where it is to be listened for everything, if somebody asked for that.
    asked: Option<(SocketAddr, Arc<BackupPairing>)>,
    /// Why nobody listens though somebody or the piece asks for it, and when that was tried.
    unheard: Option<(String, Instant)>,
}

/// How often a port that somebody else has is tried again.
const AGAIN: Duration = Duration::from_secs(1);

impl RelayInbox {
    fn lock(&self) -> std::sync::MutexGuard<'_, RelayListening> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins to listen, if somebody or a piece asks for it and nobody listens yet; why that cannot be. What a piece asks
    /// for keeps no show from beginning: see [`try_again`](Self::try_again).
    pub fn ready(&self, plan: &Arc<Plan>, hub: &Hub) -> Option<String> {
        let mut inbox = self.lock();
        let map = OscMap::of(plan);
        if inbox.osc.is_some() || inbox.asked.is_none() && map.is_empty() {
            inbox.unheard = None;
            return None;
        }
        let events = hub.events().of(plan);
        let heard = match inbox.asked.clone() {
            Some((address, follow)) => Osc::listen_to_everything(address, plan, events, follow, hub.window()),
            None => Osc::listen(ADDRESS, map, events),
        };
        match heard {
            Ok(osc) => {
                (inbox.osc, inbox.unheard) = (Some(osc), None);
                None
            }
            Err(why) => {
                inbox.unheard = Some((why.to_string(), Instant::now()));
                Some(why.to_string())
            }
        }
    }

    /// Why OSC is not heard, after another try if the last one is a while ago.
    pub fn try_again(&self, plan: &Arc<Plan>, hub: &Hub) -> Option<String> {
        let due = self.lock().unheard.as_ref().is_some_and(|(_, at)| at.elapsed() > AGAIN);
        if due {
            self.ready(plan, hub);
        }
        self.lock().unheard.as_ref().map(|(why, _)| why.clone())
    }

    /// From now on messages mean what a changed piece says.
    pub fn change(&self, plan: &Arc<Plan>) {
        if let Some(osc) = &self.lock().osc {
            osc.change(plan);
        }
    }

    /// Does something with what listens, if anybody does.
    pub fn with<T>(&self, act: impl FnOnce(Option<&Osc>) -> T) -> T {
        act(self.lock().osc.as_ref())
    }

    /// Where it listens, and what came in and did not act.
    pub fn look(&self) -> Option<(SocketAddr, OscCounts)> {
        self.lock().osc.as_ref().map(|osc| (osc.address(), osc.counts()))
    }
}

/// Says what those should know who open the show to others.
pub fn caution(options: &OscOptions) {
    if let Some(address) = options.osc.filter(|address| !address.ip().is_loopback()) {
        say(format_args!("caution: OSC is open at {address}: whoever reaches it over the network can work the show"));
    }
    if !options.osc_to.is_empty() {
        say(format_args!(
            "OSC is sent to {}. Caution: where it moves lights, flashes can harm people with photosensitive epilepsy; \
             where it moves mechanical instruments, these can injure hands. BackupPairing your local rules and your licensed \
             technicians.",
            options.osc_to.join(" and "),
        ));
    }
}
