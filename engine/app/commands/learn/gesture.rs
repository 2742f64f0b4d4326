//! Which gesture somebody makes, told from all that comes from outside meanwhile.

use tenterhook_io::EarHeard;
use tenterhook_plan::{FINER, Reads};

/// Seconds of rest after which a gesture is over.
const QUIET: f64 = 0.6;
/// Seconds of rest after which the next thing to do is said.
const HINT: f64 = 1.5;
/// What has moved for so many seconds without rest is no gesture: a sensor in somebody's hand, another machine's meters.
const RESTLESS: f64 = 3.0;
/// Addresses of the program itself, by which other machines tell what they do.
const OWN: &str = "/tenterhook/";
/// Seconds within which a switch's contacts bounce, twice what the engine holds back.
const BOUNCE: f64 = 0.05;
/// Steps, of 127, by which a control change has clearly moved: a quarter of its way. A sensor that flickers, or a neighbour
/// that is touched, moves by less. Common practice, no source.
const CLEAR: f64 = 32.0;
/// The engine takes values up to 0.03 for rest: 3 steps of 127.
const RESTS: f64 = 3.0;

/// What somebody worked.
#[derive(Clone, Debug, PartialEq)]
pub enum Worked {
    /// A MIDI control change.
    Control { port: String, channel: u8, number: u8, reads: Reads, inverted: bool },
    /// A MIDI note.
    Note { port: String, channel: u8, number: u8, inverted: bool },
    /// An OSC address, with the numbers that it sends at rest and at its other end.
    Osc { path: String, from: f64, to: f64 },
    /// A key.
    Key(String),
}

/// What is known so far.
#[derive(Clone, Debug, PartialEq)]
pub enum Look {
    /// Nothing new.
    Nothing,
    /// What to do, or to do otherwise.
    Hint(String),
    /// This was worked; and what is worth a caution.
    Clear(Worked, Option<String>),
}

/// What comes from one place.
#[derive(Clone, Debug, PartialEq)]
enum LearnPlace {
    Control { port: String, channel: u8, number: u8 },
    Note { port: String, channel: u8, number: u8 },
    Osc(String),
}

impl LearnPlace {
    fn words(&self) -> String {
        match self {
            LearnPlace::Control { number, channel, .. } => format!("MIDI control {number} on channel {}", channel + 1),
            LearnPlace::Note { number, channel, .. } => format!("MIDI note {number} on channel {}", channel + 1),
            LearnPlace::Osc(path) => format!("OSC {path}"),
        }
    }
}

/// The values that came from one place, with their times.
struct ControlTrack {
    place: LearnPlace,
    values: Vec<(f64, f64)>,
}

impl ControlTrack {
    fn last(&self) -> (f64, f64) {
        self.values.last().copied().unwrap_or((0.0, 0.0))
    }

    fn ends(&self) -> (f64, f64) {
        let values = self.values.iter().map(|(_, value)| *value);
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| (low.min(value), high.max(value)))
    }

    /// How many values lasted, without the bouncing of contacts.
    fn stands(&self) -> usize {
        let bounce = if matches!(self.place, LearnPlace::Control { .. }) { BOUNCE } else { 0.0 };
        let mut stands: Vec<(f64, f64)> = Vec::new();
        for &(at, value) in &self.values {
            match stands.last_mut() {
                Some(last) if at - last.0 < bounce => last.1 = value,
                Some(last) if last.1 == value => {}
                _ => stands.push((at, value)),
            }
        }
        stands.dedup_by_key(|(_, value)| *value);
        stands.len()
    }

    /// It knows two values only.
    fn is_switch(&self) -> bool {
        let (low, high) = self.ends();
        self.values.iter().all(|(_, value)| *value == low || *value == high)
    }

    /// Whether it moves on and on.
    fn is_restless(&self, now: f64) -> bool {
        let mut since = now;
        for (at, _) in self.values.iter().rev() {
            if since - at >= QUIET {
                break;
            }
            since = *at;
        }
        now - since >= RESTLESS
    }

    fn has_moved(&self) -> bool {
        let (low, high) = self.ends();
        let far = match self.place {
            LearnPlace::Control { .. } => high - low >= CLEAR,
            LearnPlace::Note { .. } | LearnPlace::Osc(_) => high > low,
        };
        far && (!self.is_switch() || self.stands() >= 2)
    }
}

/// Watches what comes until somebody has made one clear gesture. It knows no clock: times are seconds since any moment.
#[derive(Default)]
pub struct GestureWatch {
    tracks: Vec<ControlTrack>,
    keys: Vec<String>,
    hinted: Option<String>,
}

impl GestureWatch {
    /// Takes in what came from outside.
    pub fn hear(&mut self, heard: &EarHeard, at: f64) {
        let (place, value) = match heard {
            EarHeard::Osc { path, .. } if path.starts_with(OWN) => return,
            EarHeard::Osc { path, number } => (LearnPlace::Osc(path.clone()), *number),
            EarHeard::Midi { port, bytes: [status, number, value] } => {
                let (port, channel, number) = (port.clone(), status & 0x0F, *number);
                match status & 0xF0 {
                    0xB0 => (LearnPlace::Control { port, channel, number }, f64::from(*value)),
                    // A note-on of velocity 0 is a note-off (MIDI 1.0).
                    0x90 => (LearnPlace::Note { port, channel, number }, if *value > 0 { 1.0 } else { 0.0 }),
                    0x80 => (LearnPlace::Note { port, channel, number }, 0.0),
                    _ => return,
                }
            }
        };
        match self.tracks.iter_mut().find(|track| track.place == place) {
            Some(track) => track.values.push((at, value)),
            None => self.tracks.push(ControlTrack { place, values: vec![(at, value)] }),
        }
    }

    /// Takes in a key of the terminal, by its name.
    pub fn key(&mut self, name: String) {
        self.keys.push(name);
    }

    /// What is known at a time.
    pub fn look(&mut self, now: f64) -> Look {
        if let Some(key) = self.keys.pop() {
            return Look::Clear(Worked::Key(key), None);
        }
        let moved = self.tracks.iter().filter(|track| track.has_moved() && !self.is_finer(track));
        let (restless, moved): (Vec<_>, Vec<_>) = moved.partition(|track| track.is_restless(now));
        if moved.iter().any(|track| now - track.last().0 < QUIET) {
            return Look::Nothing;
        }
        match moved[..] {
            [] => match restless.first() {
                Some(track) => self.hint(format!("{} never rests, and is left aside", track.place.words())),
                None => self.wait(now),
            },
            [track] => match self.judge(track) {
                Ok((worked, caution)) => Look::Clear(worked, caution),
                Err(words) => self.hint(words),
            },
            [one, other, ..] => {
                let words =
                    format!("two things moved: {} and {}; move one only", one.place.words(), other.place.words());
                self.tracks.clear();
                self.hint(words)
            }
        }
    }

    /// Whether a track is the finer part of another that has moved.
    fn is_finer(&self, track: &ControlTrack) -> bool {
        let LearnPlace::Control { port, channel, number } = &track.place else { return false };
        number.checked_sub(FINER).is_some_and(|number| {
            let place = LearnPlace::Control { port: port.clone(), channel: *channel, number };
            self.tracks.iter().any(|greater| greater.place == place && self.has_finer(greater))
        })
    }

    /// Whether a control change comes in pairs: with nearly each greater part a finer one, of many values.
    fn has_finer(&self, track: &ControlTrack) -> bool {
        let LearnPlace::Control { port, channel, number } = &track.place else { return false };
        let Some(number) = number.checked_add(FINER).filter(|finer| *finer < 2 * FINER) else { return false };
        let place = LearnPlace::Control { port: port.clone(), channel: *channel, number };
        let Some(finer) = self.tracks.iter().find(|track| track.place == place) else { return false };
        track.has_moved() && !finer.is_switch() && 2 * finer.values.len() >= track.values.len()
    }

    fn judge(&self, track: &ControlTrack) -> Result<(Worked, Option<String>), String> {
        let (low, high) = track.ends();
        let rest = track.last().1;
        let near_low = rest - low <= high - rest;
        if (rest - low).min(high - rest) > (high - low) / 4.0 {
            return Err(format!("{} stopped half-way: move it back to where it rests", track.place.words()));
        }
        let first = track.values.first().map_or(rest, |(_, value)| *value);
        if !track.is_switch() && (first - rest).abs() > 0.75 * (high - low) {
            return Err(format!("{} stays at its other end: move it back to where it rests", track.place.words()));
        }
        Ok(match track.place.clone() {
            LearnPlace::Note { .. } if rest > 0.0 && first > 0.0 => return Err("let go of it".to_owned()),
            // One that sounds while nobody presses it ends with the press.
            LearnPlace::Note { port, channel, number } => {
                (Worked::Note { port, channel, number, inverted: rest > 0.0 }, None)
            }
            LearnPlace::Control { port, channel, number } => {
                let reads = match (track.is_switch(), self.has_finer(track)) {
                    (true, _) => Reads::Switch,
                    (false, true) => Reads::Fine,
                    (false, false) => Reads::Steps,
                };
                let inverted = !near_low;
                let above = if inverted { 127.0 - rest } else { rest };
                let restless = reads != Reads::Switch && above > RESTS;
                let caution = restless.then(|| {
                    format!(
                        "at rest it sends {rest}, and more than {RESTS} steps from its end count as moved: the effect \
                         will not end"
                    )
                });
                (Worked::Control { port, channel, number, reads, inverted }, caution)
            }
            LearnPlace::Osc(path) => {
                let to = if near_low { high } else { low };
                // What rests near 0 and goes to 1 is what a piece expects of OSC.
                let usual = rest.abs() <= 0.03 && (to - 1.0).abs() <= 0.1;
                let (from, to) = if usual { (0.0, 1.0) } else { (rounded(rest), rounded(to)) };
                (Worked::Osc { path, from, to }, None)
            }
        })
    }

    /// Nothing has moved clearly yet: what may help.
    fn wait(&mut self, now: f64) -> Look {
        let latest = self.tracks.iter().max_by(|a, b| a.last().0.total_cmp(&b.last().0));
        let Some(track) = latest.filter(|track| now - track.last().0 >= HINT) else { return Look::Nothing };
        let (low, high) = track.ends();
        let words = if low == high || !matches!(track.place, LearnPlace::Control { .. }) {
            format!("{} has said {}: let go of it, or move it back", track.place.words(), track.last().1)
        } else {
            format!("{} has moved by {} steps of 127: move it all the way, and back", track.place.words(), high - low)
        };
        self.hint(words)
    }

    /// Says the same once.
    fn hint(&mut self, words: String) -> Look {
        if self.hinted.as_ref() == Some(&words) {
            return Look::Nothing;
        }
        self.hinted = Some(words.clone());
        Look::Hint(words)
    }
}

/// To three digits, as a person would write it.
fn rounded(number: f64) -> f64 {
    format!("{number:.2e}").parse().unwrap_or(number)
}

#[cfg(test)]
mod tests {
    use super::*;

    const PORT: &str = "Reed Foot";

    fn cc(number: u8, value: u8) -> EarHeard {
        EarHeard::Midi { port: PORT.to_owned(), bytes: [0xB2, number, value] }
    }

    /// What is learned of messages at times, once all is quiet.
    fn learned(came: impl IntoIterator<Item = (f64, EarHeard)>) -> Look {
        let mut watch = GestureWatch::default();
        let mut now = 0.0;
        for (at, heard) in came {
            while now < at {
                let look = watch.look(now);
                if matches!(look, Look::Clear(..)) {
                    return look;
                }
                now += 0.02;
            }
            watch.hear(&heard, at);
        }
        let mut last = Look::Nothing;
        for step in 1..200 {
            match watch.look(now + 0.02 * f64::from(step)) {
                Look::Nothing => {}
                look @ Look::Clear(..) => return look,
                hint => last = hint,
            }
        }
        last
    }

    fn control(number: u8, reads: Reads, inverted: bool) -> Look {
        Look::Clear(Worked::Control { port: PORT.to_owned(), channel: 2, number, reads, inverted }, None)
    }

    fn sweep(number: u8, values: impl Iterator<Item = u8>) -> Vec<(f64, EarHeard)> {
        values.enumerate().map(|(n, value)| (n as f64 * 0.01, cc(number, value))).collect()
    }

    #[test]
    fn a_switch_and_its_polarity_are_known_by_what_it_says_last() {
        let press = |down: u8| vec![(0.0, cc(66, down)), (0.7, cc(66, 127 - down))];
        assert_eq!(learned(press(127)), control(66, Reads::Switch, false));
        assert_eq!(learned(press(0)), control(66, Reads::Switch, true));
        // Bouncing, and held for long.
        let bounced = [(0.0, 127), (0.01, 0), (0.02, 127), (3.0, 0), (3.01, 127), (3.02, 0)];
        assert_eq!(learned(bounced.map(|(at, value)| (at, cc(66, value)))), control(66, Reads::Switch, false));
    }

    #[test]
    fn what_moves_through_many_values_is_no_switch() {
        let there_and_back = || (0..=127).chain((0..127).rev());
        assert_eq!(learned(sweep(11, there_and_back())), control(11, Reads::Steps, false));
        assert_eq!(learned(sweep(64, there_and_back().map(|value| 127 - value))), control(64, Reads::Steps, true));
        let fine = sweep(1, there_and_back())
            .into_iter()
            .flat_map(|(at, heard)| [(at, heard), (at + 0.001, cc(33, (at * 1000.0) as u8 % 128))]);
        assert_eq!(learned(fine), control(1, Reads::Fine, false));
        // A pedal beside which another one happens to have the other number.
        let mut beside = sweep(1, there_and_back());
        beside.insert(0, (0.0, cc(33, 4)));
        assert_eq!(learned(beside), control(1, Reads::Steps, false));
    }

    #[test]
    fn a_sensor_that_flickers_meanwhile_is_no_gesture() {
        let press = [(0.05, 127u8), (0.7, 0)].map(|(at, value)| (at, cc(64, value)));
        let mut all: Vec<_> = (0..200).map(|n| (f64::from(n) * 0.01, cc(74, 60 + n as u8 % 2))).collect();
        all.extend(press);
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        assert_eq!(learned(all), control(64, Reads::Switch, false));
    }

    #[test]
    fn what_never_rests_is_no_gesture_and_what_this_program_tells_neither() {
        let tilt = |path: &str| {
            let stream = (0..200).map(|n| (f64::from(n) * 0.03, (f64::from(n) * 0.1).sin()));
            stream.map(|(at, number)| (at, EarHeard::Osc { path: path.to_owned(), number })).collect::<Vec<_>>()
        };
        for path in ["/tilt", "/tenterhook/meter/mic/voice"] {
            let mut all = tilt(path);
            all.extend([(3.5, 127u8), (3.9, 0)].map(|(at, value)| (at, cc(64, value))));
            all.sort_by(|a, b| a.0.total_cmp(&b.0));
            assert_eq!(learned(all), control(64, Reads::Switch, false), "{path}");
        }
        let mut watch = GestureWatch::default();
        tilt("/tilt").iter().for_each(|(at, heard)| watch.hear(heard, *at));
        assert!(matches!(watch.look(6.0), Look::Hint(words) if words.contains("OSC /tilt never rests")));
    }

    #[test]
    fn notes_keys_and_osc_are_learned_too() {
        let note = |status, velocity| EarHeard::Midi { port: PORT.to_owned(), bytes: [status, 30, velocity] };
        let worked = |inverted| Worked::Note { port: PORT.to_owned(), channel: 0, number: 30, inverted };
        assert_eq!(learned([(0.0, note(0x90, 9)), (0.3, note(0x90, 0))]), Look::Clear(worked(false), None));
        assert_eq!(learned([(0.0, note(0x80, 0)), (0.3, note(0x90, 9))]), Look::Clear(worked(true), None));
        let mut watch = GestureWatch::default();
        watch.key("PageDown".to_owned());
        assert_eq!(watch.look(0.0), Look::Clear(Worked::Key("PageDown".to_owned()), None));
        let osc = |values: &[f64]| {
            let heard = |(n, value): (usize, &f64)| {
                (n as f64 * 0.1, EarHeard::Osc { path: "/sway".to_owned(), number: *value })
            };
            match learned(values.iter().enumerate().map(heard)) {
                Look::Clear(Worked::Osc { path, from, to }, None) => (path, from, to),
                other => panic!("{other:?}"),
            }
        };
        assert_eq!(osc(&[0.4, 1.0, 0.5, 0.01]), ("/sway".to_owned(), 0.0, 1.0));
        assert_eq!(osc(&[0.2, 9.8123, 1.0, -9.8123]), ("/sway".to_owned(), -9.81, 9.81));
        assert_eq!(osc(&[100.0, 20.0, 99.0]), ("/sway".to_owned(), 99.0, 20.0));
    }

    #[test]
    fn what_is_not_clear_is_asked_for_in_words() {
        let hint = |came: Vec<(f64, EarHeard)>| match learned(came) {
            Look::Hint(words) => words,
            other => panic!("{other:?}"),
        };
        assert!(hint(vec![(0.0, cc(64, 127))]).contains("let go"));
        assert!(hint(sweep(11, 0..20)).contains("all the way"));
        assert!(hint(sweep(11, (0..=127).chain((60..127).rev()))).contains("half-way"));
        assert!(hint(sweep(11, 0..=127)).contains("stays at its other end"));
        let fader =
            |n: u32| (f64::from(n) * 0.05, EarHeard::Osc { path: "/fader".to_owned(), number: f64::from(n) / 10.0 });
        assert!(hint((0..=10).map(fader).collect()).contains("stays at its other end"));
        let note = |status: u8| EarHeard::Midi { port: PORT.to_owned(), bytes: [status, 30, 99] };
        let held = [(0.0, 0x90), (0.3, 0x80), (0.6, 0x90)].map(|(at, status)| (at, note(status)));
        assert!(hint(held.to_vec()).contains("let go"));
        let two =
            sweep(11, (0..=127).chain((0..127).rev())).into_iter().chain(sweep(12, (0..=127).chain((0..127).rev())));
        assert!(hint(two.collect()).contains("move one only"));
        // One that never comes back to what counts as rest.
        let worn = learned(sweep(11, (9..=127).chain((9..127).rev())));
        assert!(matches!(worn, Look::Clear(_, Some(words)) if words.contains("sends 9")));
    }
}
