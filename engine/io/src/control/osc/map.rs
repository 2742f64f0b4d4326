//! What messages mean: which address works what, and when.

use super::addresses::{BACK, CONTROLLER, FIRE, HUSH, LEVEL, MUTE, NEXT, RELAY, named, trim_address};
use super::pairing::PairingTold;
use super::{addresses, time};
use rosc::address::{Matcher, OscAddress};
use rosc::{OscBundle, OscMessage, OscPacket, OscType, decoder};
use std::sync::Arc;
use std::time::Duration;
use tenterhook_plan::condition::Nonsense;
use tenterhook_plan::{Address, Controller, ControllerId, Gesture, MicId, OutputId, Plan, SceneId, TrimId};

/// A packet holds no more bundles than this: the decoder calls itself for each that is nested in another.
const MOST_BUNDLES: usize = 256;
/// A bundle whose time is further ahead than this is a mistake of its sender's clock, not a wish.
pub(crate) const MOST_AHEAD: Duration = Duration::from_secs(60);

/// Which OSC address works what in a piece.
#[derive(Clone, Debug)]
pub struct OscMap {
    plan: Arc<Plan>,
    /// It has the fixed addresses as well.
    everything: bool,
    places: Vec<AddressPlace>,
}

#[derive(Clone, Debug)]
struct AddressPlace {
    path: String,
    address: OscAddress,
    works: Works,
}

/// What a message works.
#[derive(Clone, Copy, Debug)]
enum Works {
    /// A controller by the address that the piece gives it: scaled and bent.
    Own(ControllerId),
    /// A controller as in a file of gestures.
    Value(ControllerId),
    Fire,
    Hush,
    Next,
    Back,
    Level(Option<OutputId>),
    Trim(TrimId),
    Mute(MicId),
}

/// What was read of a packet beside its gestures.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Read {
    /// Which machine told it, if one did.
    pub told: Option<PairingTold>,
    /// Messages that make no sense.
    pub senseless: u64,
    /// Bundles whose time is too far ahead.
    pub far: u64,
    /// The first that made no sense: its address, and why.
    pub first: Option<(String, Nonsense)>,
}

impl Read {
    fn refuse(&mut self, path: &str, why: Nonsense) {
        let count = if why == Nonsense::Far { &mut self.far } else { &mut self.senseless };
        *count += 1;
        self.first.get_or_insert_with(|| (path.to_owned(), why));
    }
}

/// A gesture, and how long it is to wait.
pub(crate) type OscDue = (Duration, Gesture);

/// Calls `hear` for the address of every message in a packet, with its first number.
pub(crate) fn numbers(packet: &[u8], hear: &mut impl FnMut(&str, f64)) {
    fn within(packet: &OscPacket, hear: &mut impl FnMut(&str, f64)) {
        match packet {
            OscPacket::Message(message) => {
                if let Some(number) = message.args.iter().find_map(number) {
                    hear(&message.addr, number);
                }
            }
            OscPacket::Bundle(bundle) => bundle.content.iter().for_each(|inner| within(inner, hear)),
        }
    }
    if bundles(packet) <= MOST_BUNDLES
        && let Ok((_, packet)) = decoder::decode_udp(packet)
    {
        within(&packet, hear);
    }
}

impl OscMap {
    /// The addresses that a piece gives its controllers.
    pub fn of(plan: &Plan) -> Self {
        Self::from(Arc::new(plan.clone()), false)
    }

    /// The same, and beside them the fixed addresses of everything.
    pub fn of_everything(plan: &Plan) -> Self {
        Self::from(Arc::new(plan.clone()), true)
    }

    pub(crate) fn from(plan: Arc<Plan>, everything: bool) -> Self {
        let mut places = Vec::new();
        let mut add = |path: String, works| {
            // Whatever the checker lets through and names that are encoded are addresses.
            if let Ok(address) = OscAddress::new(path.clone()) {
                places.push(AddressPlace { path, address, works });
            }
        };
        for (index, controller) in plan.controllers.iter().enumerate() {
            let id = ControllerId::new(index);
            if let Address::Osc { path, .. } = &controller.address {
                add(path.clone(), Works::Own(id));
            }
            // Loudness is computed, and never told.
            if everything && !controller.is_loudness() {
                add(named(CONTROLLER, &controller.name), Works::Value(id));
            }
        }
        if everything {
            for (path, works) in [
                (FIRE, Works::Fire),
                (HUSH, Works::Hush),
                (NEXT, Works::Next),
                (BACK, Works::Back),
                (LEVEL, Works::Level(None)),
            ] {
                add(path.to_owned(), works);
            }
            for (index, output) in plan.outputs.iter().enumerate() {
                add(named(LEVEL, &output.name), Works::Level(Some(OutputId::new(index))));
            }
            for (index, trim) in plan.trims.iter().enumerate() {
                add(trim_address(trim, &plan), Works::Trim(TrimId::new(index)));
            }
            for (index, mic) in plan.mics.iter().enumerate() {
                add(named(MUTE, &mic.name), Works::Mute(MicId::new(index)));
            }
        }
        Self { plan, everything, places }
    }

    /// Whether no message works anything.
    pub fn is_empty(&self) -> bool {
        self.places.is_empty()
    }

    /// The piece whose ids its gestures mean.
    pub(crate) fn plan(&self) -> &Arc<Plan> {
        &self.plan
    }

    /// Calls `act` for every gesture in a packet, in order and whatever its time. Returns how many messages of it make no
    /// sense: the packet itself, a message without what its address asks for, or a bundle whose time is far ahead.
    pub fn gestures(&self, packet: &[u8], act: &mut impl FnMut(Gesture)) -> u64 {
        let mut due = Vec::new();
        let read = self.read(packet, time::now(), &mut due);
        due.into_iter().for_each(|(_, gesture)| act(gesture));
        read.senseless + read.far
    }

    /// Adds to `due` every gesture in a packet that came at `now`, a time of the network (see [`time`]).
    pub(crate) fn read(&self, packet: &[u8], now: u64, due: &mut Vec<OscDue>) -> Read {
        let mut read = Read::default();
        if bundles(packet) > MOST_BUNDLES {
            read.refuse("", Nonsense::Packet);
            return read;
        }
        match decoder::decode_udp(packet) {
            Ok((_, OscPacket::Message(message))) => self.message(&message, Duration::ZERO, due, &mut read),
            Ok((_, OscPacket::Bundle(bundle))) => self.bundle(&bundle, Duration::ZERO, now, due, &mut read),
            Err(_) => read.refuse("", Nonsense::Packet),
        }
        read
    }

    /// A bundle in another never acts before it (OSC 1.0: its time must not be earlier).
    fn bundle(&self, bundle: &OscBundle, least: Duration, now: u64, due: &mut Vec<OscDue>, read: &mut Read) {
        let wait = time::until(bundle.timetag, now).max(least);
        if wait > MOST_AHEAD {
            let path = bundle.content.iter().find_map(|inner| match inner {
                OscPacket::Message(message) => Some(message.addr.as_str()),
                OscPacket::Bundle(_) => None,
            });
            read.refuse(path.unwrap_or_default(), Nonsense::Far);
            return;
        }
        for inner in &bundle.content {
            match inner {
                OscPacket::Message(message) => self.message(message, wait, due, read),
                OscPacket::Bundle(bundle) => self.bundle(bundle, wait, now, due, read),
            }
        }
    }

    fn message(&self, message: &OscMessage, wait: Duration, due: &mut Vec<OscDue>, read: &mut Read) {
        if message.addr == RELAY {
            match PairingTold::read(&message.args) {
                Some(told) => read.told = Some(told),
                None => read.refuse(&message.addr, Nonsense::NoNumber),
            }
            return;
        }
        // OSC 1.0: what is sent may be a pattern.
        let Ok(matcher) = Matcher::new(&message.addr) else {
            read.refuse(&message.addr, Nonsense::Address);
            return;
        };
        let pattern = message.addr.contains(['*', '?', '[', '{']);
        let mut known = false;
        for AddressPlace { path, address, works } in &self.places {
            if *path != message.addr && !(pattern && matcher.match_address(address)) {
                continue;
            }
            known = true;
            match self.gesture(*works, &message.args) {
                Meant::Gesture(gesture) => due.push((wait, gesture)),
                Meant::Nothing => {}
                Meant::Nonsense(why) => read.refuse(&message.addr, why),
            }
        }
        // What others tell each other is none of ours; our own addresses are.
        if !known && self.everything && addresses::asks(&message.addr) {
            read.refuse(&message.addr, Nonsense::Nothing);
        }
    }

    fn gesture(&self, works: Works, arguments: &[OscType]) -> Meant {
        let first = arguments.iter().find_map(number);
        let gesture = match works {
            Works::Own(id) => {
                first.zip(self.plan.controllers.get(id.index())).map(|(number, one)| own(id, one, number))
            }
            Works::Value(id) => first.map(|value| Gesture::Controller { id, value: value as f32 }),
            Works::Fire => arguments.iter().find_map(|argument| self.mark(argument)).map(Gesture::Fire),
            Works::Hush => first.map(|number| Gesture::Hush(number >= 0.5)),
            // A button says 0 when it is let go.
            Works::Next | Works::Back if first.is_some_and(|number| number < 0.5) => return Meant::Nothing,
            Works::Next => Some(Gesture::Next),
            Works::Back => Some(Gesture::Back),
            Works::Level(output) => first.map(|db| Gesture::Level { output, db: db as f32 }),
            Works::Trim(trim) => first.map(|db| Gesture::Trim { trim, db: db as f32 }),
            Works::Mute(mic) => first.map(|number| Gesture::Mute { mic, muted: number >= 0.5 }),
        };
        let why = if matches!(works, Works::Fire) { Nonsense::NoMark } else { Nonsense::NoNumber };
        gesture.map_or(Meant::Nonsense(why), Meant::Gesture)
    }

    fn mark(&self, argument: &OscType) -> Option<SceneId> {
        let OscType::String(mark) = argument else { return None };
        self.plan.scenes.iter().position(|scene| scene.mark == *mark).map(SceneId::new)
    }
}

enum Meant {
    Gesture(Gesture),
    Nothing,
    Nonsense(Nonsense),
}

fn own(id: ControllerId, controller: &Controller, number: f64) -> Gesture {
    let scaled = match controller.address {
        Address::Osc { from, to, .. } => ((number - from) / (to - from)) as f32,
        _ => number as f32,
    };
    if controller.latch {
        Gesture::Press { id, down: scaled >= 0.5 }
    } else {
        Gesture::Controller { id, value: controller.curve.bend(scaled) }
    }
}

/// The number that an argument is; NaN and infinity are none.
fn number(argument: &OscType) -> Option<f64> {
    let number = match *argument {
        OscType::Int(number) => f64::from(number),
        OscType::Long(number) => number as f64,
        OscType::Float(number) => f64::from(number),
        OscType::Double(number) => number,
        OscType::Bool(number) => f64::from(u8::from(number)),
        _ => return None,
    };
    number.is_finite().then_some(number)
}

/// How many bundles a packet holds at most, and so how deep they can be nested.
fn bundles(packet: &[u8]) -> usize {
    packet.windows(8).filter(|window| *window == b"#bundle\0").count()
}
