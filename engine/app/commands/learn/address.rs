//! What was learned, as the fewest words of a hall by which it works the controller and nothing else.

use tenterhook_config::{Checked, Report};
use tenterhook_plan::{Address, Controller, Message, Plan, Reads};
use toml_edit::Value;

use super::gesture::Worked;
use super::hall::{self, Entry};

/// Why nothing can be written.
#[derive(Debug)]
pub enum LearnRefused {
    /// The hall would be wrong, and so.
    Wrong(Report),
    /// It says why, and what to do.
    Said(String),
}

/// A hall with what was learned.
#[derive(Debug)]
pub struct Learned {
    pub text: String,
    pub entries: Vec<Entry>,
}

/// The hall `text`, so that `controller` is reached by what was worked. `check` checks the piece in a hall of that text.
///
/// Channel, port and whatever else the engine takes for granted are left out unless without them the hall would be wrong
/// (another controller would be reached as well), or the controller not reached (the piece says otherwise).
pub fn write(
    text: &str,
    controller: &str,
    worked: &Worked,
    check: impl Fn(&str) -> Result<Checked, Report>,
) -> Result<Learned, LearnRefused> {
    let (must, may) = words(worked);
    let mut refused = None;
    let mut choices: Vec<u32> = (0..1 << may.len()).collect();
    // The fewest words first; of as many, those that come first in the list.
    choices.sort_by_key(|choice| choice.count_ones());
    for choice in choices {
        let more = may.iter().enumerate().filter(|(n, _)| choice & 1 << n != 0).map(|(_, entry)| entry.clone());
        let entries: Vec<Entry> = must.iter().cloned().chain(more).collect();
        let text = hall::with_address(text, controller, &entries).map_err(LearnRefused::Said)?;
        match check(&text) {
            Ok(checked) if reaches(&checked.plan, controller, worked) => return Ok(Learned { text, entries }),
            Ok(_) => {}
            Err(report) => drop(refused.get_or_insert(report)),
        }
    }
    Err(match refused {
        Some(report) => LearnRefused::Wrong(report),
        None => LearnRefused::Said(format!("the hall cannot say that of {controller}: write its line by hand")),
    })
}

/// What must be written of it, and what may.
fn words(worked: &Worked) -> (Vec<Entry>, Vec<Entry>) {
    let number = |number: u8| Value::from(i64::from(number));
    let from = |channel: u8, port: &str| vec![("channel", number(channel + 1)), ("port", Value::from(lasting(port)))];
    let wired = |inverted: bool| ("polarity", Value::from(if inverted { "inverted" } else { "normal" }));
    match worked {
        Worked::Control { port, channel, number: cc, reads, inverted } => {
            let mut may = vec![
                ("switch", Value::from(*reads == Reads::Switch)),
                ("fine", Value::from(*reads == Reads::Fine)),
                wired(*inverted),
            ];
            may.extend(from(*channel, port));
            (vec![("cc", number(*cc))], may)
        }
        Worked::Note { port, channel, number: note, inverted } => {
            let mut may = vec![wired(*inverted)];
            may.extend(from(*channel, port));
            (vec![("note", number(*note))], may)
        }
        Worked::Osc { path, from, to } => {
            (vec![("osc", Value::from(path.as_str()))], vec![("from", Value::from(*from)), ("to", Value::from(*to))])
        }
        Worked::Key(name) => (vec![("key", Value::from(name.as_str()))], Vec::new()),
    }
}

/// What of a port's name stays the same from one start to the next: ALSA ends it with numbers, as in "Reed Foot 20:0".
fn lasting(port: &str) -> &str {
    let is_number = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    match port.rsplit_once(' ') {
        Some((name, numbers)) if numbers.split_once(':').is_some_and(|(a, b)| is_number(a) && is_number(b)) => name,
        _ => port,
    }
}

/// Whether what was worked reaches the controller, and as it was worked.
fn reaches(plan: &Plan, controller: &str, worked: &Worked) -> bool {
    let Some(Controller { address, latch, .. }) = plan.controllers.iter().find(|one| one.name == controller) else {
        return false;
    };
    let comes = |channel: &Option<u8>, port: &Option<String>, by: u8, of: &str| {
        channel.is_none_or(|channel| channel == by) && port.as_ref().is_none_or(|part| of.contains(part.as_str()))
    };
    match (worked, address) {
        (
            Worked::Control { port, channel, number, reads, inverted },
            Address::Midi {
                message: Message::Control { number: cc, reads: read },
                channel: on,
                port: at,
                inverted: turned,
            },
        ) => {
            // What is pressed to be turned over is a switch in any case.
            cc == number && (*latch || read == reads) && turned == inverted && comes(on, at, *channel, port)
        }
        (
            Worked::Note { port, channel, number, inverted },
            Address::Midi { message: Message::Note { number: note }, channel: on, port: at, inverted: turned },
        ) => note == number && turned == inverted && comes(on, at, *channel, port),
        (Worked::Osc { path, from, to }, Address::Osc { path: at, from: low, to: high }) => {
            (path, from, to) == (at, low, high)
        }
        (Worked::Key(name), Address::Key(key)) => key == name,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tenterhook_config::{Text, check};

    const PIECE: &str = "
mics = { voice = 1 }
outputs = { left = 1 }
controllers.pedal = { cc = 64, fall = \"2 s\" }
controllers.foot = { cc = 11, channel = 2, curve = \"slow\" }
controllers.held = { cc = 67, latch = true, port = \"Board\" }
[[scene]]
mark = \"A\"
mic.voice.freeze = { by = \"pedal\" }
mic.voice.direct = { by = \"foot\" }
mic.voice.reverse = { by = \"held\" }
";

    fn learn(hall: &str, controller: &str, worked: &Worked) -> Result<String, LearnRefused> {
        let checked = |hall: &str| check(&Text::new("piece.toml", PIECE), Some(&Text::new("hall.toml", hall)));
        write(hall, controller, worked, checked).map(|learned| hall::line(controller, &learned.entries))
    }

    fn control(number: u8, reads: Reads, inverted: bool) -> Worked {
        Worked::Control { port: "Reed Foot MIDI 1 20:0".to_owned(), channel: 2, number, reads, inverted }
    }

    #[test]
    fn no_more_is_written_than_is_needed() {
        for (hall, controller, worked, want) in [
            ("", "pedal", control(66, Reads::Switch, false), "pedal = { cc = 66 }"),
            ("", "pedal", control(66, Reads::Switch, true), "pedal = { cc = 66, polarity = \"inverted\" }"),
            ("", "pedal", control(20, Reads::Switch, false), "pedal = { cc = 20, switch = true }"),
            ("", "pedal", control(64, Reads::Steps, false), "pedal = { cc = 64, switch = false }"),
            ("", "pedal", control(1, Reads::Fine, false), "pedal = { cc = 1, fine = true }"),
            // The piece's own channel would not let it in.
            ("", "foot", control(11, Reads::Steps, false), "foot = { cc = 11, channel = 3 }"),
            ("", "held", control(20, Reads::Steps, false), "held = { cc = 20, port = \"Reed Foot MIDI 1\" }"),
            // Another controller has that number on another channel.
            ("", "pedal", control(11, Reads::Steps, false), "pedal = { cc = 11, channel = 3 }"),
            ("", "foot", Worked::Key("PageDown".to_owned()), "foot = { key = \"PageDown\" }"),
            ("", "foot", Worked::Osc { path: "/sway".to_owned(), from: 0.0, to: 1.0 }, "foot = { osc = \"/sway\" }"),
            (
                "",
                "foot",
                Worked::Osc { path: "/sway".to_owned(), from: 5.0, to: 1.0 },
                "foot = { osc = \"/sway\", from = 5.0 }",
            ),
            (
                "controllers.pedal = { cc = 30, polarity = \"inverted\", fine = true }",
                "pedal",
                Worked::Note { port: "Keys".to_owned(), channel: 0, number: 24, inverted: false },
                "pedal = { note = 24 }",
            ),
            (
                "",
                "pedal",
                Worked::Note { port: "Keys".to_owned(), channel: 0, number: 24, inverted: true },
                "pedal = { note = 24, polarity = \"inverted\" }",
            ),
        ] {
            let learned = learn(hall, controller, &worked);
            assert!(learned.as_deref().is_ok_and(|line| line == want), "{want}: {learned:?}");
        }
    }

    #[test]
    fn what_would_reach_two_is_refused_with_the_reason() {
        let Err(LearnRefused::Wrong(report)) = learn("", "foot", &control(64, Reads::Switch, false)) else {
            panic!("the pedal listens to that on every channel");
        };
        assert!(report.render(false).contains("would reach both"), "{}", report.render(false));
        let broken = learn("controllers.foot = { cc = 300 }", "pedal", &control(1, Reads::Steps, false));
        assert!(matches!(broken, Err(LearnRefused::Wrong(_))));
    }

    #[test]
    fn a_ports_name_is_written_without_the_numbers_of_today() {
        assert_eq!(lasting("Reed Foot:Reed Foot MIDI 1 20:0"), "Reed Foot:Reed Foot MIDI 1");
        assert_eq!(lasting("singer:pedals"), "singer:pedals");
        assert_eq!(lasting("Board 2"), "Board 2");
    }
}
