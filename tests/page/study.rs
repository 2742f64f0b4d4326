//! The study in a real browser, before a stand-in for what studies sounds: a harmonic tone on 207.5 Hz.

use std::ops::Range;
use std::sync::mpsc::RecvTimeoutError;
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tenterhook_page::{Access, Studio, StudyAsk, StudyFile};
use tenterhook_plan::RunState;

use super::browser::{Browser, Device, LAPTOP, PHONE, TABLET};
use super::house::{House, LIMIT};
use super::{CONNECTED, pictures, rules};

/// The picture's place for 0 s and for the end, in a picture 1000 wide.
const AXIS: (f64, f64) = (100.0, 900.0);
const SECONDS: f64 = 4.0;

#[derive(Default)]
struct StandIn {
    moments: Mutex<Vec<Range<f64>>>,
    files: Mutex<Vec<(String, StudyAsk)>>,
}

impl Studio for StandIn {
    fn sound(&self, name: &str, bytes: Vec<u8>) -> Result<Value, String> {
        if !bytes.starts_with(b"RIFF") {
            return Err(format!("{name} is no sound: give a WAV file"));
        }
        Ok(json!({
            "id": 3, "name": "word", "seconds": SECONDS, "tuning_hz": 415.0, "moment": { "from": 1.0, "to": 2.0 },
            "steady": [[1.0, 2.0], [2.5, 3.5]], "players": ["violin", "viola", "viol"],
            "steps": ["semitone", "quarter-tone", "exact"],
            "picture": { "width": 1000, "height": 700, "left": AXIS.0, "right": AXIS.1, "top": 50, "bottom": 650 },
        }))
    }

    fn mic(&self, mic: &str, seconds: f64) -> Result<Value, String> {
        Err(format!("{mic} has been open for less than {seconds} s: wait a little"))
    }

    fn moment(&self, _: u64, span: Range<f64>) -> Result<Value, String> {
        self.moments.lock().unwrap().push(span.clone());
        if span.start >= 3.5 {
            return Err("nothing sounds then: choose another moment".to_owned());
        }
        let partials = (1..=30).map(|n| {
            let hz = 207.5 * f64::from(n);
            json!({ "hz": hz, "db": -10.0 - f64::from(n), "note": "G#3", "cents": 0.0, "confidence": 0.9 })
        });
        Ok(json!({
            "from": span.start, "to": span.end, "fundamental_hz": 207.5, "harmonicity": 0.99, "noise": 0.02,
            "formants": [{ "hz": 640.0, "bandwidth_hz": 90.0 }], "partials": partials.collect::<Vec<_>>(),
        }))
    }

    fn file(&self, _: u64, name: &str, ask: &StudyAsk) -> Result<StudyFile, String> {
        self.files.lock().unwrap().push((name.to_owned(), ask.clone()));
        let (kind, bytes) = match name {
            "picture.svg" => ("image/svg+xml", picture().into_bytes()),
            "notes.mid" if ask.players.is_empty() => return Err("nobody plays: add a player".to_owned()),
            name if name.ends_with(".wav") => ("audio/wav", tone()),
            _ => ("text/plain", b"taken along".to_vec()),
        };
        Ok(StudyFile { name: format!("word-{name}"), kind, bytes })
    }
}

/// Strokes that lie one above the other, as harmonics do.
fn picture() -> String {
    let strokes = (1..=12).map(|n| {
        let y = 650.0 - 160.0 * f64::from(n).log2();
        format!("<path d=\"M200 {y}H850\" stroke=\"#000\" stroke-width=\"{}\"/>", 8 / n + 1)
    });
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"1000\" height=\"700\" viewBox=\"0 0 1000 700\">\
         <rect width=\"1000\" height=\"700\" fill=\"#fff\"/>{}</svg>",
        strokes.collect::<String>()
    )
}

/// A second of the tone.
fn tone() -> Vec<u8> {
    let mut bytes = std::io::Cursor::new(Vec::new());
    let spec =
        hound::WavSpec { channels: 1, sample_rate: 8000, bits_per_sample: 16, sample_format: hound::SampleFormat::Int };
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    for n in 0..8000 {
        let turn = f64::from(n) * 207.5 / 8000.0;
        writer.write_sample((3000.0 * (turn * std::f64::consts::TAU).sin()) as i16).unwrap();
    }
    writer.finalize().unwrap();
    bytes.into_inner()
}

/// A page of a running engine with a studio; it runs until this is dropped.
struct Desk {
    studio: Arc<StandIn>,
    address: String,
    stop: Option<std::sync::mpsc::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Desk {
    fn open(studies: bool) -> Self {
        let studio = Arc::<StandIn>::default();
        let any: Option<Arc<dyn Studio>> = studies.then(|| Arc::<StandIn>::clone(&studio) as Arc<dyn Studio>);
        let house = House::with("127.0.0.1:0".parse().unwrap(), Access::Anyone, any);
        let address = format!("http://{}/", house.page.address());
        let (stop, stopped) = std::sync::mpsc::channel();
        let run = move || {
            let mut sample = 0;
            while let Err(RecvTimeoutError::Timeout) = stopped.recv_timeout(Duration::from_millis(33)) {
                sample += 1600;
                house.show(RunState { sample, ..house.state() });
            }
        };
        Self { studio, address, stop: Some(stop), thread: Some(std::thread::spawn(run)) }
    }

    fn study(&self) -> Browser {
        let browser = Browser::open(&self.address);
        browser.until(CONNECTED);
        browser.click("nav [data-view=study]");
        browser.until("document.querySelector('#study-choose')?.offsetParent");
        browser
    }

    /// The last of so many moments that were looked into: a hand that moves asks for one when it has come to rest.
    fn moment(&self, count: usize) -> Range<f64> {
        let begun = Instant::now();
        loop {
            let moments = self.studio.moments.lock().unwrap().clone();
            match moments.last() {
                Some(last) if moments.len() >= count => return last.clone(),
                _ => assert!(begun.elapsed() < LIMIT, "{count} moments: {moments:?}"),
            }
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        self.stop.take();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// A hand chooses a file.
fn choose(browser: &Browser, name: &str, begins: &str) {
    browser.script(&format!(
        "const files = new DataTransfer(); files.items.add(new File(['{begins}'], '{name}')); \
         const input = document.querySelector('#study-file'); input.files = files.files; \
         input.dispatchEvent(new Event('change'));"
    ));
}

/// A file falls onto an element; whether the page kept it from taking the page's place.
fn fall(browser: &Browser, onto: &str) -> bool {
    let kept = browser.script(&format!(
        "const files = new DataTransfer(); files.items.add(new File(['RIFF'], 'fallen.wav')); \
         return ['dragover', 'drop'].every((kind) => !document.querySelector('{onto}').dispatchEvent( \
         new DragEvent(kind, {{ dataTransfer: files, bubbles: true, cancelable: true }})));"
    ));
    kept == Value::Bool(true)
}

const ROWS: &str = "document.querySelectorAll('.partials tbody tr').length";
const SETTLED: &str = "document.querySelector('.partials').getAttribute('aria-busy') === 'false'";

fn troubled(words: &str) -> String {
    format!("[...document.querySelectorAll('#study .trouble')].some((one) => one.textContent.includes('{words}'))")
}

#[test]
fn a_sound_is_studied_from_the_file_to_the_notes() {
    let desk = Desk::open(true);
    let browser = desk.study();
    // What is refused is said beside what was asked, and nothing is taken for a sound.
    choose(&browser, "word.txt", "text");
    browser.until(&troubled("word.txt is no sound"));
    browser.click("#study-take");
    browser.until(&troubled("voice has been open for less than 8 s"));
    choose(&browser, "word.wav", "RIFF");
    browser.until(&format!("{ROWS} === 24 && {SETTLED}"));
    browser.until("document.querySelector('.picture img').naturalWidth === 1000");
    assert_eq!(desk.moment(1), 1.0..2.0);
    let words = browser.text(".in-words");
    assert!(words.contains("207.5 Hz (G♯3, 0 cents)") && words.contains("640 Hz"), "{words}");
    browser.click(".partials > button");
    browser.until(&format!("{ROWS} === 30"));

    // A band that is dragged on the picture is the moment that is asked for.
    browser.drag(".field", 0.6, 0.85);
    let Range { start, end } = desk.moment(2);
    assert!((start - 0.6 * SECONDS).abs() < 0.03 && (end - 0.85 * SECONDS).abs() < 0.03, "{start} to {end}");
    assert_eq!(browser.text("#moment"), format!("{start:.2}–{end:.2} s"));
    // So is one that a key moves.
    browser.script("document.querySelector('#moment-from').focus();");
    browser.key("ArrowRight");
    browser.until(&format!("document.querySelector('#moment').innerText === '{:.2}–{end:.2} s'", start + 0.01));
    assert!((desk.moment(3).start - start - 0.01).abs() < 1e-9);
    // Where nothing sounds, no figures of another moment stay.
    browser.drag(".field", 0.95, 1.0);
    browser.until(&troubled("nothing sounds then"));
    assert_eq!(browser.script(&format!("return {ROWS};")), 0);
    browser.click(".steady button:last-of-type");
    browser.until(&format!("{ROWS} === 24"));
    assert_eq!(desk.moment(5), 2.5..3.5);

    // Notes need players: a refusal is said, not kept as a file.
    browser.script("HTMLAnchorElement.prototype.click = function () { window.kept = this.download; };");
    browser.click("[data-file='notes.mid']");
    browser.until(&troubled("nobody plays"));
    browser.click("#study-add");
    browser.click("#study-add");
    browser.click(".players li:last-child button");
    browser.click(".steps [value=quarter-tone]");
    browser.click("[data-file='notes.mid']");
    browser.until("window.kept === 'word-notes.mid'");
    let asked = desk.studio.files.lock().unwrap().iter().rfind(|(name, _)| name == "notes.mid").unwrap().1.clone();
    let players = vec!["violin".to_owned()];
    assert_eq!(asked, StudyAsk { span: Some(2.5..3.5), players, step: "quarter-tone".to_owned() });

    // Left and come back to, everything is as it was.
    browser.script("location.hash = '#score';");
    browser.until("document.querySelector('#study').hidden");
    browser.script("location.hash = '#study';");
    browser.until("!document.querySelector('#study').hidden");
    assert_eq!(browser.text("#moment"), "2.50–3.50 s");
    assert_eq!(browser.script("return document.querySelectorAll('.players li').length;"), 1);
}

#[test]
fn one_sound_is_heard_at_a_time_and_a_changed_chord_is_another_one() {
    let desk = Desk::open(true);
    let browser = desk.study();
    choose(&browser, "word.wav", "RIFF");
    browser.until(&format!("{ROWS} === 24"));
    // A press, without which a browser plays nothing.
    browser.click("#study-add");
    let one = |name: &str| format!("document.querySelector('audio[aria-label={name}]')");
    let playing = |name: &str| format!("!{0}.paused && {0}.currentTime > 0", one(name));
    browser.script(&format!("{0}.loop = true; {0}.play();", one("Sound")));
    browser.until(&playing("Sound"));
    browser.until("!document.querySelector('.playhead').hidden");
    browser.script(&format!("{0}.loop = true; {0}.play();", one("Chord")));
    browser.until(&playing("Chord"));
    browser.until(&format!("{}.paused", one("Sound")));
    browser.until("document.querySelector('.playhead').hidden");
    browser.click(".steps [value=exact]");
    browser.until(&format!("{0}.paused && {0}.src.endsWith('step=exact')", one("Chord")));
}

#[test]
fn a_file_that_falls_beside_its_place_does_not_take_the_pages() {
    let desk = Desk::open(true);
    let browser = desk.study();
    assert!(fall(&browser, "#top"));
    std::thread::sleep(Duration::from_millis(300));
    assert_eq!(browser.script("return document.querySelector('.sheet').hidden;"), true, "it is not taken in");
    assert!(fall(&browser, ".drop"));
    browser.until(&format!("{ROWS} === 24"));
}

#[test]
fn where_nothing_studies_the_view_is_not_there() {
    let desk = Desk::open(false);
    let browser = Browser::open(&format!("{}#study", desk.address));
    browser.until(CONNECTED);
    assert_eq!(browser.script("return document.body.dataset.view;"), "score");
    assert_eq!(browser.script("return document.querySelector('nav [data-view=study]').hidden;"), true);
}

#[test]
fn the_study_breaks_no_rule_of_accessibility_in_any_size_or_theme() {
    let desk = Desk::open(true);
    let browser = desk.study();
    for filled in [false, true] {
        if filled {
            choose(&browser, "word.wav", "RIFF");
            browser.until(&format!("{ROWS} === 24 && {SETTLED}"));
            browser.click("#study-add");
        }
        for device in [PHONE, TABLET, LAPTOP] {
            for dark in [false, true] {
                let Device { name, .. } = device;
                browser.device(device);
                browser.dark(dark);
                std::thread::sleep(Duration::from_millis(300));
                if let Some(folder) = pictures() {
                    let theme = if dark { "dark" } else { "light" };
                    let what = if filled { "study" } else { "study-empty" };
                    browser.picture(&folder.join(format!("{what}-{name}-{theme}.png")));
                }
                assert_eq!(rules(&browser), Value::Array(Vec::new()), "{name}, dark: {dark}, filled: {filled}");
                let wide = browser.script("return document.documentElement.scrollWidth > innerWidth;");
                assert_eq!(wide, Value::Bool(false), "{name}: nothing lies beside the page");
            }
        }
    }
}
