//! Pieces: whatever the text, it is refused with a place and a remedy, or it is a whole plan that sounds.

#[path = "../../../engine/rt/src/laws/beside.rs"]
mod beside;

use tenterhook_config::{Checked, Report, Text, check_with};
use tenterhook_plan::{ControllerId, Event, Gesture, Plan, Timed};

use crate::{plans, sounding};
pub(crate) use beside::Beside;

/// Effects of a piece that is played as well: each is built anew for every input.
const MOST_PLAYED: usize = 4;

/// Panics if a text is neither refused well nor a plan that sounds.
pub fn law(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let piece = Text::new("piece.toml", text.as_ref());
    let checked = check_with(&piece, None, &Beside);
    assert_eq!(checked, check_with(&piece, None, &Beside), "the same text says the same");
    judged(checked, &[("piece.toml", &text)]);
}

/// Panics unless what came of a check is good for something.
pub(crate) fn judged(checked: Result<Checked, Report>, texts: &[(&str, &str)]) {
    match checked {
        Err(report) => plans::refused(&report, texts),
        Ok(checked) => {
            plans::whole(&checked.plan);
            sounds(&checked.plan);
        }
    }
}

fn sounds(plan: &Plan) {
    let channels = plan.mics.iter().filter_map(|mic| mic.input);
    let most = channels.chain(plan.outputs.iter().filter_map(|output| output.channel)).max();
    if plan.instances.len() > MOST_PLAYED || most.is_some_and(|most| most >= 16) {
        return;
    }
    let down = |index: usize| {
        let what = Event::written(Gesture::Controller { id: ControllerId::new(index), value: 1.0 });
        Timed { sample: 10, what }
    };
    let mut events: Vec<_> = (0..plan.controllers.len()).map(down).collect();
    events.push(Timed { sample: 100, what: Event::written(Gesture::Next) });
    sounding::run(plan, &events, &[64, 128]);
}

/// The bundled pieces, the workout, and the smallest of all.
pub fn seeds() -> Vec<Vec<u8>> {
    let texts: [&[u8]; 12] = [
        include_bytes!("../../../scenes/answer.toml"),
        include_bytes!("../../../scenes/demo.toml"),
        include_bytes!("../../../scenes/direct.toml"),
        include_bytes!("../../../scenes/double.toml"),
        include_bytes!("../../../scenes/freeze.toml"),
        include_bytes!("../../../scenes/reverse.toml"),
        include_bytes!("../../../scenes/stretch.toml"),
        include_bytes!("../../../scenes/sympathetic.toml"),
        include_bytes!("../../../scenes/tape.toml"),
        include_bytes!("../../../engine/rt/src/laws/workout.toml"),
        include_bytes!("../../../engine/rt/src/laws/workout-changed.toml"),
        b"mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { foot = { cc = 11 } }\n[[scene]]\nmark = \"A\"\n\
          mic.voice.freeze = { by = \"foot\" }\n",
    ];
    texts.map(<[u8]>::to_vec).to_vec()
}
