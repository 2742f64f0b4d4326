//! What is kept of a run: the log, the journal, the last seconds.

pub(crate) mod journal;
pub(crate) mod log;
pub(crate) mod recent;
pub(crate) mod tap;
