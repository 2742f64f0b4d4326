//! The words of what one must know during a run: terminal, JSON and page say the same.

use tenterhook_plan::condition::{Cause, Condition, Counted, Nonsense, Topic};

use crate::live::conditions::NEWS;

/// What to do about a part that broke.
const COMES_BACK: &str = "started again it comes back; tell its makers the place";

/// What a condition is, for a person.
pub fn of(Condition { topic, subject, .. }: &Condition) -> String {
    let subject = subject.as_deref().unwrap_or_default();
    match topic {
        Topic::DeviceGone { why, refused, .. } => {
            let refused = refused.as_ref().map(|why| format!("; it cannot be taken up again: {why}"));
            let refused = refused.unwrap_or_default();
            format!("{why}: the engine goes on unheard and takes the device up when it is back{refused}")
        }
        Topic::DeviceStill { seconds } => {
            format!("the device has asked for no sound for {seconds} s: see its cable and its program")
        }
        Topic::NoDevice => {
            "no sound device: the built-in clock runs, and nothing is heard; connect one, or start a JACK server, and start \
             again"
                .to_owned()
        },
        Topic::ClocksApart { ppm } => format!(
            "the clocks of the two devices differ by {ppm:.0} ppm, more than crystals do: see whether one should follow \
             another clock"
        ),
        Topic::LateBlocks(counted) => {
            lost_time(counted, "1 late block", "late blocks", "the machine held this program up")
        }
        Topic::Gaps(counted) => {
            lost_time(counted, "1 gap of the device", "gaps of the device", "not by this program's work")
        }
        Topic::LogLost { why } => format!("the log is no longer kept: {why}"),
        Topic::PieceBroken { why } => format!("what was saved does not play, the version before it goes on: {why}"),
        Topic::JournalLost { why } => why.clone(),
        Topic::TakenUp { how } => how.clone(),
        Topic::PortGone { keep } => {
            let keep = match &keep[..] {
                [] => String::new(),
                [one] => format!("; {one} keeps its value"),
                some => format!("; {} keep their values", some.join(", ")),
            };
            format!("the MIDI port {subject} is gone: see its cable{keep}")
        }
        Topic::SwitchTurned { inverted } => {
            let polarity = if *inverted { "normal" } else { "inverted" };
            format!(
                "{subject}: its first word was \"let go\", so it is most likely wired the other way round: write \
                 polarity = \"{polarity}\" beside its cc, or let `tenterhook learn` find it out"
            )
        }
        Topic::NotNumbers => format!("{subject}: what comes in is no sound (NaN): see its driver"),
        Topic::Clips => format!("{subject} clips: turn its input down"),
        Topic::Howls => format!(
            "{subject} howls, or stands at its ceiling like a howl: turn it down or hush now, since it can harm hearing; \
             then move the mic away from the loudspeaker, or turn one from the other"
        ),
        Topic::Offset { db } => format!(
            "{subject}: its signal stands beside zero, by {db:.0} dBFS (DC): write highpass = \"10 Hz\" beside its input, \
             and see its cable and its interface"
        ),
        Topic::Limited { db } => format!("{subject}: its limiter holds it down by {db:.0} dB"),
        Topic::GesturesLost { count } => {
            format!("{} lost, because too many came at once", many(*count, "1 gesture", "gestures"))
        }
        Topic::OscSenseless { from, why } => senseless(subject, from, *why),
        Topic::OscUnheard { why } => format!("OSC is not heard: {why}; it is tried on and on"),
        Topic::EffectBroke { place } => {
            format!("{subject} broke at {place} and is silent, all else goes on: {COMES_BACK}")
        }
        Topic::ModelBroke { place, silent } => insight("model", subject, place, silent),
        Topic::AnalysisBroke { place, silent } => insight("analysis", subject, place, silent),
        Topic::EngineBroke { place } => format!(
            "the engine itself broke at {place}, and those blocks are silent: if nothing sounds any more, end and start \
             again, which goes on where this stood; tell its makers the place"
        ),
        Topic::OscUnreached { why } => format!("OSC does not reach {subject} ({why}); it is tried on and on"),
    }
}

/// What is said when a condition has gone that held for so many seconds, if anything; `device`: what drives the engine.
pub fn gone(Condition { topic, subject, .. }: &Condition, seconds: f64, device: &str) -> Option<String> {
    let subject = subject.as_deref().unwrap_or_default();
    match topic {
        Topic::DeviceGone { .. } => Some(format!("The device is back after {seconds:.1} s: {device}.")),
        Topic::DeviceStill { .. } => Some("The device asks for sound again.".to_owned()),
        Topic::LogLost { .. } => Some("The log is kept again.".to_owned()),
        Topic::PieceBroken { .. } => Some("What was saved is right again.".to_owned()),
        Topic::JournalLost { .. } => Some("The journal is kept again.".to_owned()),
        Topic::PortGone { .. } => Some(format!("The MIDI port {subject} is back.")),
        Topic::OscUnheard { .. } => Some("OSC is heard now.".to_owned()),
        // These pass by themselves, or hold to the end.
        Topic::NoDevice
        | Topic::ClocksApart { .. }
        | Topic::LateBlocks(_)
        | Topic::Gaps(_)
        | Topic::TakenUp { .. }
        | Topic::SwitchTurned { .. }
        | Topic::NotNumbers
        | Topic::Clips
        | Topic::Howls
        | Topic::Offset { .. }
        | Topic::Limited { .. }
        | Topic::GesturesLost { .. }
        | Topic::OscSenseless { .. }
        | Topic::EffectBroke { .. }
        | Topic::ModelBroke { .. }
        | Topic::AnalysisBroke { .. }
        | Topic::EngineBroke { .. }
        | Topic::OscUnreached { .. } => None,
    }
}

/// The line of a condition on a terminal; `None`: it is of the moment and does no harm, and its place is the page.
pub fn line(condition: &Condition) -> Option<String> {
    let words = of(condition);
    match &condition.topic {
        Topic::Limited { .. } if !condition.grave => None,
        Topic::TakenUp { .. } => Some(words),
        _ if condition.grave => Some(format!("error: {words}")),
        _ => Some(format!("caution: {words}")),
    }
}

fn senseless(path: &str, from: &str, why: Nonsense) -> String {
    let why = match why {
        Nonsense::Packet => return format!("a packet from {from} is no OSC: see what is sent to this port"),
        Nonsense::Address => "this is no address of OSC 1.0: see how it is spelled",
        Nonsense::Nothing => "nothing in the piece has this address: the README lists them",
        Nonsense::NoNumber => "it needs a number",
        Nonsense::NoMark => "it needs a mark of the piece, as text",
        Nonsense::Far => "its time is more than a minute ahead: see the clock of that machine",
    };
    format!("OSC {} from {from} did nothing: {why}", path.escape_debug())
}

fn insight(what: &str, of: &str, place: &str, silent: &[String]) -> String {
    let silent = match silent {
        [] => "the effects that read it are silent".to_owned(),
        [one] => format!("{one}, which reads it, is silent"),
        some => format!("{}, which read it, are silent", some.join(", ")),
    };
    format!("the {what} of {of} broke at {place}; {silent}, all else goes on: {COMES_BACK}")
}

fn lost_time(counted: &Counted, one: &str, some: &str, others: &str) -> String {
    let Counted { lately, total, ago, cause } = *counted;
    if lately == 0 {
        return format!("{} since the start, the last {ago} s ago", many(total, one, some));
    }
    let cause = match cause {
        Cause::Work => ": the piece asks too much of this machine, see `tenterhook load`".to_owned(),
        Cause::Others => format!(": {others}"),
        Cause::Unknown => String::new(),
    };
    format!("{} in the last {NEWS} s{cause}", many(lately, one, some))
}

fn many(n: u64, one: &str, some: &str) -> String {
    if n == 1 { one.to_owned() } else { format!("{n} {some}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_does_not_come_or_go_is_named_with_its_reason() {
        let says =
            |topic, subject: &str| of(&Condition { topic, subject: Some(subject.to_owned()), grave: false, since: 0 });
        let unreached = says(Topic::OscUnreached { why: "connection refused".to_owned() }, "lights:9000");
        assert!(unreached.starts_with("OSC does not reach lights:9000 (connection refused)"), "{unreached}");
        for (keep, told) in [
            (&[][..], "see its cable"),
            (&["pedal"], "see its cable; pedal keeps its value"),
            (&["pedal", "wheel"], "see its cable; pedal, wheel keep their values"),
        ] {
            let keep = keep.iter().map(|name| (*name).to_owned()).collect();
            assert_eq!(says(Topic::PortGone { keep }, "Foot 1"), format!("the MIDI port Foot 1 is gone: {told}"));
        }
        for (refused, told) in [(None, ""), (Some("it is busy"), "; it cannot be taken up again: it is busy")] {
            let gone = Topic::DeviceGone {
                why: "the JACK server ended".to_owned(),
                refused: refused.map(str::to_owned),
                loss: 1,
            };
            let said = says(gone, "");
            assert!(
                said.starts_with("the JACK server ended: ") && said.ends_with(&format!("when it is back{told}")),
                "{said}"
            );
        }
    }
}
