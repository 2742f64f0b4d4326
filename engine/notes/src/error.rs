//! What can be wrong with what is asked for: each says where, why, and what to do.

use thiserror::Error;

/// Why something was not written out.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum NotesError {
    /// A name that is not in a list.
    #[error("there is no {what} `{name}`: {}", remedy(near))]
    Unknown {
        /// What the list holds.
        what: &'static str,
        /// The name asked for.
        name: String,
        /// Names to take instead, the nearest first.
        near: Vec<String>,
    },
    /// More players than can be told apart.
    #[error("{players} players are too many: {what} takes {most}; leave some out")]
    Players {
        /// How many there are.
        players: usize,
        /// What cannot take them.
        what: &'static str,
        /// How many it takes.
        most: usize,
    },
    /// A frequency of a' that is none.
    #[error("a' = {0} Hz is no tuning: give a frequency above 0, such as 415")]
    Tuning(f64),
    /// A tempo that is none.
    #[error("{0} quarters a minute is no tempo: give a number from 10 to 600, such as 60")]
    Tempo(f64),
    /// Moments out of their order.
    #[error("moment {moment}, at {seconds:.3} s, begins before the one before it ends: give moments in time order")]
    Order {
        /// Which moment, counted from 1.
        moment: usize,
        /// Its beginning.
        seconds: f64,
    },
    /// A moment whose times are no times.
    #[error("moment {moment} goes from {from} s to {to} s: give times from 0 to 3600 s, the end after the beginning")]
    Times {
        /// Which moment, counted from 1.
        moment: usize,
        /// Its beginning.
        from: f64,
        /// Its end.
        to: f64,
    },
    /// Moments too near each other for the tempo.
    #[error(
        "moments {} and {moment} both begin in the sixteenth at {seconds:.3} s when a minute has {tempo} quarters: take a \
         quicker tempo, fewer moments, or held chords",
        moment - 1
    )]
    Crowded {
        /// The later one, counted from 1.
        moment: usize,
        /// Where its sixteenth begins.
        seconds: f64,
        /// Quarters a minute.
        tempo: f64,
    },
    /// Nothing to write.
    #[error("{0} has no partials: choose a moment that has some, or a lower threshold")]
    Empty(&'static str),
    /// A number that cannot be written.
    #[error("partial {partial} has {what} {value}: {remedy}")]
    Number {
        /// Which partial, counted from 1.
        partial: usize,
        /// What is wrong about it.
        what: &'static str,
        /// What it is.
        value: f64,
        /// What it must be.
        remedy: &'static str,
    },
    /// A format that refused what it was given.
    #[error("{what} cannot be made, since {why}: {remedy}")]
    Refused {
        /// What was to be made.
        what: &'static str,
        /// What is in the way.
        why: String,
        /// What to do.
        remedy: &'static str,
    },
}

fn remedy(near: &[String]) -> String {
    match near {
        [] => "see the list".to_owned(),
        [one] => format!("did you mean `{one}`?"),
        all => format!("there are {}", all.join(", ")),
    }
}

/// The error for a name that is not among these: it shows those near to it, or all if none is.
pub(crate) fn unknown<'a>(what: &'static str, name: &str, all: impl Iterator<Item = &'a str> + Clone) -> NotesError {
    let lower = name.to_lowercase();
    let distance = |candidate: &str| strsim::damerau_levenshtein(&lower, &candidate.to_lowercase());
    let mut near: Vec<_> =
        all.clone().filter(|candidate| distance(candidate) <= 1 + lower.chars().count() / 4).collect();
    near.sort_by_key(|candidate| distance(candidate));
    if near.is_empty() {
        near = all.collect();
    }
    NotesError::Unknown { what, name: name.to_owned(), near: near.into_iter().map(str::to_owned).collect() }
}
