//! Gestures as they were applied, written down so that reading them gives the same again.

use super::sample_at;
use tenterhook_plan::{Applied, Gesture, Plan};

/// The first line of a gestures file, without its end.
pub const CSV_HEADER: &str = "seconds,controller,value";

/// The line of an applied gesture, with its end (CR LF, as RFC 4180 has it).
///
/// Read at the same rate it gives the same sample (below 2^51) and the same value. `None`: the gesture is never written,
/// because it is computed (the loudness of a mic), or stands for another that is applied in its place (`Next`, `Back`,
/// `Press`).
pub fn gesture_line(applied: &Applied, rate: u32, plan: &Plan) -> Option<String> {
    let (address, value) = address(applied.what, plan)?;
    line([seconds(applied.sample, rate), address, value])
}

/// The first line of a file that tells who made each gesture, without its end.
pub const WHO_HEADER: &str = "sample,controller,who";

/// The line that says who made an applied gesture, with its end: beside each [`gesture_line`] there is one.
pub fn who_line(applied: &Applied, plan: &Plan) -> Option<String> {
    let (address, _) = address(applied.what, plan)?;
    line([applied.sample.to_string(), address, applied.who.word().to_owned()])
}

/// What a gesture moves and to what, in a file's words.
fn address(gesture: Gesture, plan: &Plan) -> Option<(String, String)> {
    Some(match gesture {
        Gesture::Controller { id, value } => {
            let controller = &plan.controllers[id.index()];
            if controller.is_loudness() {
                return None;
            }
            (controller.name.clone(), value.to_string())
        }
        Gesture::Fire(scene) => ("fire".to_owned(), plan.scenes[scene.index()].mark.clone()),
        Gesture::Hush(hush) => ("hush".to_owned(), flag(hush)),
        Gesture::Level { output: None, db } => ("level".to_owned(), db.to_string()),
        Gesture::Level { output: Some(output), db } => {
            (format!("level/{}", plan.outputs[output.index()].name), db.to_string())
        }
        Gesture::Trim { trim, db } => {
            let trim = &plan.trims[trim.index()];
            (format!("level/{}/{}", plan.owner_name(trim.owner), trim.key), db.to_string())
        }
        Gesture::Mute { mic, muted } => (format!("mute/{}", plan.mics[mic.index()].name), flag(muted)),
        Gesture::Press { .. } | Gesture::Next | Gesture::Back => return None,
    })
}

fn line(fields: [String; 3]) -> Option<String> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    // Into memory, and of text: neither can fail.
    writer.write_record(fields).ok()?;
    String::from_utf8(writer.into_inner().ok()?).ok()
}

/// A whole gestures file of applied gestures, header first.
pub fn write_gestures(applied: &[Applied], rate: u32, plan: &Plan) -> String {
    let lines = applied.iter().filter_map(|applied| gesture_line(applied, rate, plan));
    std::iter::once(format!("{CSV_HEADER}\r\n")).chain(lines).collect()
}

fn flag(flag: bool) -> String {
    if flag { "1" } else { "0" }.to_owned()
}

/// A sample's time: in microseconds where those tell it from its neighbours, else in full.
fn seconds(sample: u64, rate: u32) -> String {
    let seconds = sample as f64 / f64::from(rate);
    let short = format!("{seconds:.6}");
    match short.parse() {
        Ok(read) if sample_at(read, rate) == sample => short,
        _ => seconds.to_string(),
    }
}
