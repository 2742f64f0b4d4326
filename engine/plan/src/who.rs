//! Where a gesture comes from. It is told and written down; in the sound it matters only for levels, which rise slowly
//! when they come live.

/// Who made a gesture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Who {
    /// The run itself: the scene that is in force from its first sample.
    Start,
    /// A run that broke off and is taken up again: what its journal says.
    Journal,
    /// A gesture that was written down beforehand.
    Written,
    /// A pedal, key or fader, by MIDI.
    Pedal,
    /// A page that was opened with the desk's key, or needs none.
    PageDesk,
    /// A player's page.
    PagePlayer,
    /// A message by OSC.
    Osc,
    /// A key of the program's own terminal.
    Terminal,
    /// The loudness of a mic. What it moves is computed again whenever the run is, so it is never told or written down.
    Loudness,
    /// The run itself: the hush with which it ends.
    End,
}

impl Who {
    /// Whether somebody moves it now. What is written down acts as it stands; a live level rises slowly.
    pub fn is_live(self) -> bool {
        !matches!(self, Who::Start | Who::Journal | Who::Written)
    }

    /// The word for it in a log.
    pub fn word(self) -> &'static str {
        match self {
            Who::Start => "start",
            Who::Journal => "journal",
            Who::Written => "written",
            Who::Pedal => "pedal",
            Who::PageDesk => "page desk",
            Who::PagePlayer => "page player",
            Who::Osc => "osc",
            Who::Terminal => "terminal",
            Who::Loudness => "loudness",
            Who::End => "end",
        }
    }
}
