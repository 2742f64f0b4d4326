//! How an effect stands.

/// How an effect stands in the scene.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum EffectState {
    /// The scene does not have it.
    #[default]
    Out,
    /// Its controller is at rest, and it begins when that leaves rest. What sounded before may still be fading.
    Ready,
    /// Its controller was not at rest when the scene came or the hush was released: first it must come to rest. While
    /// everything is hushed all effects of the scene wait.
    Waits,
    /// Its continuous controller was not at rest when the scene came: it must come to rest, or move.
    WaitsOrMoves,
    /// It sounds.
    On,
    /// It broke, or its source's model or analysis did, which it reads: it is silent and stays so.
    Broken,
}
