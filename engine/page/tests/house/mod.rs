//! A page that is served, without an engine.
//! Shared by several test programs.
#![allow(dead_code, reason = "each test program uses its own part of this")]

use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use tenterhook_page::score::{About, View};
use tenterhook_page::{Access, Page, Settings, Studio};
use tenterhook_plan::condition::Condition;
use tenterhook_plan::{
    Address, By, Controller, ControllerId, Curve, Decibels, EngineState, Gesture, Instance, InstanceId, Mic, MicId,
    Output, Owner, Plan, RunState, Scene, Source, Trim, Use, Who,
};

/// More than anything takes on a slow machine.
pub const LIMIT: Duration = Duration::from_secs(20);

/// One mic, one effect in both scenes, by `hand`; a key works `turn`.
pub fn plan() -> Plan {
    let controller = |name: &str, address| Controller {
        name: name.to_owned(),
        address,
        like: None,
        curve: Curve::Even,
        latch: false,
        rise: 0.0,
        fall: None,
    };
    let scene = |mark: &str| Scene {
        mark: mark.to_owned(),
        name: None,
        bar: None,
        cue: None,
        fade: 0.5,
        like: None,
        uses: vec![Use { instance: InstanceId(0), sends: Vec::new() }],
    };
    Plan {
        title: "Osier".to_owned(),
        tuning_hz: 440.0,
        temperament: Default::default(),
        mics: vec![Mic {
            name: "voice".to_owned(),
            input: Some(0),
            trim: Decibels(0.0),
            highpass_hz: None,
            inverted: false,
        }],
        groups: Vec::new(),
        outputs: vec![Output {
            name: "left".to_owned(),
            channel: Some(0),
            ceiling: Decibels(-1.0),
            private: false,
            delay: None,
        }],
        controllers: vec![controller("hand", Address::Page), controller("turn", Address::Key("PageDown".to_owned()))],
        players: Vec::new(),
        instances: vec![Instance {
            owner: Owner::Mic(MicId(0)),
            source: Source::Mic(MicId(0)),
            key: "direct".to_owned(),
            effect: "direct",
            by: By::Controller(ControllerId(0)),
            settings: Vec::new(),
        }],
        trims: vec![Trim { owner: Owner::Mic(MicId(0)), key: "direct".to_owned(), db: 0.0 }],
        scenes: vec![scene("A"), scene("B")],
        next: None,
        back: None,
        hush: None,
    }
}

/// The facts as they stand: the words for people are the program's.
fn words(condition: &Condition) -> String {
    format!("{} of {}: {:?}", condition.topic.name(), condition.subject.as_deref().unwrap_or_default(), condition.topic)
}

/// A page that is served, without an engine: what it asks for is kept.
pub struct House {
    pub page: Page,
    plan: Arc<Plan>,
    asked: Arc<Mutex<Vec<(Gesture, Who)>>>,
}

impl House {
    pub fn open(access: Access) -> Self {
        Self::at("127.0.0.1:0".parse().unwrap(), access)
    }

    pub fn at(address: SocketAddr, access: Access) -> Self {
        Self::with(address, access, None)
    }

    /// One where sounds can be studied.
    pub fn studying(access: Access, studio: Arc<dyn Studio>) -> Self {
        Self::with("127.0.0.1:0".parse().unwrap(), access, Some(studio))
    }

    pub fn with(address: SocketAddr, access: Access, studio: Option<Arc<dyn Studio>>) -> Self {
        let (plan, asked) = (Arc::new(plan()), Arc::<Mutex<Vec<(Gesture, Who)>>>::default());
        let kept = Arc::clone(&asked);
        let about = About { rate: 48_000, opens: View::Score, rehearsal: false, declarations: Vec::new() };
        let settings = Settings {
            address,
            access,
            plan: Arc::clone(&plan),
            about,
            words,
            etudes: Vec::new(),
            hear: Arc::new(|_| Err("there are none".to_owned())),
            studio,
            look_over: Arc::new(
                || serde_json::json!([{ "what": "power", "state": "good", "found": "on the mains", "to_do": null }]),
            ),
            act: Box::new(move |_, gesture, who| {
                kept.lock().unwrap().push((gesture, who));
                true
            }),
            hall: None,
        };
        Self { page: Page::serve(settings).unwrap(), plan, asked }
    }

    /// A run that has not begun.
    pub fn state(&self) -> RunState {
        RunState::new(self.engine())
    }

    /// What its engine says.
    pub fn engine(&self) -> EngineState {
        EngineState::new(Arc::clone(&self.plan))
    }

    /// What it says of a condition.
    pub fn words(&self, condition: &Condition) -> String {
        words(condition)
    }

    pub fn show(&self, state: RunState) {
        self.page.show(state);
    }

    pub fn asked(&self) -> Vec<Gesture> {
        self.asked.lock().unwrap().iter().map(|(gesture, _)| *gesture).collect()
    }

    /// Whose the gestures are that were asked for.
    pub fn whose(&self) -> Vec<Who> {
        self.asked.lock().unwrap().iter().map(|(_, who)| *who).collect()
    }

    /// Waits until so many gestures were asked for.
    pub fn until_asked(&self, count: usize) -> Vec<Gesture> {
        let begun = Instant::now();
        while self.asked().len() < count {
            assert!(begun.elapsed() < LIMIT, "{count} gestures: {:?}", self.asked());
            std::thread::sleep(Duration::from_millis(5));
        }
        self.asked()
    }
}
