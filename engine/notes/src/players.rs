//! Who plays, by name.

use crate::NotesError;
use crate::error::unknown;
use tenterhook_plan::players::{Instrument, Player, instruments};

/// The player of this name: one that the piece `described`, else one of the handbook's instruments.
///
/// # Errors
/// [`NotesError::Unknown`] with names that are near.
pub fn player(name: &str, described: &[Player]) -> Result<Player, NotesError> {
    let wanted = name.trim().to_lowercase();
    // A piece may describe an instrument by any of its names.
    let own = described.iter().find(|one| one.name.to_lowercase() == wanted);
    let instrument = Instrument::named(name);
    let own = own.or_else(|| {
        let means = |one: &&Player| instrument.is_some() && Instrument::named(&one.name) == instrument;
        described.iter().find(means)
    });
    own.cloned().or_else(|| instrument.map(Player::from)).ok_or_else(|| {
        let known = described.iter().map(|one| one.name.as_str()).chain(instruments().iter().map(|one| one.name));
        unknown("player", name, known)
    })
}

/// Players by name. Several of the same get numbers: violin 1, violin 2.
///
/// # Errors
/// [`NotesError::Unknown`] with names that are near.
pub fn ensemble(names: &[impl AsRef<str>], described: &[Player]) -> Result<Vec<Player>, NotesError> {
    let players = names.iter().map(|name| player(name.as_ref(), described)).collect::<Result<Vec<_>, _>>()?;
    let same = |player: &Player, among: &[Player]| among.iter().filter(|other| other.name == player.name).count();
    let named = |(at, player): (usize, &Player)| match same(player, &players) {
        1 => player.clone(),
        _ => Player { name: format!("{} {}", player.name, 1 + same(player, &players[..at])), ..player.clone() },
    };
    Ok(players.iter().enumerate().map(named).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wrong_name_is_told_with_those_near_to_it() {
        let told = |name| player(name, &[]).unwrap_err().to_string();
        assert_eq!(told("violn"), "there is no player `violn`: there are violin, viola, viol, violone");
        assert_eq!(told("harpsicord"), "there is no player `harpsicord`: did you mean `harpsichord`?");
        assert!(told("xylophone").ends_with("great bass viol, sine"), "all: {}", told("xylophone"));
    }

    #[test]
    fn several_of_the_same_are_numbered_and_one_alone_is_not() {
        let players = ensemble(&["violin", "viol", "violin"], &[]).unwrap();
        let names: Vec<_> = players.into_iter().map(|one| one.name).collect();
        assert_eq!(names, ["violin 1", "viol", "violin 2"]);
    }

    #[test]
    fn whom_the_piece_describes_is_found_first_by_any_name_of_the_instrument() {
        let gamba = Player { name: "gamba".to_owned(), low: 33, ..Player::from(Instrument::named("viol").unwrap()) };
        let mara = Player { name: "Mara".to_owned(), high: 86, ..Player::from(Instrument::named("soprano").unwrap()) };
        let described = [gamba, mara];
        for (asked, name, low, high) in [
            ("Viol", "gamba", 33, 69),
            ("GAMBA", "gamba", 33, 69),
            ("mara", "Mara", 60, 86),
            ("soprano", "soprano", 60, 81),
        ] {
            let found = player(asked, &described).unwrap();
            assert_eq!((found.name.as_str(), found.low, found.high), (name, low, high), "{asked}");
        }
        assert_eq!(
            player("Marra", &described).unwrap_err().to_string(),
            "there is no player `Marra`: did you mean `Mara`?"
        );
    }
}
