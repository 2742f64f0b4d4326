//! What audio and MIDI this machine has, by the names to write in a hall file.

use crate::Direction;
use crate::control::midi;
use crate::device::jack_ports;
use crate::device::jack_source;
use crate::device::silence_alsa::quietly;
use crate::device::streams;
use cpal::traits::{DeviceTrait, HostTrait};
use serde::{Serialize, Serializer};
use std::fmt;
use tenterhook_config::Host;
use tenterhook_plan::shown;

/// What there is.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Devices {
    /// The running JACK server; `None`: none runs.
    pub jack: Option<JackServer>,
    /// The system's audio hosts with their devices.
    pub hosts: Vec<HostDevices>,
    /// The system's MIDI input ports; `None`: the system has no MIDI.
    pub midi: Option<Vec<String>>,
}

/// A JACK server.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct JackServer {
    /// Its rate in Hz.
    pub rate: u32,
    /// Its block in frames.
    pub block: u32,
    /// Its capture ports: mic channel n is connected to the n-th.
    pub captures: Vec<String>,
    /// Its playback ports: output channel n is connected to the n-th.
    pub playbacks: Vec<String>,
    /// Its MIDI sources.
    pub midi: Vec<String>,
}

/// A host and its devices.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct HostDevices {
    /// Its name.
    #[serde(serialize_with = "name")]
    pub host: Host,
    /// Its devices.
    pub devices: Vec<FoundDevice>,
}

/// A device.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct FoundDevice {
    /// Its name, for people; part of it is enough to choose it.
    pub name: String,
    /// Its name in the system; part of it is enough as well.
    pub id: String,
    /// How many input channels it has.
    pub inputs: usize,
    /// How many output channels it has.
    pub outputs: usize,
    /// Its usual rate in Hz, if it says one.
    pub rate: Option<u32>,
}

/// Looks at all there is. It takes a moment, since devices are opened to ask them.
pub fn devices() -> Devices {
    Devices { jack: jack_server(), hosts: quietly(hosts), midi: midi::input_names() }
}

fn jack_server() -> Option<JackServer> {
    let client = jack_source::client("tenterhook-devices").ok()?;
    let offers = jack_ports::offers(&client);
    Some(JackServer {
        rate: client.sample_rate(),
        block: client.buffer_size(),
        captures: offers.captures,
        playbacks: offers.playbacks,
        midi: offers.midi.into_iter().map(|(name, _)| name).collect(),
    })
}

/// A host is written as a hall file writes it.
fn name<S: Serializer>(host: &Host, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(host.name())
}

fn hosts() -> Vec<HostDevices> {
    let known = cpal::available_hosts().into_iter().filter_map(|id| Some((id, Host::named(&id.to_string())?)));
    known
        .filter(|(_, host)| *host != Host::Jack)
        .filter_map(|(id, host)| {
            let devices = cpal::host_from_id(id).ok()?.devices().ok()?;
            let devices = devices.filter(|device| !streams::is_null(device)).filter_map(|device| described(&device));
            Some(HostDevices { host, devices: devices.collect() })
        })
        .collect()
}

/// A device that has channels.
fn described(device: &cpal::Device) -> Option<FoundDevice> {
    let channels = |direction| match direction {
        Direction::Input => device.supported_input_configs().ok()?.map(|way| usize::from(way.channels())).max(),
        Direction::Output => device.supported_output_configs().ok()?.map(|way| usize::from(way.channels())).max(),
    };
    let (inputs, outputs) = (channels(Direction::Input).unwrap_or(0), channels(Direction::Output).unwrap_or(0));
    let default = device.default_output_config().or_else(|_| device.default_input_config());
    (inputs + outputs > 0).then(|| FoundDevice {
        name: device.to_string(),
        id: device.id().map_or(String::new(), |id| id.id().to_owned()),
        inputs,
        outputs,
        rate: default.ok().map(|way| way.sample_rate()),
    })
}

impl fmt::Display for Devices {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.jack {
            None => writeln!(f, "jack: no server is running")?,
            Some(JackServer { rate, block, captures, playbacks, midi }) => {
                writeln!(f, "jack: a server at {rate} Hz, {block} frames")?;
                for (kind, ports) in [("in", captures), ("out", playbacks)] {
                    for (n, port) in ports.iter().enumerate() {
                        writeln!(f, "  {kind} {}: {}", n + 1, shown(port))?;
                    }
                }
                for port in midi {
                    writeln!(f, "  midi: {}", shown(port))?;
                }
            }
        }
        for HostDevices { host, devices } in &self.hosts {
            if devices.is_empty() {
                writeln!(f, "{host}: no device")?;
            } else {
                writeln!(f, "{host}:")?;
            }
            for FoundDevice { name, id, inputs, outputs, rate } in devices {
                let rate = rate.map_or(String::new(), |rate| format!(", {rate} Hz"));
                let (name, id) = (shown(name), if id == name { String::new() } else { format!(" ({})", shown(id)) });
                writeln!(f, "  {name}{id}: {inputs} in, {outputs} out{rate}")?;
            }
        }
        match self.midi.as_deref() {
            None => writeln!(f, "midi: this system has none"),
            Some([]) => writeln!(f, "midi: no port"),
            Some(ports) => {
                writeln!(f, "midi:")?;
                ports.iter().try_for_each(|port| writeln!(f, "  {port}"))
            }
        }
    }
}
