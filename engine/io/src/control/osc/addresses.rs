//! The fixed addresses, by which everything of a piece can be reached and is told.

use percent_encoding::{AsciiSet, CONTROLS, utf8_percent_encode};
use rosc::{OscMessage, OscType};
use tenterhook_plan::{Gesture, Plan, SceneId, Trim, unit};

/// What an address of OSC 1.0 cannot have in it, and the sign that stands for such.
const FORBIDDEN: &AsciiSet = &CONTROLS
    .add(b' ')
    .add(b'#')
    .add(b'*')
    .add(b',')
    .add(b'/')
    .add(b'?')
    .add(b'[')
    .add(b']')
    .add(b'{')
    .add(b'}')
    .add(b'%');

pub(crate) const FIRE: &str = "/tenterhook/fire";
pub(crate) const HUSH: &str = "/tenterhook/hush";
pub(crate) const NEXT: &str = "/tenterhook/next";
pub(crate) const BACK: &str = "/tenterhook/back";
pub(crate) const LEVEL: &str = "/tenterhook/level";
pub(crate) const MUTE: &str = "/tenterhook/mute";
pub(crate) const CONTROLLER: &str = "/tenterhook/controller";
pub(crate) const SCENE: &str = "/tenterhook/scene";
pub(crate) const METER_MIC: &str = "/tenterhook/meter/mic";
pub(crate) const METER_OUTPUT: &str = "/tenterhook/meter/output";
pub(crate) const PITCH: &str = "/tenterhook/pitch";
pub(crate) const ONSET: &str = "/tenterhook/onset";
/// The first message of a bundle of gestures that a machine tells, see [`PairingTold`](super::pairing::PairingTold).
pub(crate) const RELAY: &str = "/tenterhook/relay";

/// Whether an address asks something of us, rightly or wrongly; what is only told does not.
pub(crate) fn asks(path: &str) -> bool {
    let told = [SCENE, METER_MIC, METER_OUTPUT, PITCH, ONSET, RELAY];
    path.starts_with("/tenterhook/") && !told.iter().any(|told| path.starts_with(told))
}

/// Whether an address is that of a level.
pub(crate) fn is_level(address: &str) -> bool {
    address.strip_prefix(LEVEL).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
}

/// The address of what has a name: all that OSC forbids, and all that is not ASCII, is percent-encoded (RFC 3986, 2.1).
pub(crate) fn named(under: &str, name: &str) -> String {
    format!("{under}/{}", utf8_percent_encode(name, FORBIDDEN))
}

/// The address of the level of the effects of one name.
pub(crate) fn trim_address(trim: &Trim, plan: &Plan) -> String {
    named(&named(LEVEL, plan.owner_name(trim.owner)), &trim.key)
}

/// A message.
pub(crate) fn message(addr: impl Into<String>, args: Vec<OscType>) -> OscMessage {
    OscMessage { addr: addr.into(), args }
}

/// A gesture that was applied, in the form in which it would act; `None`: it is none that is ever applied, or its thing is
/// not in the piece.
pub(crate) fn gesture(gesture: Gesture, plan: &Plan) -> Option<OscMessage> {
    let flag = |on: bool| vec![OscType::Int(on.into())];
    Some(match gesture {
        Gesture::Controller { id, value } => {
            let name = &plan.controllers.get(id.index())?.name;
            message(named(CONTROLLER, name), vec![OscType::Float(unit(value))])
        }
        Gesture::Fire(scene) => message(FIRE, vec![OscType::String(plan.scenes.get(scene.index())?.mark.clone())]),
        Gesture::Hush(hushed) => message(HUSH, flag(hushed)),
        Gesture::Level { output: None, db } => message(LEVEL, vec![OscType::Float(db)]),
        Gesture::Level { output: Some(id), db } => {
            message(named(LEVEL, &plan.outputs.get(id.index())?.name), vec![OscType::Float(db)])
        }
        Gesture::Trim { trim, db } => {
            message(trim_address(plan.trims.get(trim.index())?, plan), vec![OscType::Float(db)])
        }
        Gesture::Mute { mic, muted } => message(named(MUTE, &plan.mics.get(mic.index())?.name), flag(muted)),
        Gesture::Press { .. } | Gesture::Next | Gesture::Back => return None,
    })
}

/// That a scene is in force: its mark, its name (or nothing), its place counted from 0.
pub(crate) fn scene(id: SceneId, plan: &Plan) -> Option<OscMessage> {
    let scene = plan.scenes.get(id.index())?;
    let texts = [scene.mark.clone(), scene.name.clone().unwrap_or_default()].map(OscType::String);
    Some(message(SCENE, texts.into_iter().chain([OscType::Int(i32::from(id.0))]).collect()))
}
