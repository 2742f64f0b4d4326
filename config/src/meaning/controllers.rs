//! Controllers: what reaches each, and that no message reaches two.

use super::names::NamesInUse;
use crate::keys;
use crate::kind::Kind;
use crate::meant::WantedValue;
use crate::near;
use crate::place::Place;
use crate::report::Findings;
use crate::unit::{self, UnitTrouble};
use crate::written::{
    ACTS_BESIDE, ADDRESS_KEYS, At, End, FINE_CCS, LOUDNESS_DB, NamedTable, SWITCH_CCS, SWITCHES, Said,
    WrittenController as Written, WrittenPiece,
};
use tenterhook_plan::declare::Unit;
use tenterhook_plan::{Address, Controller, ControllerId, Message, Reads};

/// How many different `port`s a piece may ask for: a MIDI message carries one bit for each.
const PORTS: usize = 64;

/// A controller's address and its keys, as far as they can be read.
pub(super) fn resolve(names: &NamesInUse<'_>, findings: &mut Findings) -> Vec<Controller> {
    let mut controllers = Vec::new();
    let mut ports: Vec<&str> = Vec::new();
    for (at, named) in names.controllers.iter().enumerate() {
        let written = &named.what;
        let kinds = kinds(written);
        let like = like(names, at, findings).filter(|_| kinds.len() == 1);
        if let [first, second, ..] = kinds[..] {
            let (later, (one, other)) = (first.1.max(second.1), (first.0, second.0));
            let message = format!("\"{}\" has two addresses: {one} and {other}", named.name);
            findings.add(Kind::SeveralAddresses, later, message, "keep one, or write a controller for each");
        } else {
            useless_keys(written, kinds.first().copied(), findings);
        }
        if let Some(port) = written.port.at() {
            if port.value.is_empty() {
                findings.add(
                    Kind::BadName,
                    port.place,
                    "the name of a port is empty",
                    "leave `port` out to mean any port",
                );
            } else if !ports.contains(&port.value.as_str()) {
                ports.push(&port.value);
                if ports.len() > PORTS {
                    let message = format!("this piece asks for more than {PORTS} different ports");
                    findings.add(Kind::TooMany, port.place, message, "leave `port` out where any port will do");
                }
            }
        }
        let address = match like {
            Some(like) => shared_address(named, &names.controllers[like.index()], names, findings),
            None => address(named, names, findings),
        };
        let latch = written.latch.value().copied().unwrap_or(false) && !matches!(address, Address::Loudness { .. });
        controllers.push(Controller {
            name: named.name.clone(),
            address,
            like,
            curve: written.curve.value().copied().unwrap_or_default(),
            latch,
            rise: written.rise.value().copied().unwrap_or(0.0),
            fall: written.fall.value().copied(),
        });
    }
    clashes(names.controllers, &controllers, findings);
    controllers
}

/// The controller whose address one has as well.
fn like(names: &NamesInUse<'_>, at: usize, findings: &mut Findings) -> Option<ControllerId> {
    let named = &names.controllers[at];
    let said = named.what.like.at()?;
    if said.value == named.name {
        let message = format!("\"{}\" is like itself", named.name);
        findings.add(Kind::UnknownController, said.place, message, "name the controller that has the address");
        return None;
    }
    let other = names.controller(said, false, findings)?;
    if let Some(further) = names.controllers[other.index()].what.like.at() {
        let message = format!("\"{}\" is itself like \"{}\", and has no address of its own", said.value, further.value);
        let remedy = match further.value == named.name {
            true => format!("write the address at one of the two: {} = {{ cc = 64 }}, say", near::key(&named.name)),
            false => format!("write like = {:?}", further.value),
        };
        findings.add(Kind::LikeOfLike, said.place, message, remedy);
        return None;
    }
    Some(other)
}

/// The address of another controller, as this one reads it. What is wrong with the address itself is told there.
fn shared_address(
    named: &NamedTable<Written>,
    other: &NamedTable<Written>,
    names: &NamesInUse<'_>,
    findings: &mut Findings,
) -> Address {
    let whole = NamedTable { what: named.what.with_address_of(&other.what), ..named.clone() };
    let mut found = Findings::default();
    useless_keys(&whole.what, kinds(&whole.what).first().copied(), &mut found);
    let address = address(&whole, names, &mut found);
    let own = [key(&named.what.curve), key(&named.what.latch)];
    found.keep_at(&own.into_iter().flatten().collect::<Vec<_>>());
    findings.append(found);
    address
}

/// `next`, `back` and `hush`.
pub(super) fn commands(
    piece: &WrittenPiece,
    names: &NamesInUse<'_>,
    findings: &mut Findings,
) -> [Option<ControllerId>; 3] {
    let written = [("next", &piece.next), ("back", &piece.back), ("hush", &piece.hush)];
    let mut taken: Vec<(&str, Place, ControllerId)> = Vec::new();
    written.map(|(command, said)| {
        let name = said.at()?;
        let id = names.controller(name, false, findings)?;
        if let Some((other, place, _)) = taken.iter().find(|(.., taken)| *taken == id) {
            let message = format!("\"{}\" works both {other} and {command}", name.value);
            findings.add(
                Kind::ControllerWorksTwo,
                name.place.max(*place),
                message,
                "give each a controller of its own",
            );
        }
        taken.push((command, name.place, id));
        let written = &names.controllers[id.index()].what;
        let shared = |one: &NamedTable<Written>| one.what.like.value().is_some_and(|like| *like == name.value);
        let with = written.like.value().or(names.controllers.iter().find(|one| shared(one)).map(|one| &one.name));
        if let Some(with) = with {
            let message = format!("\"{}\" works {command} and shares its address with \"{with}\"", name.value);
            let remedy = format!("give {command} a controller whose address is its alone");
            findings.add(Kind::CommandShared, name.place, message, remedy);
        }
        if let Some(place) = key(&written.loudness) {
            let message =
                format!("a loudness cannot work {command}: it is computed, and what it fires would be fired twice");
            findings.add(
                Kind::CommandByLoudness,
                place,
                message,
                "name a controller that a person works: a cc, a note, a key",
            );
        }
        let latch = key(&written.latch).filter(|_| written.latch.value() == Some(&true));
        for (key, place) in [("latch", latch), ("rise", key(&written.rise)), ("fall", key(&written.fall))] {
            let Some(place) = place else { continue };
            let message = format!("\"{key}\" does nothing on a controller that works {command}");
            findings.add(Kind::UselessKey, place, message, "leave it out: it acts at once, each time it is pressed");
        }
        Some(id)
    })
}

/// The kinds of address that a controller says, each with the place of its key.
fn kinds(written: &Written) -> Vec<(&'static str, Place)> {
    let places = [
        key(&written.cc),
        key(&written.note),
        key(&written.key),
        key(&written.osc),
        key(&written.loudness),
        key(&written.like),
    ];
    ADDRESS_KEYS.into_iter().zip(places).filter_map(|(kind, place)| Some((kind, place?))).collect()
}

fn key<T>(said: &Said<T>) -> Option<Place> {
    said.at().map(|at| at.key)
}

/// Whether something is said that is none.
fn said_wrong<T>(said: &Said<T>) -> bool {
    said.is_said() && key(said).is_none()
}

/// Reports keys that do nothing on a controller of this kind.
fn useless_keys(written: &Written, kind: Option<(&'static str, Place)>, findings: &mut Findings) {
    let wrong = [
        said_wrong(&written.cc),
        said_wrong(&written.note),
        said_wrong(&written.key),
        said_wrong(&written.osc),
        said_wrong(&written.loudness),
        said_wrong(&written.like),
    ];
    if wrong.contains(&true) {
        return; // Its kind is known only to who wrote it.
    }
    let name = kind.map(|(name, _)| name);
    let switch = is_switch(written);
    let latch = written.latch.value() == Some(&true);
    let curved = !switch && !latch;
    let places = [
        key(&written.from),
        key(&written.to),
        key(&written.channel),
        key(&written.port),
        key(&written.switch),
        key(&written.fine),
        key(&written.inverted),
    ];
    let beside = ACTS_BESIDE
        .into_iter()
        .zip(places)
        .map(|((key, beside, why), place)| (key, place, name.is_some_and(|name| beside.contains(&name)), why));
    let pressed = [
        ("curve", key(&written.curve), curved, "a switch is 0 or 1, and no curve bends those"),
        ("latch", key(&written.latch).filter(|_| latch), name != Some("loudness"), "a loudness is not pressed"),
        (
            "fine",
            key(&written.fine).filter(|_| written.fine.value() == Some(&true) && written.cc.value().is_some()),
            is_fine(written),
            "only a cc from 0 to 31 that is no switch has a second one for its finer steps",
        ),
    ];
    let keys: Vec<_> = beside.chain(pressed).collect();
    // What a hall leaves of a piece's key without a meaning rests; only what the latest file says must act.
    let newest = keys.iter().filter_map(|(_, place, ..)| *place).chain(kind.map(|(_, place)| place));
    let newest = newest.map(|place| place.file).max();
    for (key, place, acts, why) in keys {
        let Some(place) = place.filter(|place| !acts && Some(place.file) == newest) else { continue };
        let on = match (key, name) {
            ("curve", _) => "that is a switch".to_owned(),
            ("fine", Some("cc")) if curved => "whose cc is above 31".to_owned(),
            ("fine", Some("cc")) => "that is a switch".to_owned(),
            (_, Some("like")) => "that is like another".to_owned(),
            (_, Some(name)) => format!("reached by {name}"),
            (_, None) => "that lives on the page only".to_owned(),
        };
        let message = format!("\"{key}\" does nothing on a controller {on}");
        let remedy = match name {
            Some("like") => "write it where the address is".to_owned(),
            _ => format!("leave it out: {why}"),
        };
        findings.add(Kind::UselessKey, place, message, remedy);
    }
}

/// Whether a MIDI or keyboard controller knows only off and on.
fn is_switch(written: &Written) -> bool {
    match (written.cc.value(), written.switch.value()) {
        (Some(_), Some(&switch)) => switch,
        (Some(number), None) => SWITCH_CCS.contains(number),
        (None, _) => kinds(written).iter().any(|(kind, _)| SWITCHES.contains(kind)),
    }
}

/// Whether a control change is one of a pair.
fn is_fine(written: &Written) -> bool {
    let in_pairs = written.cc.value().is_some_and(|number| FINE_CCS.contains(number));
    let pressed = is_switch(written) || written.latch.value() == Some(&true);
    written.fine.value() == Some(&true) && in_pairs && !pressed
}

fn address(named: &NamedTable<Written>, names: &NamesInUse<'_>, findings: &mut Findings) -> Address {
    let written = &named.what;
    let midi = |message| Address::Midi {
        message,
        channel: written.channel.value().and_then(|channel| channel.checked_sub(1)),
        port: written.port.value().cloned(),
        inverted: written.inverted.value().copied().unwrap_or(false),
    };
    if let Some(&number) = written.cc.value() {
        let reads = match (is_switch(written), is_fine(written)) {
            (true, _) => Reads::Switch,
            (false, true) => Reads::Fine,
            (false, false) => Reads::Steps,
        };
        midi(Message::Control { number, reads })
    } else if let Some(&number) = written.note.value() {
        midi(Message::Note { number })
    } else if let Some(key) = written.key.at() {
        if !keys::is_key(&key.value) {
            let message = format!("no key of a keyboard is called \"{}\"", key.value);
            findings.add(Kind::UnknownKeyName, key.place, message, keys::remedy(&key.value));
        }
        Address::Key(key.value.clone())
    } else if let Some(path) = written.osc.at() {
        check_osc(path, findings);
        let from = end(&written.from, Some(0.0), named, findings, osc_end);
        let to = end(&written.to, Some(1.0), named, findings, osc_end);
        different(written, from, to, findings);
        Address::Osc { path: path.value.clone(), from, to }
    } else if let Some(name) = written.loudness.at() {
        let mic = names.mic(name, findings);
        let from_db =
            end(&written.from, None, named, findings, |at, name, findings| loudness_end(-50.0, at, name, findings));
        let to_db =
            end(&written.to, None, named, findings, |at, name, findings| loudness_end(-12.0, at, name, findings));
        if [&written.from, &written.to].iter().any(|said| !said.is_said()) {
            let message = format!("nothing says between which levels \"{}\" is loud", named.name);
            let remedy = "write from = \"-50 dB\", to = \"-12 dB\" beside it";
            findings.add(Kind::MissingKey, name.key, message, remedy);
        }
        different(written, from_db, to_db, findings);
        mic.map_or(Address::Page, |mic| Address::Loudness { mic, from_db, to_db })
    } else {
        Address::Page
    }
}

/// One end of a range, or NaN if it is not there or has been reported.
fn end(
    said: &Said<End>,
    default: Option<f64>,
    named: &NamedTable<Written>,
    findings: &mut Findings,
    read: fn(&At<End>, &str, &mut Findings) -> Option<f64>,
) -> f64 {
    match said {
        Said::Nothing => default,
        Said::Wrong => None,
        Said::Value(at) => read(at, &named.name, findings),
    }
    .unwrap_or(f64::NAN)
}

fn osc_end(at: &At<End>, name: &str, findings: &mut Findings) -> Option<f64> {
    if at.value.is_err() {
        let message = format!("\"{name}\" hears bare numbers by OSC, and this is text in quotes");
        findings.add(Kind::WrongType, at.place, message, "write a bare number, as in -1.0");
    }
    at.value.as_ref().ok().copied()
}

fn loudness_end(example: f64, at: &At<End>, name: &str, findings: &mut Findings) -> Option<f64> {
    let (least, most) = LOUDNESS_DB.into_inner();
    let wanted = WantedValue { unit: Unit::Decibels, least, most, usual: Some(example) };
    let no_unit = || "a loudness is a level and needs its unit".to_owned();
    let (kind, message, remedy) = match &at.value {
        Ok(number) => (Kind::MissingUnit, no_unit(), wanted.bare(*number)),
        Err(text) => match unit::parse(text, Unit::Decibels) {
            Ok(db) if LOUDNESS_DB.contains(&db) => return Some(db),
            Ok(db) => {
                let message = format!("\"{text}\" is outside what the loudness \"{name}\" takes");
                (Kind::OutOfRange, message, wanted.beyond(db))
            }
            Err(UnitTrouble::NoUnit(number)) => (Kind::MissingUnit, no_unit(), wanted.bare(number)),
            Err(UnitTrouble::OtherUnit) => {
                let message = format!("a loudness is a level, and \"{text}\" has no unit of one");
                (Kind::WrongUnit, message, wanted.text(text))
            }
            Err(UnitTrouble::NoNumber) => {
                let message = format!("a loudness is a level, and \"{text}\" does not begin with a number");
                (Kind::NotANumber, message, wanted.text(text))
            }
        },
    };
    findings.add(kind, at.place, message, remedy);
    None
}

fn different(written: &Written, from: f64, to: f64, findings: &mut Findings) {
    if from == to
        && let Some(place) = key(&written.to).max(key(&written.from))
    {
        let message = "`from` and `to` are the same, so that nothing would move";
        findings.add(Kind::SameEnds, place, message, "write two different values; the greater may come first");
    }
}

/// Open Sound Control 1.0: an address begins with a slash and is printable ASCII without the signs of patterns.
pub(crate) fn is_osc_address(text: &str) -> bool {
    let plain = text.bytes().all(|byte| byte.is_ascii_graphic() && !b"#*,?[]{}".contains(&byte));
    plain && text.starts_with('/') && !text.ends_with('/')
}

/// The same as a regular expression (ECMA-262).
pub(crate) const OSC_ADDRESS: &str = r#"^/[!"$-)+\-.\/0->@-Z\\^-z|~]*[!"$-)+\-.0->@-Z\\^-z|~]$"#;

fn check_osc(path: &At<String>, findings: &mut Findings) {
    let text = &path.value;
    if !is_osc_address(text) {
        let message = format!("\"{text}\" is no OSC address");
        let remedy = "begin it with a slash and leave out spaces and # * , ? [ ] { }, as in \"/sway\"";
        findings.add(Kind::BadOscAddress, path.place, message, remedy);
    }
}

/// Reports each controller that a message of an earlier one could reach as well.
fn clashes(written: &[NamedTable<Written>], controllers: &[Controller], findings: &mut Findings) {
    for (index, later) in controllers.iter().enumerate() {
        if later.like.is_some() {
            continue; // It is reached where the other is.
        }
        for (other, earlier) in controllers[..index].iter().enumerate().filter(|(_, one)| one.like.is_none()) {
            let Some(message) = common(&earlier.address, &later.address) else { continue };
            let place = |index: usize| {
                let named = &written[index];
                kinds(&named.what).first().map_or(named.place, |(_, place)| *place)
            };
            let place = place(other).max(place(index));
            let remedy = match later.address {
                Address::Midi { .. } => "give one another number, or tell them apart by `channel` or `port` on both",
                _ => "give one of them another",
            };
            let message = format!("{message} would reach both \"{}\" and \"{}\"", earlier.name, later.name);
            findings.add(Kind::MessageReachesTwo, place, message, remedy);
            break; // One clash shows what to do; the others are the same.
        }
    }
}

/// A message that reaches both addresses, in words.
fn common(one: &Address, other: &Address) -> Option<String> {
    match (one, other) {
        (
            Address::Midi { message: one, channel, port, .. },
            Address::Midi { message: other, channel: other_channel, port: other_port, .. },
        ) => {
            let same = |one: Option<u8>, other: Option<u8>| one.is_none() || other.is_none() || one == other;
            // Parts of port names: one inside the other would match the same port.
            let ports = match (port, other_port) {
                (Some(one), Some(other)) => one.contains(other.as_str()) || other.contains(one.as_str()),
                _ => true,
            };
            let words = match (*one, *other) {
                (Message::Note { number }, Message::Note { number: other }) if number == other => {
                    format!("note {number}")
                }
                _ => {
                    let shared = one.controls().find(|number| other.controls().any(|other| other == *number))?;
                    format!("control change {shared}")
                }
            };
            (ports && same(*channel, *other_channel)).then_some(words)
        }
        (Address::Key(one), Address::Key(other)) => (one == other).then(|| format!("the key \"{one}\"")),
        (Address::Osc { path: one, .. }, Address::Osc { path: other, .. }) => {
            (one == other).then(|| format!("a message to {one}"))
        }
        _ => None,
    }
}
