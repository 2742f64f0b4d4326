use super::*;
use rosc::{OscBundle, OscMessage, OscPacket, OscTime, OscType, encoder};
use tenterhook_plan::{ControllerId, Event, MicId, OutputId, SceneId, TrimId, Who};

/// The plan of a piece whose controllers are these, each of which works something.
fn piece(controllers: &[&str]) -> Plan {
    let works = |line: &&str| {
        let name = line.split_once(' ').unwrap().0;
        format!("mic.voice.{name} = {{ effect = \"direct\", by = \"{name}\" }}\n")
    };
    let text = format!(
        "mics = {{ voice = 1 }}\noutputs = {{ left = 1 }}\n[controllers]\n{}\n[[scene]]\nmark = \"A\"\n{}",
        controllers.join("\n"),
        controllers.iter().map(works).collect::<String>(),
    );
    plan(&text)
}

fn plan(text: &str) -> Plan {
    match tenterhook_config::check(&tenterhook_config::Text::new("reed.toml", text), None) {
        Ok(checked) => checked.plan,
        Err(report) => panic!("{}", report.render(false)),
    }
}

fn map(controllers: &[&str]) -> OscMap {
    OscMap::of(&piece(controllers))
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
const SWAYS: &str = "sway = { osc = \"/sway\", from = -1.0, to = 1.0 }";
/// "/sway" with 0.5 (bytes made by python-osc 1.10.2).
const SWAY: &[u8] = b"/sway\0\0\0,f\0\0\x3f\0\0\0";

fn bundle(inner: &[u8]) -> Vec<u8> {
    // Time tag 1: at once.
    [b"#bundle\0\0\0\0\0\0\0\0\x01", (inner.len() as u32).to_be_bytes().as_slice(), inner].concat()
}

#[test]
fn the_specifications_examples_mean_what_they_say() {
    let map = map(&[
        "frequency = { osc = \"/oscillator/4/frequency\", to = 880.0 }",
        "foo = { osc = \"/foo\", to = 2000.0, curve = \"slow\" }",
        SWAYS,
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
    for (ends, expected) in [("from = 1.0, to = 0.0", 0.5), ("to = 0.25", 1.0), ("from = 0.75", 0.0)] {
        let map = map(&[&format!("sway = {{ osc = \"/sway\", {ends} }}")]);
        assert_eq!(played(&map, SWAY).0, [value(0, expected)]);
    }
}

#[test]
fn a_latched_one_is_pressed_from_a_half_up() {
    for (to, down) in [("1.0", true), ("2.0", false)] {
        let map = map(&[&format!("sway = {{ osc = \"/sway\", to = {to}, latch = true }}")]);
        assert_eq!(played(&map, SWAY).0, [Gesture::Press { id: ControllerId(0), down }]);
    }
}

#[test]
fn a_pattern_reaches_all_it_matches() {
    let map = map(&["sway = { osc = \"/sway\" }", "swim = { osc = \"/swim\" }", "way = { osc = \"/s/way\" }"]);
    assert_eq!(played(&map, b"/sw*\0\0\0\0,f\0\0\x3f\0\0\0").0, [value(0, 0.5), value(1, 0.5)]);
}

#[test]
fn nonsense_is_counted_and_does_nothing() {
    let map = map(&["sway = { osc = \"/sway\" }"]);
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

/// A piece with names that an address cannot have in it.
const NAMED: &str = r#"
next = "step"
mics = { "alto voice" = 1, viol = 2 }
outputs = { "links, außen" = 1, right = 2 }
[controllers]
"foot#2" = { cc = 11 }
step = { cc = 66 }
loud = { loudness = "viol", from = "-50 dB", to = "-12 dB" }
sway = { osc = "/sway", from = -1.0, to = 1.0 }
[[scene]]
mark = "A"
name = "Threshold"
mic.viol.freeze = { by = "foot#2" }
mic.viol.reverse = { by = "loud" }
mic.viol.direct = { by = "sway" }
[[scene]]
mark = "A+4"
mic."alto voice"."her/own" = { effect = "direct", by = "scene" }
"#;

fn message(addr: &str, args: &[OscType]) -> Vec<u8> {
    encoder::encode(&OscPacket::Message(OscMessage { addr: addr.to_owned(), args: args.to_vec() })).unwrap()
}

#[test]
fn everything_has_an_address() {
    use OscType::{Bool, Float, Int, String};
    let map = OscMap::of_everything(&plan(NAMED));
    let level = |output: Option<u16>, db| Gesture::Level { output: output.map(OutputId), db };
    let mute = |mic, muted| Gesture::Mute { mic: MicId(mic), muted };
    let trim = |trim, db| Gesture::Trim { trim: TrimId(trim), db };
    for (address, arguments, expected) in [
        ("/tenterhook/fire", &[String("A+4".to_owned())][..], &[Gesture::Fire(SceneId(1))][..]),
        ("/tenterhook/hush", &[Int(1)], &[Gesture::Hush(true)]),
        ("/tenterhook/hush", &[Int(0)], &[Gesture::Hush(false)]),
        ("/tenterhook/hush", &[Bool(true)], &[Gesture::Hush(true)]),
        ("/tenterhook/next", &[], &[Gesture::Next]),
        ("/tenterhook/next", &[Float(1.0)], &[Gesture::Next]),
        // A button that is let go.
        ("/tenterhook/next", &[Float(0.0)], &[]),
        ("/tenterhook/back", &[], &[Gesture::Back]),
        ("/tenterhook/level", &[Float(-6.0)], &[level(None, -6.0)]),
        ("/tenterhook/level/right", &[Float(-3.0)], &[level(Some(1), -3.0)]),
        ("/tenterhook/level/viol/reverse", &[Float(-3.0)], &[trim(1, -3.0)]),
        ("/tenterhook/level/alto%20voice/her%2Fown", &[Int(2)], &[trim(3, 2.0)]),
        ("/tenterhook/level/viol/*", &[Float(1.0)], &[trim(0, 1.0), trim(1, 1.0), trim(2, 1.0)]),
        // RFC 3986, 2.1 and 2.5: the octets of UTF-8; a comma and a space are 2C and 20.
        ("/tenterhook/level/links%2C%20au%C3%9Fen", &[Int(-3)], &[level(Some(0), -3.0)]),
        ("/tenterhook/mute/alto%20voice", &[Int(1)], &[mute(0, true)]),
        ("/tenterhook/mute/*", &[Int(0)], &[mute(0, false), mute(1, false)]),
        ("/tenterhook/controller/foot%232", &[Float(0.25)], &[value(0, 0.25)]),
        // As in a file of gestures: the value itself, not what the piece's own address makes of it.
        ("/tenterhook/controller/sway", &[Float(0.25)], &[value(3, 0.25)]),
        ("/sway", &[Float(0.0)], &[value(3, 0.5)]),
        // What machines tell asks nothing of us.
        ("/tenterhook/scene", &[String("A".to_owned())], &[]),
        ("/tenterhook/meter/mic/oboe", &[Float(-20.0), Float(-30.0)], &[]),
        ("/elsewhere", &[Float(1.0)], &[]),
    ] {
        assert_eq!(played(&map, &message(address, arguments)), (expected.to_vec(), 0), "{address} {arguments:?}");
    }
    for (address, arguments) in [
        ("/tenterhook/fire", &[String("Z".to_owned())][..]),
        ("/tenterhook/fire", &[Int(1)]),
        ("/tenterhook/hush", &[]),
        ("/tenterhook/level", &[Float(f32::NAN)]),
        ("/tenterhook/mute/viol", &[String("yes".to_owned())]),
        ("/tenterhook/level/viol/freze", &[Float(-3.0)]),
        // Loudness is computed.
        ("/tenterhook/controller/loud", &[Float(0.25)]),
        ("/tenterhook/fier", &[String("A".to_owned())]),
        ("/tenterhook/mute/oboe*", &[Int(1)]),
    ] {
        assert_eq!(played(&map, &message(address, arguments)), (vec![], 1), "{address} {arguments:?}");
    }
    // Only where it is asked for: else a piece's own addresses are all there is.
    assert_eq!(played(&OscMap::of(&plan(NAMED)), &message("/tenterhook/hush", &[Int(1)])), (vec![], 0));
}

#[test]
fn what_was_applied_is_told_in_the_form_in_which_it_acts() {
    let plan = plan(NAMED);
    let map = OscMap::of_everything(&plan);
    for gesture in [
        value(0, 0.3),
        Gesture::Fire(SceneId(1)),
        Gesture::Hush(true),
        Gesture::Level { output: None, db: -7.5 },
        Gesture::Level { output: Some(OutputId(0)), db: -120.0 },
        Gesture::Mute { mic: MicId(0), muted: true },
        Gesture::Trim { trim: TrimId(3), db: -2.5 },
    ] {
        let told = addresses::gesture(gesture, &plan).unwrap();
        assert_eq!(played(&map, &encoder::encode(&OscPacket::Message(told)).unwrap()), (vec![gesture], 0));
    }
}

fn timed(tag: OscTime, content: Vec<OscPacket>) -> OscPacket {
    OscPacket::Bundle(OscBundle { timetag: tag, content })
}

fn press(value: f32) -> OscPacket {
    OscPacket::Message(OscMessage { addr: "/sway".to_owned(), args: vec![OscType::Float(value)] })
}

#[test]
fn a_bundle_waits_for_its_time_and_what_is_in_it_no_less() {
    let map = map(&["sway = { osc = \"/sway\" }"]);
    let now = 4_000_000_000u64 << 32;
    let at = |seconds: u32| OscTime { seconds: 4_000_000_000 + seconds, fractional: 1 << 31 };
    let read = |packet: &OscPacket| {
        let mut due = Vec::new();
        let read = map.read(&encoder::encode(packet).unwrap(), now, &mut due);
        (due.into_iter().map(|(wait, gesture)| (wait.as_millis(), gesture)).collect::<Vec<_>>(), read.far)
    };
    let packet = timed(
        at(2),
        vec![
            press(0.1),
            timed(at(5), vec![press(0.2)]),
            // OSC 1.0 forbids what is earlier than the bundle around it: it acts with that.
            timed(time::AT_ONCE, vec![press(0.3)]),
            press(0.4),
        ],
    );
    let expected = [(2500, value(0, 0.1)), (5500, value(0, 0.2)), (2500, value(0, 0.3)), (2500, value(0, 0.4))];
    assert_eq!(read(&packet), (expected.to_vec(), 0));
    assert_eq!(read(&timed(at(59), vec![press(0.1)])).0.len(), 1);
    assert_eq!(read(&timed(at(60), vec![press(0.1)])), (vec![], 1), "more than a minute ahead");
    let past = OscTime { seconds: 3_999_999_999, fractional: 0 };
    assert_eq!(read(&timed(past, vec![press(0.1)])).0, [(0, value(0, 0.1))]);
}

/// What comes out at the hub's end.
fn come(incoming: &crossbeam_channel::Receiver<crate::control::hub::Sent>) -> Event {
    incoming.recv_timeout(Duration::from_secs(20)).unwrap().event
}

#[test]
fn what_comes_over_the_wire_reaches_the_hub_at_its_time() {
    let map = map(&[SWAYS]);
    let (events, incoming) = Events::channel();
    let osc = Osc::listen(([127, 0, 0, 1], 0).into(), map.clone(), events.clone()).unwrap();
    let sender = UdpSocket::bind("127.0.0.1:0").unwrap();
    let send = |packet: &[u8]| sender.send_to(packet, osc.address()).unwrap();
    let tag = |ahead: Duration| {
        let time = time::now() + (ahead.as_secs() << 32) + ((u64::from(ahead.subsec_nanos()) << 32) / 1_000_000_000);
        OscTime { seconds: (time >> 32) as u32, fractional: time as u32 }
    };
    let (began, later) = (Instant::now(), Duration::from_secs(2));
    send(&encoder::encode(&timed(tag(later), vec![press(-1.0)])).unwrap());
    send(&encoder::encode(&timed(tag(Duration::from_secs(3600)), vec![press(1.0)])).unwrap());
    send(b"garbage!");
    send(SWAY);
    // Packets between two sockets of one machine keep their order, so those before have been counted by then.
    assert_eq!(come(&incoming), Event::Gesture(value(0, 0.75), Who::Osc));
    assert_eq!(osc.counts(), OscCounts { senseless: 1, far: 1, crowded: 0 });
    assert_eq!(come(&incoming), Event::Gesture(value(0, 0.0), Who::Osc));
    assert!(began.elapsed() >= later, "it waited");

    let taken = Osc::listen(osc.address(), map, events).err().unwrap();
    assert!(matches!(taken, Error::Osc { .. }));
}

#[test]
fn after_a_change_messages_mean_what_the_changed_piece_says() {
    let plan = Arc::new(piece(&["pedal = { cc = 64 }", SWAYS]));
    let (events, incoming) = Events::channel();
    let osc = Osc::listen(([127, 0, 0, 1], 0).into(), map(&["pedal = { cc = 64 }"]), events).unwrap();
    let sender = UdpSocket::bind("127.0.0.1:0").unwrap();
    osc.change(&plan);
    sender.send_to(SWAY, osc.address()).unwrap();
    let sent = incoming.recv_timeout(Duration::from_secs(20)).unwrap();
    assert_eq!(sent.event, Event::Gesture(value(1, 0.75), Who::Osc));
    assert!(sent.of.is_some_and(|of| Arc::ptr_eq(&of, &plan)), "it says which piece it means");
}

#[test]
fn a_message_moves_both_characters_of_one_lever() {
    let plan = plan(
        "mics = { voice = 1 }\noutputs = { left = 1 }\n[controllers]\n\
         sway = { osc = \"/sway\", from = -1.0, to = 1.0 }\nslow = { like = \"sway\", curve = \"slow\" }\nturned = { like = \"sway\", latch = true }\n\
         [[scene]]\nmark = \"A\"\nmic.voice.direct = { by = \"sway\" }\n[[scene]]\nmark = \"B\"\nmic.voice.direct = { by = \"slow\" }\n\
         [[scene]]\nmark = \"C\"\nmic.voice.direct = { by = \"turned\" }\n",
    );
    // 0.5 of −1…1 is 0.75, and 0.75² of the slow one.
    let press = Gesture::Press { id: ControllerId(2), down: true };
    assert_eq!(played(&OscMap::of(&plan), SWAY), (vec![value(0, 0.75), value(1, 0.5625), press], 0));
    // By its name each is moved alone.
    let one = message("/tenterhook/controller/slow", &[OscType::Float(0.5)]);
    assert_eq!(played(&OscMap::of_everything(&plan), &one), (vec![value(1, 0.5)], 0));
}
