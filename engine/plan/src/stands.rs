//! Where an effect stands in the scene in force.

/// Where an effect stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Stands {
    /// It has no part in the scene.
    #[default]
    Out,
    /// Its controller is at rest: it begins when that leaves rest.
    Ready,
    /// Its controller must first come to rest, or, if it is continuous, move away from where it was held.
    Waits,
    /// It sounds.
    On,
}
