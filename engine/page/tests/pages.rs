//! The server before real sockets: what a page is told, what it may ask, and that no page harms another.

mod house;

use std::io::ErrorKind;
use std::net::TcpStream;
use std::sync::Arc;
use std::time::{Duration, Instant};

use house::{House, LIMIT, plan};
use serde_json::{Value, json};
use tenterhook_page::{Access, Role, RoleKeys};
use tenterhook_plan::{
    By, Channel, ControllerId, EngineState, Gesture, MeterReading, Mic, MicId, OutputId, Owner, Plan, RunState,
    SceneId, Source, Who,
};
use tungstenite::client::IntoClientRequest;
use tungstenite::{Message, WebSocket};

/// A page of a browser, as far as the protocol goes.
struct Visitor(WebSocket<TcpStream>);

impl Visitor {
    fn try_come(house: &House, cookie: Option<&str>) -> Result<Self, u16> {
        let address = house.page.address();
        let mut request = format!("ws://{address}/socket").into_client_request().unwrap();
        request.headers_mut().insert("Origin", format!("http://{address}").parse().unwrap());
        if let Some(cookie) = cookie {
            request.headers_mut().insert("Cookie", cookie.parse().unwrap());
        }
        let stream = TcpStream::connect(address).unwrap();
        stream.set_read_timeout(Some(LIMIT)).unwrap();
        match tungstenite::client(request, stream) {
            Ok((socket, _)) => Ok(Self(socket)),
            Err(tungstenite::HandshakeError::Failure(tungstenite::Error::Http(refused))) => {
                Err(refused.status().as_u16())
            }
            Err(why) => panic!("{why}"),
        }
    }

    fn come(house: &House) -> Self {
        Self::try_come(house, None).unwrap()
    }

    /// The next text frame; meters are passed over.
    fn text(&mut self) -> Value {
        loop {
            match self.0.read().unwrap() {
                Message::Text(text) => return serde_json::from_str(&text).unwrap(),
                Message::Binary(_) | Message::Ping(_) | Message::Pong(_) => {}
                other => panic!("{other:?}"),
            }
        }
    }

    /// The next text frame that has this key.
    fn told(&mut self, key: &str) -> Value {
        loop {
            let mut text = self.text();
            if let Some(value) = text.get_mut(key) {
                return value.take();
            }
        }
    }

    fn ask(&mut self, what: &Value) {
        self.0.send(Message::text(what.to_string())).unwrap();
    }

    /// The code with which it is sent away.
    fn sent_away(&mut self) -> u16 {
        loop {
            match self.0.read() {
                Ok(Message::Close(frame)) => return frame.map_or(0, |frame| frame.code.into()),
                Ok(_) => {}
                Err(why) => panic!("{why}"),
            }
        }
    }
}

#[test]
fn whoever_comes_is_told_all_at_once_and_every_change_from_then_on() {
    let house = House::open(Access::Anyone);
    let hushed = EngineState { scene: Some((SceneId(1), 4800)), hushed: true, ..house.engine() };
    house.show(RunState::new(hushed.clone()));
    let mut visitor = Visitor::come(&house);
    let piece = visitor.text();
    assert_eq!(piece["piece"]["title"], "Osier");
    assert_eq!(piece["piece"]["role"], "desk");
    assert_eq!(piece["piece"]["study"], false, "nothing studies sounds here");
    let now = visitor.text();
    assert_eq!((&now["now"]["scene"], &now["now"]["hushed"]), (&json!(1), &json!(true)));
    assert_eq!(visitor.text()["history"]["slots_a_second"], 10);
    house.show(RunState::new(EngineState { controllers: vec![0.25, 0.0], ..hushed.clone() }));
    assert_eq!(visitor.told("now")["controllers"], json!([0.25, 0.0]));
    // A changed piece is told as well.
    let plan = Arc::new(Plan { title: "Willow".to_owned(), ..plan() });
    house.show(RunState::new(EngineState { plan, ..hushed }));
    assert_eq!(visitor.told("piece")["title"], "Willow");
}

#[test]
fn meters_come_as_the_protocol_says() {
    let house = House::open(Access::Anyone);
    let mut visitor = Visitor::come(&house);
    house.show(RunState { sample: 96_000, ..house.state() });
    let frame = loop {
        match visitor.0.read().unwrap() {
            Message::Binary(frame)
                if frame.len() > 16 && f64::from_le_bytes(frame[8..16].try_into().unwrap()) > 0.0 =>
            {
                break frame;
            }
            _ => house.show(RunState { sample: 96_000, ..house.state() }),
        }
    };
    assert_eq!(frame[..8], [1, 1, 1, 1, 0, 0, 0, 0], "version, kind, mics, outputs");
    assert_eq!(f64::from_le_bytes(frame[8..16].try_into().unwrap()), 96_000.0);
    assert_eq!(frame.len(), 16 + 2 * 32);
}

#[test]
fn each_channel_is_shown_what_its_own_meter_said() {
    let house = House::open(Access::Anyone);
    let mut visitor = Visitor::come(&house);
    // A held peak stays for two seconds of the engine's.
    let held = |visitor: &mut Visitor, before: [f32; 2]| loop {
        house.show(house.state());
        let Message::Binary(frame) = visitor.0.read().unwrap() else { continue };
        let of = |channel: usize| frame.get(20 + 32 * channel..24 + 32 * channel).map(|four| four.try_into().unwrap());
        let held = [0, 1].map(|channel| of(channel).map_or(0.0, f32::from_le_bytes));
        if held != before {
            break held;
        }
    };
    let said = |peak| MeterReading { peak, ..MeterReading::default() };
    house.page.meter(Channel::Output(OutputId(0)), 4800, said(0.5));
    assert_eq!(held(&mut visitor, [0.0, 0.0]), [0.0, 0.5], "mics come first");
    house.page.meter(Channel::Mic(MicId(0)), 9600, said(0.25));
    assert_eq!(held(&mut visitor, [0.0, 0.5]), [0.25, 0.5]);
}

#[test]
fn what_one_page_asks_for_is_a_gesture_and_what_makes_no_sense_is_answered() {
    let house = House::open(Access::Anyone);
    house.show(house.state());
    let mut visitor = Visitor::come(&house);
    visitor.ask(&json!({ "do": "controller", "name": "hand", "value": 0.5 }));
    visitor.ask(&json!({ "do": "fire", "mark": "B", "in": "A" }));
    visitor.ask(&json!({ "do": "fire", "mark": "B", "in": "A" }));
    visitor.ask(&json!({ "do": "hush", "on": true }));
    let hand = Gesture::Controller { id: ControllerId(0), value: 0.5 };
    assert_eq!(house.until_asked(3), [hand, Gesture::Fire(SceneId(1)), Gesture::Hush(true)], "a double tap is one");
    visitor.ask(&json!({ "do": "fire", "mark": "Z", "in": "A" }));
    assert!(visitor.told("error").as_str().unwrap().contains('Z'));
    visitor.0.send(Message::text("{")).unwrap();
    assert!(visitor.told("error").as_str().unwrap().contains("protocol"));
    assert_eq!(house.asked().len(), 3);
}

#[test]
fn a_page_that_talks_nonsense_is_sent_away_and_says_nothing_to_the_engine() {
    let house = House::open(Access::Anyone);
    let mut visitor = Visitor::come(&house);
    for _ in 0..30 {
        // It may have been sent away before the last.
        let _ = visitor.0.send(Message::text("[1, 2"));
    }
    assert_eq!(visitor.sent_away(), 1008);
    let mut visitor = Visitor::come(&house);
    visitor.0.send(Message::text(" ".repeat(5000))).unwrap();
    assert_eq!(visitor.sent_away(), 1009);
    let mut visitor = Visitor::come(&house);
    visitor.0.send(Message::binary(vec![0; 16])).unwrap();
    assert_eq!(visitor.sent_away(), 1003);
    assert!(house.asked().is_empty());
}

#[test]
fn watch_and_player_keys_fire_nothing_and_without_a_key_nobody_comes_in() {
    let folder = tempfile::tempdir().unwrap();
    let keys = RoleKeys::kept(&folder.path().join("keys.toml")).unwrap();
    let house = House::open(Access::Keys(keys.clone()));
    house.show(house.state());
    assert_eq!(Visitor::try_come(&house, None).err(), Some(401));
    assert_eq!(Visitor::try_come(&house, Some("tenterhook=AAAA-BBBB-CCCC-DDDD")).err(), Some(401));
    let fire = json!({ "do": "fire", "mark": "B", "in": "A" });
    for (role, key) in [("watch", keys.spelt(Role::Watch)), ("player", keys.spelt(Role::Player))] {
        let mut visitor = Visitor::try_come(&house, Some(&format!("tenterhook={key}"))).unwrap();
        assert_eq!(visitor.told("piece")["role"], role);
        visitor.ask(&fire);
        assert!(!visitor.told("error").as_str().unwrap().is_empty());
    }
    assert!(house.asked().is_empty());
    let mut player = Visitor::try_come(&house, Some(&format!("tenterhook={}", keys.spelt(Role::Player)))).unwrap();
    player.ask(&json!({ "do": "part", "mic": "voice" }));
    player.ask(&json!({ "do": "controller", "name": "hand", "value": 1.0 }));
    assert_eq!(house.until_asked(1), [Gesture::Controller { id: ControllerId(0), value: 1.0 }]);
    let mut desk = Visitor::try_come(&house, Some(&format!("tenterhook={}", keys.spelt(Role::Desk)))).unwrap();
    desk.ask(&fire);
    assert_eq!(house.until_asked(2)[1], Gesture::Fire(SceneId(1)));
    assert_eq!(house.whose(), [Who::PagePlayer, Who::PageDesk]);
}

#[test]
fn in_a_changed_piece_a_player_keeps_the_part_by_its_name() {
    let keys = RoleKeys::random().unwrap();
    let house = House::open(Access::Keys(keys.clone()));
    let mut player = Visitor::try_come(&house, Some(&format!("tenterhook={}", keys.spelt(Role::Player)))).unwrap();
    player.ask(&json!({ "do": "part", "mic": "voice" }));
    player.ask(&json!({ "do": "controller", "name": "hand", "value": 0.5 }));
    house.until_asked(1);
    // Another mic and another controller come before.
    let mut changed = plan();
    changed.mics.insert(0, Mic { name: "viol".to_owned(), input: Some(1), ..changed.mics[0].clone() });
    changed.controllers.rotate_right(1);
    changed.instances[0].owner = Owner::Mic(MicId(1));
    changed.instances[0].source = Source::Mic(MicId(1));
    changed.instances[0].by = By::Controller(ControllerId(1));
    house.show(RunState::new(EngineState::new(Arc::new(changed))));
    player.told("piece");
    player.told("piece");
    player.ask(&json!({ "do": "controller", "name": "hand", "value": 0.75 }));
    let hand = |id, value| Gesture::Controller { id: ControllerId(id), value };
    assert_eq!(house.until_asked(2), [hand(0, 0.5), hand(1, 0.75)]);
}

#[test]
fn a_page_that_reads_nothing_keeps_nobody_waiting() {
    let house = House::open(Access::Anyone);
    let slow = Visitor::come(&house);
    let mut quick = Visitor::come(&house);
    quick.told("now");
    for step in 1..=3000u32 {
        let value = (step % 1000) as f32 / 1000.0;
        let engine = EngineState { controllers: vec![value, 0.0], ..house.engine() };
        house.show(RunState { sample: u64::from(step), ..RunState::new(engine) });
    }
    let engine = EngineState { controllers: vec![1.0, 0.0], ..house.engine() };
    house.show(RunState { sample: 4000, ..RunState::new(engine) });
    while quick.told("now")["controllers"] != json!([1.0, 0.0]) {}
    // And it can still speak.
    quick.ask(&json!({ "do": "hush", "on": true }));
    assert_eq!(house.until_asked(1), [Gesture::Hush(true)]);
    drop(slow);
}

#[test]
fn a_page_that_goes_takes_its_hands_off_the_keys() {
    let house = House::open(Access::Anyone);
    let mut visitor = Visitor::come(&house);
    visitor.ask(&json!({ "do": "key", "key": "PageDown", "down": true }));
    let turn = |value| Gesture::Controller { id: ControllerId(1), value };
    assert_eq!(house.until_asked(1), [turn(1.0)]);
    drop(visitor);
    assert_eq!(house.until_asked(2), [turn(1.0), turn(0.0)]);
}

#[test]
fn pages_come_while_everything_changes() {
    let house = Arc::new(House::open(Access::Anyone));
    let shown = Arc::clone(&house);
    let (end, ended) = std::sync::mpsc::channel::<()>();
    let changes = std::thread::spawn(move || {
        for step in (0u32..).take_while(|_| ended.try_recv().is_err()) {
            let value = (step % 100) as f32 / 100.0;
            shown.show(RunState::new(EngineState { controllers: vec![value, 0.0], ..shown.engine() }));
        }
    });
    for _ in 0..300 {
        Visitor::come(&house).told("now");
    }
    end.send(()).unwrap();
    changes.join().unwrap();
}

#[test]
fn there_are_places_for_64_pages_and_a_page_that_goes_makes_room() {
    let house = House::open(Access::Anyone);
    let mut pages: Vec<_> = (0..64).map(|_| Visitor::come(&house)).collect();
    pages.iter_mut().for_each(|page| drop(page.told("now")));
    assert_eq!(Visitor::try_come(&house, None).err(), Some(503));
    pages.pop();
    let begun = Instant::now();
    while Visitor::try_come(&house, None).is_err() {
        assert!(begun.elapsed() < LIMIT, "a place is free again");
        std::thread::sleep(Duration::from_millis(20));
    }
}

#[test]
fn when_the_program_ends_its_pages_are_told_and_its_address_is_free_at_once() {
    let house = House::open(Access::Anyone);
    let address = house.page.address();
    let mut visitor = Visitor::come(&house);
    visitor.told("now");
    drop(house);
    assert_eq!(visitor.sent_away(), 1012);
    let house = House::at(address, Access::Anyone);
    assert_eq!(house.page.address(), address);
    let mut visitor = Visitor::come(&house);
    visitor.told("now");
    match TcpStream::connect(address) {
        Ok(_) => {}
        Err(why) => assert_ne!(why.kind(), ErrorKind::ConnectionRefused),
    }
}
