use super::*;
use tenterhook_plan::{Curve, Event};

fn controller(path: &str, from: f64, to: f64, curve: Curve, latch: bool) -> Controller {
    let address = Address::Osc { path: path.to_owned(), from, to };
    Controller { name: path[1..].to_owned(), address, curve, latch, rise: 0.0, fall: None }
}

fn map(controllers: Vec<Controller>) -> OscMap {
    let addresses = controllers.into_iter().enumerate().map(|(n, c)| match &c.address {
        Address::Osc { path, .. } => (path.clone(), ControllerId::new(n), c),
        _ => unreachable!("only OSC here"),
    });
    OscMap { addresses: addresses.collect() }
}

fn played(map: &OscMap, packet: &[u8]) -> (Vec<Gesture>, u64) {
    let mut gestures = Vec::new();
    let senseless = map.gestures(packet, &mut |gesture| gestures.push(gesture));
    (gestures, senseless)
}

fn value(id: u16, value: f32) -> Gesture {
    Gesture::Controller { id: ControllerId(id), value }
}

/// "/oscillator/4/frequency" with the float 440: printed on the examples page of the OSC 1.0 specification.
const FREQUENCY: &[u8] = b"/oscillator/4/frequency\0,f\0\0\x43\xdc\0\0";
/// "/foo" with 1000, −1, "hello", 1.234, 5.678: the same page's next example (its length seen there, 40 bytes; the
/// bytes made by python-osc 1.10.2).
const FOO: &[u8] = b"/foo\0\0\0\0,iisff\0\0\0\0\x03\xe8\xff\xff\xff\xffhello\0\0\0\x3f\x9d\xf3\xb6\x40\xb5\xb2\x2d";
/// "/sway" with 0.5 (bytes made by python-osc 1.10.2).
const SWAY: &[u8] = b"/sway\0\0\0,f\0\0\x3f\0\0\0";

fn bundle(inner: &[u8]) -> Vec<u8> {
    // Time tag 1: at once.
    [b"#bundle\0\0\0\0\0\0\0\0\x01", (inner.len() as u32).to_be_bytes().as_slice(), inner].concat()
}

#[test]
fn the_specifications_examples_mean_what_they_say() {
    let map = map(vec![
        controller("/oscillator/4/frequency", 0.0, 880.0, Curve::Even, false),
        controller("/foo", 0.0, 2000.0, Curve::Slow, false),
        controller("/sway", -1.0, 1.0, Curve::Even, false),
    ]);
    assert_eq!((FREQUENCY.len(), FOO.len(), SWAY.len()), (32, 40, 16));
    assert_eq!(played(&map, FREQUENCY), (vec![value(0, 0.5)], 0));
    // Its first number is the value: 1000 of 2000, bent slow.
    assert_eq!(played(&map, FOO), (vec![value(1, 0.25)], 0));
    assert_eq!(played(&map, SWAY), (vec![value(2, 0.75)], 0));
    assert_eq!(bundle(SWAY).len(), 36);
    assert_eq!(played(&map, &bundle(SWAY)), (vec![value(2, 0.75)], 0));
    assert_eq!(played(&map, &bundle(&bundle(SWAY))), (vec![value(2, 0.75)], 0));
}

#[test]
fn from_above_to_inverts_and_what_is_beyond_stops_at_the_end() {
    let inverted = map(vec![controller("/sway", 1.0, 0.0, Curve::Even, false)]);
    assert_eq!(played(&inverted, SWAY).0, [value(0, 0.5)]);
    let narrow = map(vec![controller("/sway", 0.0, 0.25, Curve::Even, false)]);
    assert_eq!(played(&narrow, SWAY).0, [value(0, 1.0)]);
    let above = map(vec![controller("/sway", 0.75, 1.0, Curve::Even, false)]);
    assert_eq!(played(&above, SWAY).0, [value(0, 0.0)]);
}

#[test]
fn a_latched_one_is_pressed_from_a_half_up() {
    let half = map(vec![controller("/sway", 0.0, 1.0, Curve::Even, true)]);
    assert_eq!(played(&half, SWAY).0, [Gesture::Press { id: ControllerId(0), down: true }]);
    let less = map(vec![controller("/sway", 0.0, 2.0, Curve::Even, true)]);
    assert_eq!(played(&less, SWAY).0, [Gesture::Press { id: ControllerId(0), down: false }]);
}

#[test]
fn a_pattern_reaches_all_it_matches() {
    let map = map(vec![
        controller("/sway", 0.0, 1.0, Curve::Even, false),
        controller("/swim", 0.0, 1.0, Curve::Even, false),
        controller("/s/way", 0.0, 1.0, Curve::Even, false),
    ]);
    assert_eq!(played(&map, b"/sw*\0\0\0\0,f\0\0\x3f\0\0\0").0, [value(0, 0.5), value(1, 0.5)]);
}

#[test]
fn nonsense_is_counted_and_does_nothing() {
    let map = map(vec![controller("/sway", 0.0, 1.0, Curve::Even, false)]);
    let deep = (0..3000).fold(SWAY.to_vec(), |inner, _| bundle(&inner));
    for packet in [
        &b""[..],
        b"garbage!",
        b"/sway",
        b"/sway\0\0\0,f\0\0\x3f",
        // A text only, NaN, infinity.
        b"/sway\0\0\0,s\0\0hey\0",
        b"/sway\0\0\0,f\0\0\x7f\xc0\0\0",
        b"/sway\0\0\0,f\0\0\x7f\x80\0\0",
        &deep,
    ] {
        assert_eq!(played(&map, packet), (vec![], 1), "{} bytes", packet.len());
    }
    // Somebody else's address is no nonsense.
    assert_eq!(played(&map, FREQUENCY), (vec![], 0));
}

#[test]
fn what_comes_over_the_wire_reaches_the_hub() {
    let map = map(vec![controller("/sway", -1.0, 1.0, Curve::Even, false)]);
    let (events, incoming) = Events::channel();
    let osc = Osc::listen(([127, 0, 0, 1], 0).into(), map.clone(), events.clone()).unwrap();
    let sender = UdpSocket::bind("127.0.0.1:0").unwrap();
    sender.send_to(b"garbage!", osc.address()).unwrap();
    sender.send_to(SWAY, osc.address()).unwrap();
    // Packets between two sockets of one machine keep their order, so the first has been counted by then.
    let event = incoming.recv_timeout(Duration::from_secs(20)).unwrap().event;
    assert_eq!((event, osc.malformed()), (Event::Gesture(value(0, 0.75)), 1));

    let taken = Osc::listen(osc.address(), map, events).err().unwrap();
    assert!(matches!(taken, Error::Osc { .. }));
}

#[test]
fn after_a_change_messages_mean_what_the_changed_piece_says() {
    let piece = "mics = { voice = 1 }\noutputs = { left = 1 }\n[controllers]\npedal = { cc = 64 }\n\
                 sway = { osc = \"/sway\", from = -1.0, to = 1.0 }\n[[scene]]\nmark = \"A\"\n\
                 mic.voice.freeze = { by = \"pedal\" }\nmic.voice.direct = { by = \"sway\" }\n";
    let piece = tenterhook_config::Text::new("reed.toml", piece);
    let plan = Arc::new(tenterhook_config::check(&piece, None).expect("nothing is wrong with it").plan);
    let (events, incoming) = Events::channel();
    let osc = Osc::listen(([127, 0, 0, 1], 0).into(), OscMap::default(), events).unwrap();
    let sender = UdpSocket::bind("127.0.0.1:0").unwrap();
    osc.change(&plan);
    sender.send_to(SWAY, osc.address()).unwrap();
    let sent = incoming.recv_timeout(Duration::from_secs(20)).unwrap();
    assert_eq!(sent.event, Event::Gesture(value(1, 0.75)));
    assert!(sent.of.is_some_and(|of| Arc::ptr_eq(&of, &plan)), "it says which piece it means");
}
