//! The ports of the JACK client: made by the piece's names, and connected to the machine's own.

use crate::{Direction, Error, Wiring};
use jack::{AudioIn, AudioOut, Client, MidiIn, Port, PortFlags, PortSpec};
use std::collections::HashSet;

/// The MIDI port that belongs to no part of a name.
const ANY_MIDI: &str = "midi";

/// The client's own ports.
pub(crate) struct Ports {
    /// Per input channel; `None`: no mic on it.
    pub inputs: Vec<Option<Port<AudioIn>>>,
    /// Per output channel; `None`: no output on it.
    pub outputs: Vec<Option<Port<AudioOut>>>,
    /// With the bits that the messages of each carry.
    pub midi: Vec<(u64, Port<MidiIn>)>,
}

/// A connection that is to be made, by the full names of the two ports.
pub(crate) struct Cable {
    pub from: String,
    pub to: String,
}

/// What the server offers.
pub(crate) struct Offers {
    /// Where the machine's inputs come from, in the server's order.
    pub captures: Vec<String>,
    /// Where its outputs go to.
    pub playbacks: Vec<String>,
    /// The machine's MIDI sources, each with its other names.
    pub midi: Vec<(String, Vec<String>)>,
}

/// The machine's own ports, as the server names them.
pub(crate) fn offers(client: &Client) -> Offers {
    let physical = |kind: &str, flags| client.ports(None, Some(kind), PortFlags::IS_PHYSICAL | flags);
    let (audio, midi) = (AudioIn::default(), MidiIn::default());
    let (audio, midi) = (audio.jack_port_type(), midi.jack_port_type());
    // The server takes the kind as a pattern; both names of kinds are plain.
    let aliases = |name: &String| client.port_by_name(name).and_then(|port| port.aliases().ok()).unwrap_or_default();
    Offers {
        captures: physical(audio, PortFlags::IS_OUTPUT),
        playbacks: physical(audio, PortFlags::IS_INPUT),
        midi: physical(midi, PortFlags::IS_OUTPUT).into_iter().map(|name| (name.clone(), aliases(&name))).collect(),
    }
}

/// Makes all ports. `mics`: whether the inputs are wanted at all.
pub(crate) fn register(client: &Client, wiring: &Wiring, mics: bool) -> Result<Ports, Error> {
    // Names are the client's, whichever way the sound goes, so a second of the same name tells what it is.
    let mut taken = HashSet::from([ANY_MIDI.to_owned()]);
    let mut free = |name: &str, kind: &str| {
        // JACK's names are C strings.
        let mut name = name.replace('\0', "");
        while !taken.insert(name.clone()) {
            name = format!("{name} {kind}");
        }
        name
    };
    let mut inputs = Vec::new();
    for mic in &wiring.inputs {
        let wanted = mic.as_ref().filter(|_| mics);
        inputs.push(wanted.map(|name| port(client, &free(name, "in"), AudioIn::default())).transpose()?);
    }
    let mut outputs = Vec::new();
    for output in &wiring.outputs {
        outputs.push(output.as_ref().map(|name| port(client, &free(name, "out"), AudioOut::default())).transpose()?);
    }
    let mut midi = vec![(0, port(client, ANY_MIDI, MidiIn::default())?)];
    for part in &wiring.ports {
        // A port of this name also holds every shorter part of it.
        let bits = crate::port_bits(part, &wiring.ports);
        midi.push((bits, port(client, &free(part, "midi"), MidiIn::default())?));
    }
    Ok(Ports { inputs, outputs, midi })
}

fn port<S: PortSpec>(client: &Client, name: &str, spec: S) -> Result<Port<S>, Error> {
    client
        .register_port(name, spec)
        .map_err(|why| Error::Jack { what: format!("making the port `{name}`"), why: why.to_string() })
}

/// The full names of the client's own ports, as in [`Ports`].
pub(crate) struct PortNames {
    inputs: Vec<Option<String>>,
    outputs: Vec<Option<String>>,
    midi: Vec<Option<String>>,
}

impl Ports {
    /// What they are called.
    pub fn names(&self) -> PortNames {
        fn name<S>(port: &Port<S>) -> Option<String> {
            port.name().ok()
        }
        PortNames {
            inputs: self.inputs.iter().map(|port| port.as_ref().and_then(name)).collect(),
            outputs: self.outputs.iter().map(|port| port.as_ref().and_then(name)).collect(),
            midi: self.midi.iter().map(|(_, port)| name(port)).collect(),
        }
    }
}

impl PortNames {
    /// Fails if what is offered is less than a piece asks for.
    pub fn fit(&self, wiring: &Wiring, offers: &Offers, device: &str) -> Result<(), Error> {
        if self.inputs.iter().any(Option::is_some) {
            wiring.fits(Direction::Input, device, offers.captures.len())?;
        }
        wiring.fits(Direction::Output, device, offers.playbacks.len())
    }

    /// The connections that are made unless the piece's people say otherwise: channel n to the server's n-th port, and
    /// every MIDI source to the port of the longest part that its name holds, else to `midi`.
    pub fn cables(&self, wiring: &Wiring, offers: &Offers) -> Vec<Cable> {
        let mut cables = Vec::new();
        let mut cable = |from: Option<&String>, to: Option<&String>| {
            if let (Some(from), Some(to)) = (from, to) {
                cables.push(Cable { from: from.clone(), to: to.clone() });
            }
        };
        for (input, capture) in self.inputs.iter().zip(&offers.captures) {
            cable(Some(capture), input.as_ref());
        }
        for (output, playback) in self.outputs.iter().zip(&offers.playbacks) {
            cable(output.as_ref(), Some(playback));
        }
        for (source, aliases) in &offers.midi {
            let holds = |part: &String| source.contains(part) || aliases.iter().any(|alias| alias.contains(part));
            let longest =
                wiring.ports.iter().enumerate().filter(|(_, part)| holds(part)).max_by_key(|(_, part)| part.len());
            // The first of the MIDI ports is `midi`.
            let own = self.midi.get(longest.map_or(0, |(n, _)| n + 1)).and_then(Option::as_ref);
            cable(Some(source), own);
        }
        cables
    }
}
