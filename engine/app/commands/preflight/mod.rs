//! Before the doors open: what on this machine may ruin a show.

mod device;
mod disk;
mod limits;
mod power;
mod radio;
#[cfg(test)]
mod tests;
mod work;

use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::{Value, json};
use tenterhook_config::DeviceWish;
use tenterhook_io::Wiring;
use tenterhook_plan::Plan;

use crate::failure::Failure;
use crate::live::stage;
use crate::say::wrapped;

/// The rate to reckon with where a hall names none, in Hz.
const RATE: u32 = 48_000;

/// How long other work is looked at.
const WATCH: Duration = Duration::from_millis(500);

/// The machine, as the checks see it.
struct SeenMachine<'m> {
    /// Where the system shows its devices: `/sys`.
    sys: PathBuf,
    /// Where it shows its work: `/proc`.
    proc: PathBuf,
    /// The folder of the log.
    log: PathBuf,
    /// Bytes that the log takes a second.
    log_bytes: f64,
    /// A piece plays: nothing is tried that takes a lot of the machine.
    plays: bool,
    /// Lets the time pass in which other work is looked at.
    watch: &'m dyn Fn(),
}

/// What a check saw.
#[derive(Clone, Debug, PartialEq)]
enum PreflightSeen {
    /// This will do.
    Good(String),
    /// This is worth a look: what it is, and what to do.
    Look(String, String),
    /// It cannot be seen from here: why.
    Hidden(String),
}

/// One thing that may ruin a show.
struct Check {
    what: &'static str,
    look: fn(&SeenMachine<'_>) -> PreflightSeen,
    /// Where to look where it cannot be seen.
    by_hand: &'static str,
}

const CHECKS: [Check; 13] = [
    Check { what: "power", look: power::supply, by_hand: "see that the power supply is in and its socket is live" },
    Check {
        what: "power plan",
        look: power::plan,
        by_hand: "in the system's power settings choose the plan for full performance",
    },
    Check {
        what: "clock speed",
        look: power::governor,
        by_hand: "see that no setting for saving power slows the processor down",
    },
    Check {
        what: "sleep",
        look: power::sleep,
        by_hand: "in the system's power settings switch off sleep, also that of a closed lid",
    },
    Check {
        what: "screen lock",
        look: |_| PreflightSeen::Hidden("the desktop keeps it to itself".to_owned()),
        by_hand: "in the desktop's settings switch off the lock and the dimming of the screen",
    },
    Check {
        what: "notifications",
        look: |_| PreflightSeen::Hidden("the desktop keeps them to itself".to_owned()),
        by_hand: "switch on the desktop's do-not-disturb, and quit mail, chat and updates",
    },
    Check { what: "wireless", look: radio::wireless, by_hand: "switch off every radio that the show does not need" },
    Check { what: "disk space", look: disk::space, by_hand: "see how much room the disk of the log has" },
    Check {
        what: "disk speed",
        look: disk::speed,
        by_hand: "keep a short log with `play --log`, and see that nothing is lost",
    },
    Check {
        what: "real time",
        look: limits::real_time,
        by_hand: "play the piece for some minutes, and see that no block is late",
    },
    Check {
        what: "locked memory",
        look: limits::locked_memory,
        by_hand: "see that this program and the audio server may keep their memory from being moved to disk",
    },
    Check {
        what: "other work",
        look: work::others,
        by_hand: "in the system's list of programs see what else is at work, and quit it",
    },
    Check {
        what: "memory",
        look: work::swap,
        by_hand: "in the system's list of programs see that enough memory is free",
    },
];

/// One line of the answer.
#[derive(Debug)]
pub struct PreflightLine {
    what: &'static str,
    state: &'static str,
    found: String,
    to_do: Option<String>,
}

/// What is to be played, and where.
pub struct Show<'s> {
    /// The piece in its hall.
    pub plan: &'s Plan,
    /// What the hall asks of the machine; `None`: the piece plays already.
    pub device: Option<&'s DeviceWish>,
    /// The rate, in Hz; `None`: 48 kHz are reckoned with.
    pub rate: Option<u32>,
    /// The folder of the log.
    pub log: Option<&'s Path>,
}

/// Looks at this machine, on which a piece is to be played.
pub fn look(show: &Show<'_>) -> Result<Vec<PreflightLine>, Failure> {
    let wiring = Wiring::of(show.plan).map_err(Failure::asked)?;
    let channels = wiring.inputs.len() + wiring.outputs.len();
    let machine = SeenMachine {
        sys: "/sys".into(),
        proc: "/proc".into(),
        log: show.log.unwrap_or(Path::new(".")).to_owned(),
        log_bytes: channels as f64 * f64::from(show.rate.unwrap_or(RATE)) * size_of::<f32>() as f64,
        plays: show.device.is_none(),
        watch: &|| std::thread::sleep(WATCH),
    };
    let device = match show.device.map(|device| stage::wish(show.plan, device, None)).transpose() {
        Ok(wish) => device::look(wish.as_ref()),
        Err(failure) => device::said(&failure.brief()),
    };
    let device = line("device", device, "");
    Ok([device].into_iter().chain(lines(cfg!(target_os = "linux").then_some(&machine))).collect())
}

/// All checks of a machine; `None`: its system shows nothing of itself to this program.
fn lines(machine: Option<&SeenMachine<'_>>) -> Vec<PreflightLine> {
    let seen = |check: &Check| match machine {
        Some(machine) => (check.look)(machine),
        None => PreflightSeen::Hidden("this program cannot see it on this system".to_owned()),
    };
    CHECKS.iter().map(|check| line(check.what, seen(check), check.by_hand)).collect()
}

fn line(what: &'static str, seen: PreflightSeen, by_hand: &str) -> PreflightLine {
    let (state, found, to_do) = match seen {
        PreflightSeen::Good(found) => ("good", found, None),
        PreflightSeen::Look(found, to_do) => ("look", found, Some(to_do)),
        PreflightSeen::Hidden(why) => ("cannot be seen", why, Some(by_hand.to_owned())),
    };
    PreflightLine { what, state, found, to_do }
}

/// For people: a line for each, and what to do below it.
pub fn in_words(lines: &[PreflightLine]) -> String {
    let mut text = String::new();
    for PreflightLine { what, state, found, to_do } in lines {
        text += &format!("{state:<INDENT$}{}", wrapped(INDENT, &format!("{what}: {found}")));
        if let Some(to_do) = to_do {
            text += &format!("{:INDENT$}{}", "", wrapped(INDENT, &format!("to do: {to_do}")));
        }
    }
    text
}

/// The columns that the greatest state takes, and two.
const INDENT: usize = 16;

/// For programs: a list of objects with `what`, `state` (`good`, `look`, `cannot be seen`), `found`, and `to_do`, which
/// is null where it is good.
pub fn to_json(lines: &[PreflightLine]) -> Value {
    let one = |PreflightLine { what, state, found, to_do }: &PreflightLine| json!({ "what": what, "state": state, "found": found, "to_do": to_do });
    lines.iter().map(one).collect()
}

/// What a file of the system says, without the end of its line; `None`: it is not there, or may not be read.
fn read(path: impl AsRef<Path>) -> Option<String> {
    std::fs::read_to_string(path).ok().map(|text| text.trim().to_owned())
}

/// What is in a folder of the system, in the order of its names; `None`: there is no such folder.
fn entries(path: impl AsRef<Path>) -> Option<Vec<PathBuf>> {
    let mut paths: Vec<_> = std::fs::read_dir(path).ok()?.filter_map(|entry| Some(entry.ok()?.path())).collect();
    paths.sort();
    Some(paths)
}

/// The last part of a path.
fn name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}
