//! What one must know, in a real browser: every kind of it is shown, as text, the grave first and marked.

use std::sync::mpsc::RecvTimeoutError;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::Value;
use tenterhook_page::Access;
use tenterhook_plan::condition::{Cause, Condition, Conditions, Counted, Nonsense, Topic};

use super::browser::{Browser, Device, LAPTOP, PHONE, TABLET};
use super::house::House;
use super::{CONNECTED, pictures, rules};

/// One of each topic. What comes from elsewhere holds what would work a page, if it were taken for more than text.
fn every() -> Vec<Topic> {
    let why = || "<img src=x onerror=\"document.title='worked'\"> & more".to_owned();
    let place = || "engine/dsp/src/effects/freeze.rs:12".to_owned();
    let counted = Counted { lately: 2, total: 5, ago: 1, cause: Cause::Work };
    let all = vec![
        Topic::DeviceGone { why: why(), refused: Some(why()), loss: 1 },
        Topic::DeviceStill { seconds: 3 },
        Topic::NoDevice,
        Topic::ClocksApart { ppm: 400.0 },
        Topic::LateBlocks(counted),
        Topic::Gaps(counted),
        Topic::LogLost { why: why() },
        Topic::PieceBroken { why: why() },
        Topic::JournalLost { why: why() },
        Topic::TakenUp { how: why() },
        Topic::PortGone { keep: vec![why()] },
        Topic::SwitchTurned { inverted: false },
        Topic::NotNumbers,
        Topic::Clips,
        Topic::Howls,
        Topic::Offset { db: -34.0 },
        Topic::Limited { db: 7.0 },
        Topic::GesturesLost { count: 3 },
        Topic::OscSenseless { from: "10.0.0.7:4000".to_owned(), why: Nonsense::Nothing },
        Topic::OscUnheard { why: why() },
        Topic::EffectBroke { place: place() },
        Topic::ModelBroke { place: place(), silent: vec![why()] },
        Topic::AnalysisBroke { place: place(), silent: Vec::new() },
        Topic::EngineBroke { place: place() },
        Topic::OscUnreached { why: why() },
    ];
    // A topic that is new does not compile until it stands above.
    for topic in &all {
        match topic {
            Topic::DeviceGone { .. }
            | Topic::DeviceStill { .. }
            | Topic::NoDevice
            | Topic::ClocksApart { .. }
            | Topic::LateBlocks(_)
            | Topic::Gaps(_)
            | Topic::LogLost { .. }
            | Topic::PieceBroken { .. }
            | Topic::JournalLost { .. }
            | Topic::TakenUp { .. }
            | Topic::PortGone { .. }
            | Topic::SwitchTurned { .. }
            | Topic::NotNumbers
            | Topic::Clips
            | Topic::Howls
            | Topic::Offset { .. }
            | Topic::Limited { .. }
            | Topic::GesturesLost { .. }
            | Topic::OscSenseless { .. }
            | Topic::OscUnheard { .. }
            | Topic::EffectBroke { .. }
            | Topic::ModelBroke { .. }
            | Topic::AnalysisBroke { .. }
            | Topic::EngineBroke { .. }
            | Topic::OscUnreached { .. } => {}
        }
    }
    all
}

#[test]
fn all_that_one_must_know_is_shown_as_text_the_grave_first() {
    let house = Arc::new(House::open(Access::Anyone));
    // Who is told nothing for a while believes nothing any more.
    let shown = Arc::new(Mutex::new(house.state()));
    let (end, ended) = std::sync::mpsc::channel::<()>();
    let feeder = {
        let (house, shown) = (Arc::clone(&house), Arc::clone(&shown));
        std::thread::spawn(move || {
            while let Err(RecvTimeoutError::Timeout) = ended.recv_timeout(Duration::from_millis(33)) {
                let mut state = shown.lock().unwrap();
                state.sample += 1600;
                house.show(state.clone());
            }
        })
    };
    let browser = Browser::open(&format!("http://{}/", house.page.address()));
    browser.until(CONNECTED);
    let topics = every();
    // Every other one is grave.
    let condition = |(n, topic): (usize, &Topic)| Condition {
        topic: topic.clone(),
        subject: Some(format!("<b>viol</b> {n}")),
        grave: n % 2 == 1,
        since: 0,
    };
    let all: Vec<Condition> = topics.iter().enumerate().map(condition).collect();
    let conditions = Arc::new(Conditions::after(&Conditions::default(), all.clone()));
    shown.lock().unwrap().conditions = conditions;
    let (grave, mild): (Vec<_>, Vec<_>) = all.iter().partition(|one| one.grave);
    let wanted: Vec<Value> = grave
        .into_iter()
        .chain(mild)
        .map(|one| {
            let (kind, sign) = if one.grave { ("grave", "▲") } else { ("mild", "△") };
            Value::from(vec![kind.to_owned(), format!("{sign}{}", house.words(one))])
        })
        .collect();
    browser.until(&format!("document.querySelectorAll('#score .words p').length === {}", wanted.len()));
    let lines = browser.script(
        "return [...document.querySelectorAll('#score .words p')].map(line => [line.className, line.textContent]);",
    );
    assert_eq!(lines, Value::Array(wanted));
    assert_eq!(browser.script("return document.querySelectorAll('.words img, .words b').length;"), 0);
    assert_ne!(browser.script("return document.title;"), "worked");
    for device in [PHONE, TABLET, LAPTOP] {
        let Device { name, .. } = device;
        browser.device(device);
        if let Some(folder) = pictures() {
            browser.picture(&folder.join(format!("conditions-{name}.png")));
        }
        assert_eq!(rules(&browser), Value::Array(Vec::new()), "{name}");
        let wide = browser.script("return document.documentElement.scrollWidth > innerWidth;");
        assert_eq!(wide, Value::Bool(false), "{name}: nothing lies beside the page");
        // However long a word is, such as a file's name, it is broken rather than pushed out of its line.
        let over = browser.script(
            "return [...document.querySelectorAll('#score .words p')].filter(line => line.scrollWidth > line.clientWidth + 1 \
             || line.getBoundingClientRect().right > innerWidth).length;",
        );
        assert_eq!(over, 0, "{name}");
    }
    // What no longer holds is shown no longer.
    shown.lock().unwrap().conditions = Arc::default();
    browser.until("document.querySelectorAll('#score .words p').length === 0");
    drop(end);
    feeder.join().unwrap();
}
