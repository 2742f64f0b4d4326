//! Conditions: what one must know during a run. They come, hold for a while, and go.
//!
//! A condition carries facts and no words. The program makes its words in one place, and terminal, JSON and page show the
//! same.

/// Something that one must know for as long as it holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Condition {
    /// What it is, with its facts.
    pub topic: Topic,
    /// The name of what it is about: a mic, an output, a controller, a port; `None`: the run as a whole.
    pub subject: Option<String>,
    /// Whether the sound suffers, or something is being lost, now.
    pub grave: bool,
    /// The engine's sample at which it was first seen.
    pub since: u64,
}

/// What a condition is. `why` is what the system or a file's checker said.
#[derive(Clone, Debug, PartialEq)]
pub enum Topic {
    /// The device has gone, and the clock drives the engine.
    DeviceGone {
        /// Why.
        why: String,
        /// Why it could not be taken up again although there is one.
        refused: Option<String>,
        /// How often it has gone.
        loss: u64,
    },
    /// The device has asked for no block for so many seconds.
    DeviceStill {
        /// Whole seconds.
        seconds: u64,
    },
    /// There is no device: the clock drives the engine from the start.
    NoDevice,
    /// The clocks of input and output differ by more than crystals do.
    ClocksApart {
        /// By how many ppm the input is faster.
        ppm: f32,
    },
    /// Blocks were late.
    LateBlocks(Counted),
    /// The device reported gaps.
    Gaps(Counted),
    /// The log is no longer kept.
    LogLost {
        /// Why.
        why: String,
    },
    /// What was saved last does not play, and the version before it goes on.
    PieceBroken {
        /// Why.
        why: String,
    },
    /// No journal is kept.
    JournalLost {
        /// Why.
        why: String,
    },
    /// A run that had broken off was taken up again, and no scene was fired since.
    TakenUp {
        /// Where and how.
        how: String,
    },
    /// A MIDI port is gone: the subject.
    PortGone {
        /// The controllers that were worked by it, and keep their values.
        keep: Vec<String>,
    },
    /// A MIDI switch, the subject, is most likely wired the other way round.
    SwitchTurned {
        /// It is written down as inverted.
        inverted: bool,
    },
    /// What comes from a mic is NaN or infinite.
    NotNumbers,
    /// A mic clips.
    Clips,
    /// An output comes back by a mic, louder each time, until its limiter holds it.
    Howls,
    /// A mic stands beside zero (DC), and no highpass takes that away.
    Offset {
        /// By how much, in dBFS.
        db: f32,
    },
    /// An output's limiter holds it down.
    Limited {
        /// The most that it took in the last seconds, in dB.
        db: f32,
    },
    /// Gestures were lost because too many came at once.
    GesturesLost {
        /// How many, since the start.
        count: u64,
    },
    /// A message of OSC made no sense; the subject is its address, as it was sent.
    OscSenseless {
        /// The address in the network that sent it.
        from: String,
        /// Why.
        why: Nonsense,
    },
    /// OSC is not heard, because its port cannot be had.
    OscUnheard {
        /// Why.
        why: String,
    },
    /// An effect, the subject, panicked: it is silent to the end.
    EffectBroke {
        /// Where in the program.
        place: String,
    },
    /// What is worked out of a source, the subject, for the effects that read it panicked: these are silent to the end.
    ModelBroke {
        /// Where in the program.
        place: String,
        /// The effects that read it.
        silent: Vec<String>,
    },
    /// The same of its analysis.
    AnalysisBroke {
        /// Where in the program.
        place: String,
        /// The effects that read it.
        silent: Vec<String>,
    },
    /// The engine itself panicked, and whole blocks are silent.
    EngineBroke {
        /// Where in the program it first did.
        place: String,
    },
    /// OSC does not reach a receiver: the subject.
    OscUnreached {
        /// Why.
        why: String,
    },
}

/// Why a message makes no sense.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Nonsense {
    /// The packet is none of OSC, or nests too deep.
    Packet,
    /// The address is none of OSC.
    Address,
    /// Nothing here has this address.
    Nothing,
    /// It needs a number.
    NoNumber,
    /// It names no mark of the piece.
    NoMark,
    /// Its time is more than a minute ahead.
    Far,
}

/// What is counted as it happens.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counted {
    /// In the last seconds.
    pub lately: u64,
    /// Since the start.
    pub total: u64,
    /// Whole seconds since the last one.
    pub ago: u64,
    /// Whose doing the late ones are.
    pub cause: Cause,
}

/// Whose doing it is that time was lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// The piece asks too much of the machine.
    Work,
    /// Something else on the machine, or the device.
    Others,
    /// The system does not tell.
    Unknown,
}

impl Topic {
    /// Its name, for programs.
    pub fn name(&self) -> &'static str {
        match self {
            Topic::DeviceGone { .. } => "device-gone",
            Topic::DeviceStill { .. } => "device-still",
            Topic::NoDevice => "no-device",
            Topic::ClocksApart { .. } => "clocks-apart",
            Topic::LateBlocks(_) => "late-blocks",
            Topic::Gaps(_) => "gaps",
            Topic::LogLost { .. } => "log-lost",
            Topic::PieceBroken { .. } => "piece-broken",
            Topic::JournalLost { .. } => "journal-lost",
            Topic::TakenUp { .. } => "taken-up",
            Topic::PortGone { .. } => "port-gone",
            Topic::SwitchTurned { .. } => "switch-turned",
            Topic::NotNumbers => "not-numbers",
            Topic::Clips => "clips",
            Topic::Howls => "howls",
            Topic::Offset { .. } => "offset",
            Topic::Limited { .. } => "limited",
            Topic::GesturesLost { .. } => "gestures-lost",
            Topic::OscSenseless { .. } => "osc-senseless",
            Topic::OscUnheard { .. } => "osc-unheard",
            Topic::OscUnreached { .. } => "osc-unreached",
            Topic::EffectBroke { .. } => "effect-broke",
            Topic::ModelBroke { .. } => "model-broke",
            Topic::AnalysisBroke { .. } => "analysis-broke",
            Topic::EngineBroke { .. } => "engine-broke",
        }
    }

    /// Whether its facts are numbers that go on by themselves: to tell each anew would bury the rest.
    fn counts(&self) -> bool {
        match self {
            Topic::DeviceStill { .. }
            | Topic::ClocksApart { .. }
            | Topic::LateBlocks(_)
            | Topic::Gaps(_)
            | Topic::Offset { .. }
            | Topic::Limited { .. }
            | Topic::GesturesLost { .. } => true,
            Topic::DeviceGone { .. }
            | Topic::NoDevice
            | Topic::LogLost { .. }
            | Topic::PieceBroken { .. }
            | Topic::JournalLost { .. }
            | Topic::TakenUp { .. }
            | Topic::PortGone { .. }
            | Topic::SwitchTurned { .. }
            | Topic::NotNumbers
            | Topic::Clips
            | Topic::OscUnheard { .. }
            | Topic::OscSenseless { .. }
            | Topic::Howls
            | Topic::EffectBroke { .. }
            | Topic::ModelBroke { .. }
            | Topic::AnalysisBroke { .. }
            | Topic::EngineBroke { .. }
            | Topic::OscUnreached { .. } => false,
        }
    }

    /// A device that has gone twice is two conditions, even if nobody looked between.
    fn loss(&self) -> u64 {
        if let Topic::DeviceGone { loss, .. } = self { *loss } else { 0 }
    }
}

impl Condition {
    /// Whether both are one condition, at two moments.
    pub fn is(&self, other: &Self) -> bool {
        let which = |one: &Self| (std::mem::discriminant(&one.topic), one.topic.loss());
        which(self) == which(other) && self.subject == other.subject
    }

    /// Whether it must be told again to whoever knows `before`.
    fn is_other_than(&self, before: &Self) -> bool {
        self.grave != before.grave || !self.topic.counts() && self.topic != before.topic
    }
}

/// All that holds at one moment.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Conditions(Vec<Condition>);

/// How a condition differs between two moments.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Turn<'a> {
    /// It holds from now on.
    Came(&'a Condition),
    /// It has become grave, or no longer is, or something is to be said of it that was not; as it is now.
    Changed(&'a Condition),
    /// It no longer holds; as it was last.
    Went(&'a Condition),
}

impl Conditions {
    /// What holds now, given what held before: it has held since then.
    pub fn after(before: &Self, now: Vec<Condition>) -> Self {
        let since = |one: Condition| before.like(&one).map_or(one.since, |old| old.since);
        Self(now.into_iter().map(|one| Condition { since: since(one.clone()), ..one }).collect())
    }

    /// All of them, in the order in which they were found.
    pub fn iter(&self) -> std::slice::Iter<'_, Condition> {
        self.0.iter()
    }

    fn like(&self, one: &Condition) -> Option<&Condition> {
        self.0.iter().find(|other| other.is(one))
    }

    /// What went, then what came or changed, since `before`.
    pub fn turns<'a>(&'a self, before: &'a Self) -> impl Iterator<Item = Turn<'a>> {
        let went = before.0.iter().filter(|one| self.like(one).is_none()).map(Turn::Went);
        let told = self.0.iter().filter_map(|one| match before.like(one) {
            None => Some(Turn::Came(one)),
            Some(old) => one.is_other_than(old).then_some(Turn::Changed(one)),
        });
        went.chain(told)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(topic: Topic, subject: Option<&str>, grave: bool, since: u64) -> Condition {
        Condition { topic, subject: subject.map(str::to_owned), grave, since }
    }

    fn limited(output: &str, db: f32, grave: bool, since: u64) -> Condition {
        of(Topic::Limited { db }, Some(output), grave, since)
    }

    #[test]
    fn a_condition_comes_once_and_goes_once_and_keeps_its_beginning() {
        let empty = Conditions::default();
        let first =
            Conditions::after(&empty, vec![limited("left", 1.0, false, 100), limited("right", 1.0, false, 100)]);
        assert_eq!(first.turns(&empty).filter(|turn| matches!(turn, Turn::Came(_))).count(), 2);
        let second = Conditions::after(&first, vec![limited("right", 2.0, false, 200)]);
        assert_eq!(second.turns(&first).collect::<Vec<_>>(), [Turn::Went(&limited("left", 1.0, false, 100))]);
        assert_eq!(second.iter().collect::<Vec<_>>(), [&limited("right", 2.0, false, 100)], "it has held since then");
        let third = Conditions::after(&second, vec![limited("right", 9.0, true, 300)]);
        assert_eq!(third.turns(&second).collect::<Vec<_>>(), [Turn::Changed(&limited("right", 9.0, true, 100))]);
        assert_eq!(empty.turns(&third).collect::<Vec<_>>(), [Turn::Went(&limited("right", 9.0, true, 100))]);
    }

    #[test]
    fn reasons_are_told_anew_and_numbers_are_not() {
        let one = |topic| Conditions::after(&Conditions::default(), vec![of(topic, None, true, 0)]);
        let why = |why: &str| one(Topic::LogLost { why: why.to_owned() });
        assert_eq!(why("full").turns(&why("full")).count(), 0);
        assert!(matches!(why("gone").turns(&why("full")).collect::<Vec<_>>()[..], [Turn::Changed(_)]));
        let still = |seconds| one(Topic::DeviceStill { seconds });
        assert_eq!(still(4).turns(&still(3)).count(), 0);
        let gone = |loss| one(Topic::DeviceGone { why: "it ended".to_owned(), refused: None, loss });
        assert!(matches!(gone(2).turns(&gone(1)).collect::<Vec<_>>()[..], [Turn::Went(_), Turn::Came(_)]));
    }
}
