//! Players: a handbook's, as far as the piece says nothing else.

use super::names::NamesInUse;
use crate::kind::Kind;
use crate::near;
use crate::report::Findings;
use crate::written::{At, NamedTable, Said, WrittenPlayer};
use tenterhook_plan::players::{Instrument, Player, instruments};

/// The players that the piece describes.
pub(super) fn resolve(names: &NamesInUse<'_>, findings: &mut Findings) -> Vec<Player> {
    let mut players: Vec<Player> = Vec::new();
    for named in names.players {
        if named.name.contains(',') {
            let message = format!("the player's name \"{}\" has a comma in it", named.name);
            findings.add(Kind::BadName, named.place, message, "leave the comma out: it parts the names of players");
        }
        let Some(player) = player(named, names.players, findings) else { continue };
        let own = |player: &Player| Instrument::named(&player.name).is_some();
        let meant = |other: &&Player| {
            other.name.to_lowercase() == player.name.to_lowercase()
                || (own(&player) && own(other) && other.instrument == player.instrument)
        };
        if let Some(other) = players.iter().find(meant) {
            let message = format!("\"{}\" and \"{}\" are one player", other.name, named.name);
            findings.add(Kind::NameTwice, named.place, message, "describe it once");
        }
        players.push(player);
    }
    players
}

fn player(
    named: &NamedTable<WrittenPlayer>,
    all: &[NamedTable<WrittenPlayer>],
    findings: &mut Findings,
) -> Option<Player> {
    let NamedTable { name, place, what } = named;
    let names = || instruments().iter().map(|one| one.name);
    let instrument = match (Instrument::named(name), &what.like) {
        (Some(known), Said::Nothing | Said::Wrong) => known,
        (Some(known), Said::Value(At { key, .. })) => {
            let message = format!("\"like\" does nothing here: \"{name}\" is an instrument by itself");
            findings.add(Kind::UselessKey, *key, message, "leave it out, or give this player a name of your own");
            known
        }
        (None, Said::Wrong) => return None,
        (None, Said::Value(like)) => {
            let Some(known) = Instrument::named(&like.value) else {
                let own = all.iter().any(|other| other.name == like.value);
                let message = match own {
                    true => {
                        format!("\"{}\" is described here itself, and no instrument or voice of a handbook", like.value)
                    }
                    false => format!("there is no player \"{}\" that this one could be like", like.value),
                };
                let remedy = near::remedy(&like.value, "players", names());
                findings.add(Kind::UnknownPlayer, like.place, message, remedy);
                return None;
            };
            known
        }
        (None, Said::Nothing) => {
            let message = format!("\"{name}\" is no player that is known, and nothing says whom it is like");
            let near = near::remedy(name, "players", names());
            let remedy = format!("{near} (a name of your own needs like = \"…\" beside it)");
            findings.add(Kind::UnknownPlayer, *place, message, remedy);
            return None;
        }
    };
    let usual = Player::from(instrument);
    let player = Player {
        name: name.clone(),
        low: what.low.value().copied().unwrap_or(usual.low),
        high: what.high.value().copied().unwrap_or(usual.high),
        open: what.open.value().cloned().unwrap_or(usual.open),
        clefs: what.clefs.value().cloned().unwrap_or(usual.clefs),
        transposition: what.transposition.value().copied().unwrap_or(usual.transposition),
        instrument,
    };
    let is_wrong = [&what.low, &what.high].into_iter().any(|said| said.is_said() && said.at().is_none());
    if player.low > player.high && !is_wrong {
        let said = [&what.low, &what.high].into_iter().filter_map(Said::at).map(|at| at.place).max();
        let note = tenterhook_plan::pitch::note_name;
        let message =
            format!("\"{name}\" has no note: from {} to {} there is none", note(player.low), note(player.high));
        let remedy = "write low below high; what is not written is the handbook's";
        findings.add(Kind::EmptyRange, said.unwrap_or(*place), message, remedy);
    }
    Some(player)
}
