//! Radios: they take power and time, they interfere, and what comes in by them shows up on the screen.

use std::path::PathBuf;

use super::{PreflightSeen, SeenMachine, entries, name, read};

/// Whether a radio is on. The files: the Linux kernel's documentation, ABI/stable/sysfs-class-rfkill; an interface of a
/// wireless network has a folder `wireless` or a link `phy80211`.
pub fn wireless(machine: &SeenMachine<'_>) -> PreflightSeen {
    let (switches, interfaces) = (entries(machine.sys.join("class/rfkill")), entries(machine.sys.join("class/net")));
    if switches.is_none() && interfaces.is_none() {
        return PreflightSeen::Hidden("the system shows neither radios nor networks".to_owned());
    }
    let free = |switch: &PathBuf| ["soft", "hard"].iter().all(|by| read(switch.join(by)).as_deref() == Some("0"));
    let mut kinds: Vec<_> =
        switches.iter().flatten().filter(|one| free(one)).filter_map(|one| read(one.join("type"))).collect();
    kinds.sort();
    kinds.dedup();
    let is_wireless = |one: &&PathBuf| one.join("wireless").exists() || one.join("phy80211").exists();
    let up = |one: &&PathBuf| read(one.join("operstate")).as_deref() == Some("up");
    let networks: Vec<_> = interfaces.iter().flatten().filter(is_wireless).filter(up).map(|one| name(one)).collect();
    if kinds.is_empty() && networks.is_empty() {
        return PreflightSeen::Good("no radio is on".to_owned());
    }
    let to_do = match kinds.is_empty() {
        true => "switch off what the show does not need".to_owned(),
        false => format!("switch off what the show does not need: `rfkill block {}`", kinds.join(" ")),
    };
    let kinds = if kinds.is_empty() { "a radio".to_owned() } else { kinds.join(" and ") };
    let joined = if networks.is_empty() { String::new() } else { format!(", in a network by {}", networks.join(", ")) };
    PreflightSeen::Look(format!("{kinds} on{joined}"), to_do)
}
