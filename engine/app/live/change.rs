//! What a running engine can take over of a changed piece, and all that has to be told of it.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use tenterhook_config::Host;
use tenterhook_io::place::Over;
use tenterhook_io::{Facts, Hub, MidiPorts, Wish};
use tenterhook_plan::Plan;

use crate::failure::Failure;
use crate::live::relay::RelayInbox;
use crate::live::room::Room;
use crate::loading::Loaded;
use crate::whole;

/// Parts of MIDI port names that messages can tell apart.
const MOST_PORTS: usize = 64;

/// What comes of a changed piece.
#[derive(Debug, PartialEq, Eq)]
pub enum Change {
    /// It is the piece that plays already.
    Same,
    /// It takes over.
    Coming,
    /// Another is just taking over: ask again in a moment.
    Busy,
}

/// What a changed piece must fit into, and whom it concerns beside the engine.
pub struct Takeover {
    pub opened: Wish,
    pub facts: Facts,
    /// Channels of the recording in the place of the mics.
    pub recorded: Option<usize>,
    /// The version that was handed over last.
    pub newest: Mutex<Arc<Plan>>,
    /// The parts of MIDI port names of all versions.
    pub ports: Mutex<Vec<String>>,
    pub midi: Option<MidiPorts>,
    pub inbox: RelayInbox,
    /// The folder of the log.
    pub log: Option<PathBuf>,
    pub versions: AtomicU32,
}

impl Takeover {
    /// Puts a changed piece in the place of the one that plays. `wish`: what is wished of the device by now.
    pub fn change(&self, hub: &Hub, loaded: &Loaded, wish: &Wish) -> Result<Change, Failure> {
        let mut newest = self.newest.lock().unwrap_or_else(PoisonError::into_inner);
        let plan = &loaded.checked.plan;
        if **newest == *plan && self.same_device(wish) {
            return Ok(Change::Same);
        }
        let mut ports = self.ports.lock().unwrap_or_else(PoisonError::into_inner);
        let all_ports = plan.ports_after(&ports);
        self.fits(wish, &all_ports).map_err(Failure::Asked)?;
        // Beside the version that plays: both are there until one has taken over.
        Room::here(plan, self.facts.rate).refuse()?;
        let plan = Arc::new(plan.clone());
        self.inbox.ready(&plan, hub);
        if !hub.replace(Arc::clone(&plan)) {
            return Ok(Change::Busy);
        }
        self.inbox.change(&plan);
        if let Some(midi) = self.midi.as_ref().filter(|_| *ports != all_ports) {
            midi.change(all_ports.clone());
        }
        (*ports, *newest) = (all_ports, plan);
        Ok(Change::Coming)
    }

    /// Why OSC is not heard, though the piece asks for it; it is tried again now and then.
    pub fn unheard(&self, hub: &Hub) -> Option<String> {
        let newest = Arc::clone(&self.newest.lock().unwrap_or_else(PoisonError::into_inner));
        self.inbox.try_again(&newest, hub)
    }

    fn same_device(&self, wish: &Wish) -> bool {
        let Wish { host, input, output, rate, block, .. } = &self.opened;
        (host, input, output, rate, block) == (&wish.host, &wish.input, &wish.output, &wish.rate, &wish.block)
    }

    /// Whether the device, opened as it is, has all that is wished; if not, why, in words.
    fn fits(&self, wish: &Wish, ports: &[String]) -> Result<(), String> {
        const AGAIN: &str = "end the program and start it again for that";
        if !self.same_device(wish) {
            return Err(format!("the hall's [device] has changed, and the device is open: {AGAIN}"));
        }
        let jack = self.facts.host == Host::Jack;
        let (old, new) = (&self.opened.wiring, &wish.wiring);
        let inputs = self.recorded.unwrap_or(self.facts.inputs);
        let ports_in = jack && self.recorded.is_none();
        for (way, old, new, has, by_port) in [
            ("input", &old.inputs, &new.inputs, inputs, ports_in),
            ("output", &old.outputs, &new.outputs, self.facts.outputs, jack),
        ] {
            for (channel, name) in new.iter().enumerate().filter_map(|(n, name)| Some((n, name.as_ref()?))) {
                let number = channel + 1;
                if by_port && old.get(channel) != Some(&Some(name.clone())) {
                    return Err(format!("`{name}` on {way} {number} has no port of that name under JACK: {AGAIN}"));
                }
                if channel >= has {
                    return Err(format!("`{name}` is on {way} {number}, but {has} are open: {AGAIN}"));
                }
            }
        }
        if jack && let Some(port) = new.ports.iter().find(|port| !old.ports.contains(port)) {
            return Err(format!("there is no MIDI port `{port}` under JACK: {AGAIN}"));
        }
        if ports.len() > MOST_PORTS {
            return Err(format!("more than {MOST_PORTS} names of MIDI ports since the start: {AGAIN}"));
        }
        Ok(())
    }

    /// Keeps a version that takes over beside the log, which began with another; the name of its file.
    pub fn keep(&self, loaded: &Loaded) -> Result<Option<String>, String> {
        let Some(folder) = &self.log else { return Ok(None) };
        // One made anew would stand in the way of the log's own, should somebody bring that back.
        if !folder.is_dir() {
            return Err(format!("the folder {} was removed or moved", folder.display()));
        }
        let texts = [("piece", Some(&loaded.piece)), ("hall", loaded.hall.as_ref())];
        let texts: Vec<_> = texts.into_iter().filter_map(|(kind, text)| Some((kind, text?.text.as_bytes()))).collect();
        loop {
            let number = self.versions.fetch_add(1, Ordering::Relaxed) + 2;
            let names: Vec<_> = texts.iter().map(|(kind, _)| PathBuf::from(format!("{kind}-{number}.toml"))).collect();
            // Somebody may have put files of such names there.
            if whole::free(folder, names.iter().map(PathBuf::as_path), Over::Nothing).is_ok() {
                let files: Vec<_> =
                    names.iter().map(PathBuf::as_path).zip(texts.iter().map(|(_, text)| *text)).collect();
                whole::write(folder, &files, Over::Nothing).map_err(|why| why.brief())?;
                return Ok(Some(format!("piece-{number}.toml")));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tenterhook_config::Text;
    use tenterhook_io::Wiring;

    const PIECE: &str = "mics = { voice = 1, viol = 2 }\noutputs = { left = 1, right = 3 }\n\
                         controllers = { foot = { cc = 11, port = \"Foot\" } }\n[[scene]]\nmark = \"A\"\n\
                         mic.voice.direct = { by = \"foot\" }\nmic.viol.freeze = { by = \"scene\" }\n";

    fn wish(piece: &str) -> (Wish, Plan) {
        let plan = tenterhook_config::check(&Text::new("reed.toml", piece), None).expect("nothing is wrong").plan;
        (Wish::any(Wiring::of(&plan).unwrap()), plan)
    }

    fn takeover(host: Host) -> Takeover {
        let (opened, plan) = wish(PIECE);
        let facts =
            Facts { host, rate: 48_000, device_rate: 48_000, block: 128, inputs: 2, outputs: 3, words: String::new() };
        Takeover {
            opened,
            facts,
            recorded: None,
            ports: Mutex::new(plan.ports_after(&[])),
            newest: Mutex::new(Arc::new(plan)),
            midi: None,
            inbox: RelayInbox::default(),
            log: None,
            versions: AtomicU32::new(0),
        }
    }

    /// What is said of a changed piece.
    fn said(of: &Takeover, from: &str, to: &str) -> Result<(), String> {
        assert!(PIECE.contains(from), "{from}");
        let (wish, plan) = wish(&PIECE.replace(from, to));
        of.fits(&wish, &plan.ports_after(&of.ports.lock().unwrap()))
    }

    #[test]
    fn what_the_open_device_cannot_do_is_refused_in_words() {
        let (clock, jack) = (takeover(Host::Clock), takeover(Host::Jack));
        for (of, from, to, words) in [
            (&clock, "viol = 2", "viol = 3", "`viol` is on input 3, but 2 are open"),
            (&clock, "right = 3", "right = 4", "`right` is on output 4, but 3 are open"),
            (&jack, "viol = 2", "viol = 3", "`viol` on input 3 has no port of that name under JACK"),
            (&jack, "right = 3", "right = 2", "`right` on output 2 has no port of that name"),
            (&jack, "voice = 1, viol = 2", "voice = 2, viol = 1", "`viol` on input 1 has no port of that name"),
            (&jack, "\"Foot\"", "\"Wheel\"", "there is no MIDI port `Wheel` under JACK"),
        ] {
            let why = said(of, from, to).expect_err(to);
            assert!(why.contains(words) && why.contains("start it again"), "{to}: {why}");
        }
        for (of, from, to) in [
            (&clock, "voice = 1, viol = 2", "voice = 2, viol = 1"),
            (&clock, "right = 3", "right = 2"),
            (&clock, "\"Foot\"", "\"Wheel\""),
            (&jack, "freeze", "reverse"),
            (&jack, ", right = 3", ""),
        ] {
            assert_eq!(said(of, from, to), Ok(()), "{to}");
        }
        let (mut wish, plan) = wish(PIECE);
        wish.rate = Some(44_100);
        let why = clock.fits(&wish, &plan.ports_after(&[])).unwrap_err();
        assert!(why.contains("[device]"), "{why}");
        // A recording has no ports, but channels.
        let recorded = |channels| Takeover { recorded: Some(channels), ..takeover(Host::Jack) };
        assert!(said(&recorded(2), "viol = 2", "viol = 3").unwrap_err().contains("but 2 are open"));
        assert_eq!(said(&recorded(3), "viol = 2", "viol = 3"), Ok(()));
    }

    #[test]
    fn each_version_is_kept_beside_the_log_under_its_own_number() {
        let folder = tempfile::tempdir().unwrap();
        let of = Takeover { log: Some(folder.path().to_owned()), ..takeover(Host::Clock) };
        let loaded = || crate::loading::Loaded {
            piece: Text::new("reed.toml", PIECE),
            hall: None,
            checked: tenterhook_config::check(&Text::new("reed.toml", PIECE), None).unwrap(),
            files: Vec::new(),
        };
        assert_eq!(of.keep(&loaded()), Ok(Some("piece-2.toml".to_owned())));
        assert_eq!(of.keep(&loaded()), Ok(Some("piece-3.toml".to_owned())));
        assert_eq!(std::fs::read_to_string(folder.path().join("piece-3.toml")).unwrap(), PIECE);
        assert_eq!(takeover(Host::Clock).keep(&loaded()), Ok(None));
    }
}
