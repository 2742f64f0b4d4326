//! How an effect stands.

/// Why an effect that sounds cannot do what was asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Lack {
    /// It is to sound what was played, and nothing was.
    NothingSounded,
    /// It has taken in as much as it has memory for.
    MemoryFull,
}

/// How an effect stands in the scene.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum EffectState {
    /// The scene does not have it.
    #[default]
    Out,
    /// Its controller is at rest, and it begins when that leaves rest. What sounded before may still be fading.
    Ready,
    /// Its controller was not at rest when the scene came or the hush was released: first it must come to rest.
    Waits,
    /// Its continuous controller was not at rest when the scene came: it must come to rest, or move.
    WaitsOrMoves,
    /// Everything is hushed.
    Hushed,
    /// It sounds.
    On,
    /// It sounds, but not what was asked.
    Lacks(Lack),
    /// It broke, or its source's model or analysis did, which it reads: it is silent and stays so.
    Broken,
}

impl EffectState {
    /// Whether its controller works it now.
    pub fn is_on(self) -> bool {
        matches!(self, Self::On | Self::Lacks(_))
    }

    /// Why it does not do what was asked, in the words that everybody is told; `None` if it does, or nothing was asked.
    pub fn why_not(self) -> Option<&'static str> {
        match self {
            Self::Out | Self::Ready | Self::On => None,
            Self::Waits | Self::WaitsOrMoves => Some("waits for rest"),
            Self::Hushed => Some("hushed"),
            Self::Lacks(Lack::NothingSounded) => Some("nothing was sounding"),
            Self::Lacks(Lack::MemoryFull) => Some("memory full"),
            Self::Broken => Some("failed"),
        }
    }
}
