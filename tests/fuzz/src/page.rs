//! Messages from a page: whatever the text, who only watches moves nothing, a player moves one lever, and what a desk
//! asks for is a gesture in range, or is refused in words.

use std::collections::HashSet;
use std::sync::{Arc, LazyLock};

use tenterhook_config::{Text, check_with};
use tenterhook_page::Role;
use tenterhook_page::authorize::{PageAnswer, PageWho, answer};
use tenterhook_page::wire::Ask;
use tenterhook_plan::{EngineState, Gesture, MicId, Plan, SceneId};

use crate::piece::Beside;
use crate::plans;

static PLAN: LazyLock<Arc<Plan>> = LazyLock::new(|| {
    let text = include_str!("../../../engine/rt/src/laws/workout.toml");
    Arc::new(
        check_with(&Text::new("workout.toml", text), None, &Beside).expect("nothing is wrong with the workout").plan,
    )
});

/// Panics if the law is broken. The first byte says who asks and in which scene, each line is a message.
pub fn law(data: &[u8]) {
    let Some((how, data)) = data.split_first() else { return };
    let text = String::from_utf8_lossy(data);
    let mut who = PageWho { role: Role::ALL[usize::from(how % 3)], part: None, moved: None };
    let mut state = EngineState::new(Arc::clone(&PLAN));
    state.enter(SceneId::new(usize::from(how / 3) % PLAN.scenes.len()), 0);
    let mut moved = HashSet::new();
    for line in text.lines() {
        let Ok(ask) = serde_json::from_str::<Ask>(line) else { continue };
        match answer(&ask, who, &state) {
            Err(words) => assert!(!words.is_empty(), "{ask:?} is refused without a word"),
            Ok(PageAnswer::Gestures(gestures)) => {
                let [gesture] = gestures[..] else {
                    panic!("no two controllers of this piece share a key: {gestures:?}")
                };
                plans::meant(gesture, &PLAN);
                assert_ne!(who.role, Role::Watch, "{ask:?}");
                match gesture {
                    // Letting go is always allowed of what one has moved.
                    Gesture::Controller { id, value: 0.0 } | Gesture::Press { id, down: false } => who.moved = Some(id),
                    Gesture::Controller { id, .. } | Gesture::Press { id, .. } => {
                        who.moved = Some(id);
                        moved.insert(id);
                    }
                    _ => assert_eq!(who.role, Role::Desk, "{ask:?}"),
                }
            }
            Ok(PageAnswer::Reset | PageAnswer::Keep | PageAnswer::Learn(None)) => {
                assert_eq!(who.role, Role::Desk, "{ask:?}")
            }
            Ok(PageAnswer::Learn(Some(id))) => {
                assert_eq!(who.role, Role::Desk, "{ask:?}");
                assert!(id.index() < PLAN.controllers.len(), "{ask:?}");
            }
            Ok(PageAnswer::Part(part)) => {
                assert!(part.is_none_or(|mic: MicId| mic.index() < PLAN.mics.len()));
                who.part = part;
                moved.clear();
            }
            Ok(PageAnswer::Nothing) => {}
        }
        let most = if who.role == Role::Player { 1 } else { usize::MAX };
        assert!(moved.len() <= most, "a player moves one lever of a scene: {moved:?}");
    }
}

/// One of each message, from each role.
pub fn seeds() -> Vec<Vec<u8>> {
    let asks = [
        r#"{"do":"fire","mark":"B","in":"A"}"#,
        r#"{"do":"hush","on":true}"#,
        r#"{"do":"learn","name":"pedal"}"#,
        r#"{"do":"part","mic":"voice"}"#,
        r#"{"do":"controller","name":"pedal","value":0.5}"#,
        r#"{"do":"part","mic":"recorder"}"#,
        r#"{"do":"controller","name":"lever","value":0}"#,
        r#"{"do":"press","name":"held","down":true}"#,
        r#"{"do":"key","key":"PageUp","down":true}"#,
        r#"{"do":"level","output":"left","db":-6.0}"#,
        r#"{"do":"level","db":1e-3}"#,
        r#"{"do":"mute","mic":"viol","on":true}"#,
        r#"{"do":"reset"}"#,
        r#"{"do":"part","mic":null}"#,
    ];
    (0..15).map(|how: u8| [&[how][..], asks.join("\n").as_bytes()].concat()).collect()
}
