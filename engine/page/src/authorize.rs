//! Who may do what: from what a page asks to a gesture, or to words that say why not.

use tenterhook_plan::{
    Controller, ControllerId, EngineState, Gesture, Keys, LEAST_LEVEL_DB, LEAST_TRIM_DB, MOST_LEVEL_DB, MOST_TRIM_DB,
    MicId, Plan, SceneId,
};

use crate::access::Role;
use crate::score::lever;
use crate::wire::{Ask, mark};

/// What comes of an [`Ask`].
#[derive(Clone, Debug, PartialEq)]
pub enum PageAnswer {
    /// It is these gestures: one, or for a key one for each controller that has it.
    Gestures(Vec<Gesture>),
    /// The meters start again.
    Reset,
    /// What reaches this controller is to be learned; none: nothing any more.
    Learn(Option<ControllerId>),
    /// The levels of effects are to be written into the hall file.
    Keep,
    /// The page belongs to this mic's player, or to nobody.
    Part(Option<MicId>),
    /// Rightly nothing: the moment for it has passed.
    Nothing,
}

/// Why something was refused, in words.
pub type PageRefused = String;

/// Who asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PageWho {
    /// What they may do.
    pub role: Role,
    /// The mic whose player this is.
    pub part: Option<MicId>,
    /// The controller that was moved last by whoever asks.
    pub moved: Option<ControllerId>,
}

/// What comes of what somebody asks, as things stand.
///
/// # Errors
/// Why they may not, or what the piece does not have.
pub fn answer(ask: &Ask, who: PageWho, state: &EngineState) -> Result<PageAnswer, PageRefused> {
    let plan = &*state.plan;
    if let Ask::Part { mic } = ask {
        return Ok(PageAnswer::Part(mic.as_deref().map(|name| named_mic(plan, name)).transpose()?));
    }
    let gestures = match meant(ask, state)? {
        Some(PageAnswer::Gestures(gestures)) => gestures,
        Some(other) => return desk_only(who.role).map(|()| other),
        None => return Ok(PageAnswer::Nothing),
    };
    let moves = |gesture: &Gesture| match gesture {
        Gesture::Controller { id, .. } | Gesture::Press { id, .. } => Some(*id),
        _ => None,
    };
    match who.role {
        Role::Player if gestures.iter().all(|gesture| moves(gesture).is_some()) => {
            let own = who.part.and_then(|mic| lever(plan, state.scene_id(), mic));
            // A scene may have come while a hand was on the lever: letting go is always allowed.
            let lets_go = |gesture: &Gesture| {
                matches!(gesture, Gesture::Controller { value: 0.0, .. } | Gesture::Press { down: false, .. })
            };
            let is = |gesture: &Gesture, id: Option<ControllerId>| id.is_some() && moves(gesture) == id;
            // A key that two controllers share moves both, and the scene uses one of them.
            let may = |gesture: &Gesture| is(gesture, own) || lets_go(gesture) && is(gesture, who.moved);
            match gestures.iter().any(may) {
                true => Ok(PageAnswer::Gestures(gestures)),
                false => Err(match who.part {
                    None => "first say whose page this is".to_owned(),
                    Some(_) => {
                        "a player's page moves that player's one lever of the scene, and nothing else".to_owned()
                    }
                }),
            }
        }
        role => desk_only(role).map(|()| PageAnswer::Gestures(gestures)),
    }
}

fn desk_only(role: Role) -> Result<(), PageRefused> {
    match role {
        Role::Desk => Ok(()),
        Role::Player => Err("a player's page moves one lever; this is for the desk".to_owned()),
        Role::Watch => Err("this page only watches; the desk's key opens one that acts".to_owned()),
    }
}

/// What is asked, whoever asks it. None: the moment for it has passed, or the key is nobody's.
fn meant(ask: &Ask, state: &EngineState) -> Result<Option<PageAnswer>, PageRefused> {
    let plan = &*state.plan;
    let gesture = match ask {
        Ask::Fire { mark: wanted, seen } => {
            let place = plan.scenes.iter().position(|scene| scene.mark == *wanted);
            let scene = place.ok_or_else(|| format!("there is no mark `{wanted}` in this piece"))?;
            if mark(state) != Some(seen) {
                return Ok(None);
            }
            Gesture::Fire(SceneId::new(scene))
        }
        Ask::Hush { on } => Gesture::Hush(*on),
        Ask::Controller { name, value } => {
            let (id, controller) = named_controller(plan, name)?;
            if controller.is_loudness() {
                return Err(format!("`{name}` follows a mic's loudness: no hand moves it"));
            }
            if !(0.0..=1.0).contains(value) {
                return Err(format!("`{name}` takes a value from 0 to 1, not {value}"));
            }
            Gesture::Controller { id, value: *value }
        }
        Ask::Press { name, down } => {
            let (id, controller) = named_controller(plan, name)?;
            if !controller.latch {
                return Err(format!("`{name}` does not turn over with each press: move it instead"));
            }
            Gesture::Press { id, down: *down }
        }
        Ask::Key { key, down } => {
            let keys = Keys::of(plan);
            let gestures = if *down { keys.down(key) } else { keys.up(key) };
            return Ok((!gestures.is_empty()).then_some(PageAnswer::Gestures(gestures)));
        }
        Ask::Level { output, db } => {
            if !(LEAST_LEVEL_DB..=MOST_LEVEL_DB).contains(db) {
                return Err(format!("a level is from {LEAST_LEVEL_DB} to {MOST_LEVEL_DB} dB, not {db}"));
            }
            let output = output.as_deref().map(|name| {
                let place = plan.outputs.iter().position(|output| output.name == name);
                place.map(tenterhook_plan::OutputId::new).ok_or_else(|| format!("there is no output `{name}`"))
            });
            Gesture::Level { output: output.transpose()?, db: *db }
        }
        Ask::Trim { owner, key, db } => {
            if !(LEAST_TRIM_DB..=MOST_TRIM_DB).contains(db) {
                return Err(format!("the level of an effect is from {LEAST_TRIM_DB} to {MOST_TRIM_DB} dB, not {db}"));
            }
            let trim = plan.trim_named(owner, key);
            let trim = trim.ok_or_else(|| format!("there is no effect `{owner}.{key}` in this piece"))?;
            Gesture::Trim { trim, db: *db }
        }
        Ask::Keep {} => return Ok(Some(PageAnswer::Keep)),
        Ask::Mute { mic, on } => Gesture::Mute { mic: named_mic(plan, mic)?, muted: *on },
        Ask::Reset {} => return Ok(Some(PageAnswer::Reset)),
        Ask::Learn { name } => {
            let named = name.as_deref().map(|name| named_controller(plan, name).map(|(id, _)| id));
            return Ok(Some(PageAnswer::Learn(named.transpose()?)));
        }
        Ask::Part { .. } => return Ok(None),
    };
    Ok(Some(PageAnswer::Gestures(vec![gesture])))
}

fn named_mic(plan: &Plan, name: &str) -> Result<MicId, PageRefused> {
    let place = plan.mics.iter().position(|mic| mic.name == name);
    place.map(MicId::new).ok_or_else(|| format!("there is no mic `{name}` in this piece"))
}

fn named_controller<'a>(plan: &'a Plan, name: &str) -> Result<(ControllerId, &'a Controller), PageRefused> {
    let place = plan.controllers.iter().position(|controller| controller.name == name);
    let place = place.ok_or_else(|| format!("there is no controller `{name}` in this piece"))?;
    Ok((ControllerId::new(place), &plan.controllers[place]))
}

#[cfg(test)]
pub(crate) mod tests;
