//! The hall's device: whether it is there, and whether it has the channels on which the hall puts mics and outputs.

use tenterhook_config::Host;
use tenterhook_io::{Direction, Error, Facts, Wish, open};
use tenterhook_plan::shown;

use super::PreflightSeen;

/// What to do, where a host has no device to choose from or none answers.
const SILENT: &str = "start the JACK server or plug the device in, or nothing will be heard";

/// Opens the device as for a show, and lets it go without a sound. `None`: a piece plays on it.
pub fn look(wish: Option<&Wish>) -> PreflightSeen {
    let Some(mut wish) = wish.cloned() else { return PreflightSeen::Good("a piece plays on it".to_owned()) };
    let mut beyond = Vec::new();
    loop {
        match open(&wish) {
            Ok(source) => return judge(source.facts(), &wish, &beyond),
            // It tells of one name at a time; what has no channel is taken out, and the rest is tried.
            Err(Error::Channel { direction, device, has, .. }) => {
                let channels = match direction {
                    Direction::Input => &mut wish.wiring.inputs,
                    Direction::Output => &mut wish.wiring.outputs,
                };
                let names = channels.iter().enumerate().skip(has);
                let names = names.filter_map(|(n, name)| Some(format!("`{}` is on {}", shown(name.as_ref()?), n + 1)));
                let names = names.collect::<Vec<_>>().join(", ");
                beyond.push(format!("{device} has {has} {direction}s, but {names}"));
                channels.truncate(has);
            }
            Err(why) => return refused(&why),
        }
    }
}

fn judge(facts: &Facts, wish: &Wish, beyond: &[String]) -> PreflightSeen {
    if !beyond.is_empty() {
        let to_do = "choose another device in the hall's [device], or give those lower numbers in the hall";
        return PreflightSeen::Look(beyond.join("; "), to_do.to_owned());
    }
    match facts.host {
        Host::Clock if wish.host != Some(Host::Clock) => PreflightSeen::Look(facts.words.clone(), SILENT.to_owned()),
        Host::Clock => PreflightSeen::Good(format!("{}, which makes no sound, as it is asked", facts.words)),
        Host::Jack => PreflightSeen::Good(format!("the JACK server at {} Hz, {} frames", facts.rate, facts.block)),
        _ => PreflightSeen::Good(facts.words.clone()),
    }
}

fn refused(why: &Error) -> PreflightSeen {
    match why {
        Error::NoServer { .. } => PreflightSeen::Look("no JACK server is running".to_owned(), SILENT.to_owned()),
        Error::NoDevice { host, direction, wanted, near } => {
            let names: Vec<_> = near.iter().map(|name| format!("`{}`", shown(name))).collect();
            let to_do = match names[..] {
                [] => "see that it is plugged in and switched on".to_owned(),
                _ => format!(
                    "see that it is plugged in and switched on, or write into the hall's [device] one that is there: {}",
                    names.join(", ")
                ),
            };
            PreflightSeen::Look(format!("{host} has no {direction} device `{}`", shown(wanted)), to_do)
        }
        other => said(&other.to_string()),
    }
}

/// What is wrong and, after the last colon, what to do.
pub fn said(why: &str) -> PreflightSeen {
    let (found, to_do) = why.rsplit_once(": ").unwrap_or((why, "choose another device in the hall's [device]"));
    PreflightSeen::Look(found.to_owned(), to_do.to_owned())
}
