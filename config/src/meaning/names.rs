//! The names of a piece: which are allowed, and what each stands for.

use crate::kind::Kind;
use crate::near;
use crate::place::Place;
use crate::report::Findings;
use crate::written::{
    At, MOST_SCENES, NamedTable, WrittenController, WrittenGroup, WrittenMic, WrittenOutput, WrittenPiece,
    WrittenPlayer,
};
use serde_json::{Value, json};
use tenterhook_plan::{ControllerId, MicId, OutputId};

/// Names that written gestures and effects keep for themselves.
pub(crate) const RESERVED: [&str; 5] = ["fire", "hush", "level", "mute", "scene"];

/// How many there may be of anything that has a name.
const MOST: usize = MOST_SCENES;

/// All names of a piece, in its order: a place in a list is an id.
pub(super) struct NamesInUse<'p> {
    pub mics: &'p [NamedTable<WrittenMic>],
    pub groups: &'p [NamedTable<WrittenGroup>],
    pub outputs: &'p [NamedTable<WrittenOutput>],
    pub controllers: &'p [NamedTable<WrittenController>],
    pub players: &'p [NamedTable<WrittenPlayer>],
}

impl<'p> NamesInUse<'p> {
    /// Checks all names; `None`: there are so many of something that ids would not reach.
    pub fn check(piece: &'p WrittenPiece, findings: &mut Findings) -> Option<Self> {
        let tables = &piece.tables;
        let names = Self {
            mics: &tables.mics,
            groups: &piece.groups,
            outputs: &tables.outputs,
            controllers: &tables.controllers,
            players: &piece.players,
        };
        check_all(names.mics, "mic", findings);
        check_all(names.groups, "group", findings);
        check_all(names.outputs, "output", findings);
        check_all(names.controllers, "controller", findings);
        check_all(names.players, "player", findings);
        for group in names.groups {
            if let Some(mic) = names.mics.iter().find(|mic| mic.name == group.name) {
                let later = mic.place.max(group.place);
                let message = format!("\"{}\" is the name of a mic and of a group", group.name);
                findings.add(
                    Kind::NameTwice,
                    later,
                    message,
                    "give one of them another name: they share one set of names",
                );
            }
        }
        let too_many = [
            (names.mics.get(MOST).map(|one| one.place), "mics"),
            (names.groups.get(MOST).map(|one| one.place), "groups"),
            (names.outputs.get(MOST).map(|one| one.place), "outputs"),
            (names.controllers.get(MOST).map(|one| one.place), "controllers"),
            (names.players.get(MOST).map(|one| one.place), "players"),
            (piece.scenes.get(MOST).map(|one| one.place), "scenes"),
        ];
        let mut all = true;
        for (place, what) in too_many {
            if let Some(place) = place {
                let message = format!("there are more than {MOST} {what}");
                findings.add(
                    Kind::TooMany,
                    place,
                    message,
                    format!("keep to {MOST}, and split the piece if it has to be"),
                );
                all = false;
            }
        }
        all.then_some(names)
    }

    /// The mic of this name; an unknown one is reported.
    pub fn mic(&self, name: &At<String>, findings: &mut Findings) -> Option<MicId> {
        let found = self.mics.iter().position(|mic| mic.name == name.value).map(MicId::new);
        if found.is_none() {
            let names = self.mics.iter().map(|mic| mic.name.as_str());
            unknown(Kind::UnknownMic, "mic", name, names, findings);
        }
        found
    }

    /// The output of this name; an unknown one is reported.
    pub fn output(&self, name: &At<String>, findings: &mut Findings) -> Option<OutputId> {
        let found = self.outputs.iter().position(|output| output.name == name.value).map(OutputId::new);
        if found.is_none() {
            let names = self.outputs.iter().map(|output| output.name.as_str());
            unknown(Kind::UnknownOutput, "output", name, names, findings);
        }
        found
    }

    /// The controller of this name; an unknown one is reported. `scene`: whether `"scene"` may stand there as well.
    pub fn controller(&self, name: &At<String>, scene: bool, findings: &mut Findings) -> Option<ControllerId> {
        let found = self.controllers.iter().position(|one| one.name == name.value).map(ControllerId::new);
        if found.is_none() {
            let names = self.controllers.iter().map(|one| one.name.as_str());
            if self.controllers.is_empty() && scene {
                let message = format!("there is no controller \"{}\", nor any other", name.value);
                let remedy = format!("write controllers = {{ {} = {{ cc = 64 }} }}, or by = \"scene\"", name.value);
                findings.add(Kind::UnknownController, name.place, message, remedy);
                return None;
            }
            unknown(Kind::UnknownController, "controller", name, names.chain(scene.then_some("scene")), findings);
        }
        found
    }

    /// The outputs of these names, each once; unknown ones and repeated ones are reported.
    pub fn output_list<'n>(
        &self,
        list: impl IntoIterator<Item = &'n At<String>>,
        findings: &mut Findings,
    ) -> Vec<Option<OutputId>> {
        let mut outputs = Vec::new();
        for name in list {
            let output = self.output(name, findings);
            if output.is_some() && outputs.contains(&output) {
                let message = format!("\"{}\" is named twice in this list", name.value);
                findings.add(Kind::OutputTwice, name.place, message, "name it once");
            }
            outputs.push(output);
        }
        outputs
    }
}

fn unknown<'a>(
    kind: Kind,
    what: &str,
    name: &At<String>,
    names: impl IntoIterator<Item = &'a str>,
    findings: &mut Findings,
) {
    let remedy = near::remedy(&name.value, &format!("{what}s"), names);
    findings.add(kind, name.place, format!("there is no {what} \"{}\"", name.value), remedy);
}

/// What a name is, as a JSON Schema.
pub(crate) fn name_schema() -> Value {
    let mut schema = without("/");
    schema["not"] = json!({ "enum": RESERVED });
    schema
}

/// Text that has no [`trouble`], as a JSON Schema.
pub(crate) fn plain_schema() -> Value {
    without("")
}

/// Text without these signs, control characters and spaces around it.
fn without(signs: &str) -> Value {
    let never = format!(r"{signs}\u0000-\u001f\u007f-\u009f");
    json!({ "type": "string", "pattern": format!(r"^[^\s{never}]([^{never}]*[^\s{never}])?$") })
}

fn check_all<T>(list: &[NamedTable<T>], what: &str, findings: &mut Findings) {
    for one in list {
        if RESERVED.contains(&one.name.as_str()) {
            let message = format!("\"{}\" is reserved: no {what} can be named so", one.name);
            let remedy = format!("write another name: {} mean something of their own", RESERVED.join(", "));
            findings.add(Kind::ReservedName, one.place, message, remedy);
        }
        if one.name.contains('/') {
            let message = format!("the name \"{}\" has a slash in it", one.name);
            findings.add(Kind::BadName, one.place, message, "leave the slash out: it parts the names of gestures");
        } else {
            check_plain(&one.name, one.place, &format!("the {what}'s name"), findings);
        }
    }
}

/// Checks that a name or a mark can be written on one line and found again. `what` in words: "a mark".
pub(super) fn check_plain(name: &str, place: Place, what: &str, findings: &mut Findings) {
    if let Some(trouble) = trouble(name) {
        let remedy = match name.chars().find(|letter| letter.is_control()) {
            Some(_) if name.trim() == name => "leave that character out",
            _ => "write a letter or more, without spaces around them",
        };
        findings.add(Kind::BadName, place, format!("{what} {trouble}"), remedy);
    }
}

/// What is wrong with a text that should be plain.
pub(crate) fn trouble(text: &str) -> Option<&'static str> {
    if text.is_empty() {
        Some("is empty")
    } else if text.trim() != text {
        Some("begins or ends with a space")
    } else if text.contains(char::is_control) {
        Some("has a character in it that cannot be printed")
    } else {
        None
    }
}
