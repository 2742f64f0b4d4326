//! OSC packets: whatever they hold, what comes of them is in range, and a packet means the same inside a bundle.

use std::sync::LazyLock;

use rosc::{OscBundle, OscMessage, OscPacket, OscTime, OscType, decoder, encoder};
use tenterhook_config::{Text, check};
use tenterhook_io::OscMap;
use tenterhook_plan::{Gesture, Plan};

use crate::plans;

const PIECE: &str = r#"
mics = { voice = 1 }
outputs = { left = 1 }
[controllers]
sway = { osc = "/sway", from = -1.0, to = 1.0 }
turned = { osc = "/deck/turned", from = 10.0, to = -10.0, curve = "slow" }
held = { osc = "/deck/held", latch = true }
plain = { osc = "/plain" }
[[scene]]
mark = "A"
mic.voice.direct = { by = "sway" }
"#;

static PLAN: LazyLock<Plan> =
    LazyLock::new(|| check(&Text::new("osc.toml", PIECE), None).expect("nothing is wrong with it").plan);
static MAP: LazyLock<OscMap> = LazyLock::new(|| OscMap::of(&PLAN));

/// Panics if the law is broken.
pub fn law(data: &[u8]) {
    let meant = |packet: &[u8]| {
        let mut gestures = Vec::new();
        let senseless = MAP.gestures(packet, &mut |gesture: Gesture| gestures.push(gesture));
        (gestures, senseless)
    };
    let (gestures, senseless) = meant(data);
    gestures.iter().for_each(|gesture| plans::meant(*gesture, &PLAN));
    match decoder::decode_udp(data) {
        Err(_) => assert!(gestures.is_empty() && senseless == 1, "a packet that cannot be read means nothing"),
        // OSC 1.0: a bundle is "#bundle", a time tag of eight bytes, and elements, each after its size; all sizes are
        // multiples of four.
        Ok((rest, _)) if rest.is_empty() && data.len().is_multiple_of(4) => {
            let size = u32::try_from(data.len()).expect("packets are short").to_be_bytes();
            let bundle = [b"#bundle\0\0\0\0\0\0\0\0\x01".as_slice(), &size, data].concat();
            let deepest = bundle.windows(8).filter(|window| *window == b"#bundle\0").count() > 256;
            assert!(deepest || meant(&bundle) == (gestures, senseless), "it means something else inside a bundle");
        }
        Ok(_) => {}
    }
}

/// Messages of each type, a pattern, a bundle.
pub fn seeds() -> Vec<Vec<u8>> {
    let message = |path: &str, args: Vec<OscType>| OscPacket::Message(OscMessage { addr: path.to_owned(), args });
    let packets = [
        message("/sway", vec![OscType::Float(0.5)]),
        message("/deck/turned", vec![OscType::String("up".to_owned()), OscType::Int(-3)]),
        message("/deck/*", vec![OscType::Double(f64::NAN), OscType::Bool(true)]),
        message("/{sway,plain}", vec![OscType::Long(1)]),
        message("/[a-z]?ay", vec![OscType::Nil]),
        message("/elsewhere", vec![OscType::Blob(vec![1, 2, 3]), OscType::Time(OscTime::from((1, 2)))]),
        OscPacket::Bundle(OscBundle {
            timetag: OscTime::from((0, 1)),
            content: vec![message("/plain", vec![OscType::Float(f32::INFINITY)]), message("/deck/held", vec![])],
        }),
    ];
    packets.iter().map(|packet| encoder::encode(packet).expect("these can be sent")).collect()
}
