//! The kinds of errors and cautions, one variant each, so that tests can walk through all of them.

/// How grave a diagnostic is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Severity {
    /// It must be put right before anything runs.
    Error,
    /// It is worth a look.
    Caution,
}

impl Severity {
    /// Its name: `error` or `caution`.
    pub fn name(self) -> &'static str {
        match self {
            Severity::Error => "error",
            Severity::Caution => "caution",
        }
    }
}

impl Kind {
    /// Whether it says that there is nothing of a name.
    pub(crate) fn is_of_a_name(self) -> bool {
        use Kind::{UnknownAfter, UnknownController, UnknownMic, UnknownOutput};
        matches!(self, UnknownMic | UnknownOutput | UnknownController | UnknownAfter)
    }
}

macro_rules! kinds {
    ($($(#[$doc:meta])* $kind:ident $severity:ident $name:literal)*) => {
        /// What a diagnostic is about.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        pub enum Kind {$(
            $(#[$doc])*
            $kind,
        )*}

        impl Kind {
            /// All kinds.
            pub const ALL: &[Kind] = &[$(Kind::$kind),*];

            /// How grave it is.
            pub fn severity(self) -> Severity {
                match self {$(Kind::$kind => Severity::$severity,)*}
            }

            /// Its name for programs, which does not change: `unknown-key`.
            pub fn name(self) -> &'static str {
                match self {$(Kind::$kind => $name,)*}
            }
        }
    };
}

kinds! {
    /// The text is not TOML or not CSV.
    Syntax Error "syntax"
    /// The bytes are not UTF-8.
    NotText Error "not-text"
    /// A key that nothing reads.
    UnknownKey Error "unknown-key"
    /// A key that belongs above the table in which it stands.
    KeyBelongsAbove Error "key-belongs-above"
    /// A key that must be there is not.
    MissingKey Error "missing-key"
    /// A value of another type than its key takes.
    WrongType Error "wrong-type"
    /// A quantity without its unit.
    MissingUnit Error "missing-unit"
    /// A quantity with another unit than its key takes.
    WrongUnit Error "wrong-unit"
    /// A quantity whose number is none.
    NotANumber Error "not-a-number"
    /// A number outside what its key takes.
    OutOfRange Error "out-of-range"
    /// A word that is none of the few that its key takes.
    UnknownWord Error "unknown-word"
    /// A file that the piece names, and that cannot be read as what it should be.
    FileUnread Error "file-unread"
    /// Strings to be tuned that are no notes.
    BadTuning Error "bad-tuning"
    /// A note that is none.
    BadNote Error "bad-note"
    /// A name that is empty, has a slash or a control character, or begins or ends with a space.
    BadName Error "bad-name"
    /// A name that the program keeps for itself.
    ReservedName Error "reserved-name"
    /// One name for a mic and a group.
    NameTwice Error "name-twice"
    /// More of something than the engine can count.
    TooMany Error "too-many"
    /// A piece without mics.
    NoMics Error "no-mics"
    /// A piece without outputs.
    NoOutputs Error "no-outputs"
    /// A piece without scenes.
    NoScenes Error "no-scenes"
    /// A mic or group that is not there.
    UnknownMic Error "unknown-mic"
    /// An output that is not there.
    UnknownOutput Error "unknown-output"
    /// A controller that is not there.
    UnknownController Error "unknown-controller"
    /// A player that is not there.
    UnknownPlayer Error "unknown-player"
    /// An effect that is not there.
    UnknownEffect Error "unknown-effect"
    /// A level of effects that are not there.
    UnknownLevel Error "unknown-level"
    /// `after` names no effect of the same mic or group in the same scene.
    UnknownAfter Error "unknown-after"
    /// A mark that no scene carries.
    UnknownMark Error "unknown-mark"
    /// The name of a key that no keyboard sends.
    UnknownKeyName Error "unknown-key-name"
    /// A group in a group.
    GroupInGroup Error "group-in-group"
    /// A group without mics.
    EmptyGroup Error "empty-group"
    /// A mic twice in a group.
    MicTwice Error "mic-twice"
    /// An output twice in a list.
    OutputTwice Error "output-twice"
    /// Two mics on one input channel.
    MicChannelTaken Error "mic-channel-taken"
    /// Two outputs of a piece on one output channel.
    OutputChannelTaken Error "output-channel-taken"
    /// A private output on the channel of one that is not, without a word that this is meant.
    PrivateShared Error "private-shared"
    /// Two outputs on one channel, so one loudspeaker, that are said to be at two distances.
    AwayDiffers Error "away-differs"
    /// `"none"` in a piece.
    NoneInPiece Error "none-in-piece"
    /// A controller with two addresses.
    SeveralAddresses Error "several-addresses"
    /// Two controllers that one message could both reach.
    MessageReachesTwo Error "message-reaches-two"
    /// Not an Open Sound Control address.
    BadOscAddress Error "bad-osc-address"
    /// A player whose lowest note lies above the highest.
    EmptyRange Error "empty-range"
    /// `from` and `to` are the same.
    SameEnds Error "same-ends"
    /// A key that does nothing where it stands.
    UselessKey Error "useless-key"
    /// A mark that two scenes carry.
    MarkTwice Error "mark-twice"
    /// A scene or a controller like one that is itself like another.
    LikeOfLike Error "like-of-like"
    /// An effect without a controller.
    NoController Error "no-controller"
    /// A controller that works two things at once.
    ControllerWorksTwo Error "controller-works-two"
    /// `next`, `back` or `hush` working an effect.
    CommandWorksEffect Error "command-works-effect"
    /// `next`, `back` or `hush` worked by a controller that shares its address.
    CommandShared Error "command-shared"
    /// `next`, `back` or `hush` worked by a mic's loudness.
    CommandByLoudness Error "command-by-loudness"
    /// Effects that follow one another in a ring.
    AfterRing Error "after-ring"
    /// An effect made once per mic and one made once for the group, one following the other.
    AfterEachMixed Error "after-each-mixed"
    /// A gestures file without its header.
    BadHeader Error "bad-header"
    /// A line of gestures that has not three fields.
    BadRow Error "bad-row"
    /// A time that is none.
    BadTime Error "bad-time"
    /// A time before that of the line before.
    TimeGoesBack Error "time-goes-back"
    /// A gesture's value that is none.
    BadValue Error "bad-value"
    /// A value for a controller that follows a mic's loudness.
    LoudnessWritten Error "loudness-written"
    /// Not a Standard MIDI File, or not one that can be played as gestures.
    BadMidiFile Error "bad-midi-file"
    /// A program change beyond the last scene.
    NoSuchScene Error "no-such-scene"
    /// Something that nothing uses.
    Unused Caution "unused"
    /// An effect that is sent nowhere and that nothing follows.
    NeverHeard Caution "never-heard"
    /// A mic or output that the hall leaves out.
    LeftOut Caution "left-out"
    /// An output whose distance the hall leaves open while it says that of others.
    AwayUnsaid Caution "away-unsaid"
    /// A curve on a controller that says how loud something is.
    BentTwice Caution "bent-twice"
    /// An output whose ceiling leaves no room below full scale.
    HighCeiling Caution "high-ceiling"
    /// MIDI messages that reach no controller.
    MessagesIgnored Caution "messages-ignored"
}
