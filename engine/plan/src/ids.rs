//! Names, as numbers: an id is a place in one list of the [`Plan`](crate::Plan) it belongs to.

macro_rules! ids {
    ($($(#[$doc:meta])* $name:ident)*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub struct $name(pub u16);

        impl $name {
            /// The id of the `index`-th thing of its list.
            ///
            /// # Panics
            /// If `index` is above 65535: no piece has so many of anything.
            pub fn new(index: usize) -> Self {
                Self(u16::try_from(index).expect("a piece has at most 65536 things of a kind"))
            }

            /// The place in its list.
            pub fn index(self) -> usize {
                usize::from(self.0)
            }
        }
    )*};
}

ids! {
    /// A mic, in [`Plan::mics`](crate::Plan::mics).
    MicId
    /// A group, in [`Plan::groups`](crate::Plan::groups).
    GroupId
    /// An output, in [`Plan::outputs`](crate::Plan::outputs).
    OutputId
    /// A controller, in [`Plan::controllers`](crate::Plan::controllers).
    ControllerId
    /// A resident instance of an effect, in [`Plan::instances`](crate::Plan::instances).
    InstanceId
    /// The level of the effects of one name, in [`Plan::trims`](crate::Plan::trims).
    TrimId
    /// A scene, in [`Plan::scenes`](crate::Plan::scenes).
    SceneId
}
