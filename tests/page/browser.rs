//! A real browser without a window, and what a person does with it.

use std::io::{BufRead, BufReader};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use thirtyfour::{ChromiumLikeCapabilities, DesiredCapabilities, WebDriver};
use tokio::runtime::{Builder, Runtime};

/// More than a page takes for anything on a slow machine.
const LIMIT: Duration = Duration::from_secs(20);

/// What a browser without a window needs, as root and without a graphics processor.
const ARGUMENTS: [&str; 9] = [
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
];

/// One browser with one page, closed when this is dropped.
pub struct Browser {
    runtime: Runtime,
    page: Option<WebDriver>,
    driver: Child,
    /// What the driver says, which must have somewhere to go.
    _said: BufReader<ChildStdout>,
}

/// The size of a device's page, in CSS pixels, and whether it is touched.
#[derive(Clone, Copy)]
pub struct Device {
    pub name: &'static str,
    pub width: u32,
    pub height: u32,
    pub touch: bool,
}

pub const PHONE: Device = Device { name: "phone", width: 390, height: 844, touch: true };
pub const TABLET: Device = Device { name: "tablet", width: 1024, height: 768, touch: true };
pub const LAPTOP: Device = Device { name: "laptop", width: 1440, height: 900, touch: false };

/// The port that a driver has taken, by its own words.
fn port(said: &mut impl BufRead) -> u16 {
    let mut line = String::new();
    while said.read_line(&mut line).unwrap() > 0 {
        if let Some((_, port)) = line.trim_end().trim_end_matches('.').split_once("successfully on port ") {
            return port.parse().unwrap();
        }
        line.clear();
    }
    panic!("the driver of the browser ended");
}

impl Browser {
    /// Opens an address.
    pub fn open(address: &str) -> Self {
        let mut driver = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver runs: install the packages chromium and chromium-driver");
        let mut said = BufReader::new(driver.stdout.take().unwrap());
        let port = port(&mut said);
        let runtime = Builder::new_current_thread().enable_all().build().unwrap();
        let mut wanted = DesiredCapabilities::chrome();
        ARGUMENTS.iter().for_each(|argument| wanted.add_arg(argument).unwrap());
        let begun = Instant::now();
        let page = loop {
            match runtime.block_on(WebDriver::new(format!("http://127.0.0.1:{port}"), wanted.clone())) {
                Ok(page) => break page,
                Err(why) if begun.elapsed() > 3 * LIMIT => panic!("no browser: {why}"),
                Err(_) => std::thread::sleep(Duration::from_millis(50)),
            }
        };
        let browser = Self { runtime, page: Some(page), driver, _said: said };
        browser.device(LAPTOP);
        browser.go(address);
        browser
    }

    fn page(&self) -> &WebDriver {
        self.page.as_ref().expect("it is there until this is dropped")
    }

    /// Goes to an address.
    pub fn go(&self, address: &str) {
        self.runtime.block_on(self.page().goto(address)).unwrap();
    }

    /// What a piece of script gives back.
    pub fn script(&self, script: &str) -> Value {
        let given = self.runtime.block_on(self.page().execute(script, Vec::new()));
        given.unwrap_or_else(|why| panic!("{script}: {why}")).json().clone()
    }

    /// What a piece of script hands to its last argument, `done`.
    pub fn eventually(&self, script: &str) -> Value {
        let script = format!("const done = arguments[arguments.length - 1]; {script}");
        let given = self.runtime.block_on(self.page().execute_async(script.as_str(), Vec::new()));
        given.unwrap_or_else(|why| panic!("{script}: {why}")).json().clone()
    }

    /// Waits until an expression of script is true.
    pub fn until(&self, truth: &str) {
        let begun = Instant::now();
        while self.script(&format!("return !!({truth});")) != Value::Bool(true) {
            if begun.elapsed() > LIMIT {
                let seen = self.script("return document.body.innerText;");
                panic!("it never became true that {truth}; the page says {seen}");
            }
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// What an element says.
    pub fn text(&self, selector: &str) -> String {
        self.script(&format!("return document.querySelector({}).innerText;", json!(selector)))
            .as_str()
            .unwrap()
            .trim()
            .to_owned()
    }

    fn raw(&self, method: &str, parameters: Value) {
        self.runtime.block_on(self.page().cdp().send_raw(method, parameters)).unwrap();
    }

    /// Becomes a device.
    pub fn device(&self, device: Device) {
        let Device { width, height, touch, .. } = device;
        let screen = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": touch });
        self.raw("Emulation.setDeviceMetricsOverride", screen);
        self.raw("Emulation.setTouchEmulationEnabled", json!({ "enabled": touch }));
    }

    /// Is in a dark room, or in a bright one.
    pub fn dark(&self, dark: bool) {
        let scheme = json!({ "name": "prefers-color-scheme", "value": if dark { "dark" } else { "light" } });
        self.raw("Emulation.setEmulatedMedia", json!({ "features": [scheme] }));
    }

    /// A key goes down and comes up, wherever the focus is. `name` is its value in the W3C UI Events standard.
    pub fn key(&self, name: &str) {
        let code = match name {
            "PageDown" => 34,
            "PageUp" => 33,
            "End" => 35,
            "Escape" => 27,
            "Tab" => 9,
            "ArrowRight" => 39,
            "ArrowUp" => 38,
            " " => 32,
            "Enter" => 13,
            _ => 0,
        };
        for kind in ["rawKeyDown", "keyUp"] {
            let event = json!({ "type": kind, "key": name, "code": name, "windowsVirtualKeyCode": code });
            self.raw("Input.dispatchKeyEvent", event);
        }
    }

    /// The place of an element's part on the screen: `x` and `y` of its width and height.
    fn place(&self, selector: &str, x: f64, y: f64) -> (f64, f64) {
        let selector = json!(selector);
        let rect = self.script(&format!(
            "const e = document.querySelector({selector}); e.scrollIntoView({{ block: 'center' }}); \
             const r = e.getBoundingClientRect(); return [r.x, r.y, r.width, r.height];"
        ));
        let part = |n: usize| rect[n].as_f64().unwrap();
        (part(0) + x * part(2), part(1) + y * part(3))
    }

    /// A finger taps an element.
    pub fn tap(&self, selector: &str, times: usize) {
        let (x, y) = self.place(selector, 0.5, 0.5);
        for _ in 0..times {
            self.raw("Input.dispatchTouchEvent", json!({ "type": "touchStart", "touchPoints": [{ "x": x, "y": y }] }));
            self.raw("Input.dispatchTouchEvent", json!({ "type": "touchEnd", "touchPoints": [] }));
        }
    }

    /// A mouse presses an element.
    pub fn click(&self, selector: &str) {
        let (x, y) = self.place(selector, 0.5, 0.5);
        self.mouse(&[("mousePressed", x, y), ("mouseReleased", x, y)]);
    }

    /// A mouse drags along an element, from one part of its width to another.
    pub fn drag(&self, selector: &str, from: f64, to: f64) {
        let at = |part: f64| self.place(selector, part, 0.5);
        let ((a, y), (b, _)) = (at(from), at(to));
        let steps = (1..=10).map(|step| ("mouseMoved", a + (b - a) * f64::from(step) / 10.0, y));
        let whole: Vec<_> =
            [("mousePressed", a, y)].into_iter().chain(steps).chain([("mouseReleased", b, y)]).collect();
        self.mouse(&whole);
    }

    /// Does something until an expression of script is true, as a person does who has missed.
    pub fn try_until(&self, truth: &str, act: impl Fn()) {
        const PATIENCE: Duration = Duration::from_secs(2);
        for _ in 0..10 {
            act();
            let begun = Instant::now();
            while begun.elapsed() < PATIENCE {
                if self.script(&format!("return !!({truth});")) == Value::Bool(true) {
                    return;
                }
                std::thread::sleep(Duration::from_millis(10));
            }
        }
        panic!("it never became true that {truth}");
    }

    fn mouse(&self, moves: &[(&str, f64, f64)]) {
        for (kind, x, y) in moves {
            let event = json!({ "type": kind, "x": x, "y": y, "button": "left", "buttons": 1, "clickCount": 1 });
            self.raw("Input.dispatchMouseEvent", event);
        }
    }

    /// The picture of the page, into a file.
    pub fn picture(&self, path: &std::path::Path) {
        self.runtime.block_on(self.page().screenshot(path)).unwrap();
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        if let Some(page) = self.page.take() {
            // Whatever is left of it goes with its driver.
            let _ = self.runtime.block_on(page.quit());
        }
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}
