//! The checks before machines made up of files.

use std::fs;
use std::path::Path;

use tempfile::TempDir;

use super::{CHECKS, PreflightLine, PreflightSeen, SeenMachine, in_words, lines, power, radio, to_json, work};

/// A machine of these files.
struct Made(TempDir);

impl Made {
    fn of(files: &[(&str, &str)]) -> Self {
        let made = Self(tempfile::tempdir().unwrap());
        for (path, text) in files {
            made.put(path, text);
        }
        made
    }

    fn put(&self, path: &str, text: &str) {
        let path = self.0.path().join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    fn seen(&self, look: fn(&SeenMachine<'_>) -> PreflightSeen) -> PreflightSeen {
        self.watched(look, &|| {})
    }

    fn watched(&self, look: fn(&SeenMachine<'_>) -> PreflightSeen, watch: &dyn Fn()) -> PreflightSeen {
        look(&machine(self.0.path(), watch))
    }
}

fn machine<'m>(root: &Path, watch: &'m dyn Fn()) -> SeenMachine<'m> {
    SeenMachine {
        sys: root.join("sys"),
        proc: root.join("proc"),
        log: root.to_owned(),
        log_bytes: 960_000.0,
        plays: false,
        watch,
    }
}

fn good(found: &str) -> PreflightSeen {
    PreflightSeen::Good(found.to_owned())
}

/// What is worth a look, and the words to find in what to do.
fn is_look(seen: &PreflightSeen, found: &str, to_do: &str) -> bool {
    matches!(seen, PreflightSeen::Look(said, remedy) if said == found && remedy.contains(to_do))
}

#[test]
fn a_battery_is_good_while_the_mains_feed_it() {
    let laptop = |online: &str, status: &str| {
        Made::of(&[
            ("sys/class/power_supply/AC/type", "Mains\n"),
            ("sys/class/power_supply/AC/online", online),
            ("sys/class/power_supply/BAT0/type", "Battery\n"),
            ("sys/class/power_supply/BAT0/capacity", "63\n"),
            ("sys/class/power_supply/BAT0/status", status),
            ("sys/class/power_supply/mouse/type", "Battery\n"),
            ("sys/class/power_supply/mouse/scope", "Device\n"),
            ("sys/class/power_supply/mouse/status", "Discharging\n"),
        ])
        .seen(power::supply)
    };
    assert_eq!(laptop("1\n", "Charging\n"), good("on the mains, battery at 63 %, charging"));
    assert!(is_look(&laptop("0\n", "Discharging\n"), "not on the mains, battery at 63 %, discharging", "plug"));
    assert!(is_look(
        &laptop("1\n", "Discharging\n"),
        "on the mains, and yet the battery at 63 %, discharging",
        "stronger"
    ));
    let desktop = Made::of(&[("sys/class/power_supply/mouse/scope", "Device\n")]);
    assert_eq!(desktop.seen(power::supply), good("there is no battery that could run empty"));
    assert!(matches!(Made::of(&[]).seen(power::supply), PreflightSeen::Hidden(_)));
}

#[test]
fn what_saves_power_is_worth_a_look() {
    let plan = |text: &str| Made::of(&[("sys/firmware/acpi/platform_profile", text)]).seen(power::plan);
    assert!(is_look(&plan("low-power\n"), "\"low-power\" saves power", "performance"));
    assert_eq!(plan("balanced\n"), good("\"balanced\""));
    let governor = |one: &str, other: &str| {
        let path = |n: u32| format!("sys/devices/system/cpu/cpu{n}/cpufreq/scaling_governor");
        let made = Made::of(&[(&path(0), one), (&path(1), other), ("sys/devices/system/cpu/online", "0-1\n")]);
        made.seen(power::governor)
    };
    assert_eq!(governor("performance\n", "performance\n"), good("always the highest"));
    let found = "it follows the load (performance, powersave) and may come too late for a sudden one";
    assert!(is_look(&governor("performance\n", "powersave\n"), found, "cpupower"));
    let sleep = |text: &str| Made::of(&[("sys/power/state", text)]).seen(power::sleep);
    assert!(is_look(
        &sleep("freeze mem\n"),
        "it can sleep, and whether it will by itself cannot be seen",
        "systemd-inhibit"
    ));
    assert_eq!(sleep("\n"), good("this machine has no sleep"));
    for look in [power::plan, power::governor] {
        assert!(matches!(Made::of(&[]).seen(look), PreflightSeen::Hidden(_)));
    }
}

#[test]
fn a_radio_is_on_unless_a_switch_blocks_it() {
    let radios = |soft: &str, hard: &str, state: &str| {
        Made::of(&[
            ("sys/class/rfkill/rfkill0/type", "wlan\n"),
            ("sys/class/rfkill/rfkill0/soft", soft),
            ("sys/class/rfkill/rfkill0/hard", hard),
            ("sys/class/net/eth0/operstate", "up\n"),
            ("sys/class/net/wlp2s0/operstate", state),
            ("sys/class/net/wlp2s0/wireless/link", ""),
        ])
        .seen(radio::wireless)
    };
    assert!(is_look(&radios("0\n", "0\n", "up\n"), "wlan on, in a network by wlp2s0", "rfkill block wlan"));
    assert!(is_look(&radios("0\n", "0\n", "down\n"), "wlan on", "rfkill block wlan"));
    for (soft, hard) in [("1\n", "0\n"), ("0\n", "1\n")] {
        assert_eq!(radios(soft, hard, "down\n"), good("no radio is on"));
    }
    assert_eq!(Made::of(&[("sys/class/net/eth0/operstate", "up\n")]).seen(radio::wireless), good("no radio is on"));
    assert!(matches!(Made::of(&[]).seen(radio::wireless), PreflightSeen::Hidden(_)));
}

#[test]
fn other_work_is_what_the_processors_do_while_this_program_waits() {
    let seen = |busy: u64, minute: &str| {
        let stat = |busy: u64, idle: u64| format!("cpu  {busy} 0 0 {idle} 0 0 0 0 0 0\ncpu0 1 0\ncpu1 1 0\nintr 9\n");
        let made = Made::of(&[("proc/stat", &stat(1000, 9000)), ("proc/loadavg", minute)]);
        made.watched(work::others, &|| made.put("proc/stat", &stat(1000 + busy, 9000 + 100 - busy)))
    };
    assert_eq!(
        seen(5, "0.20 0.1 0.1 1/99 7\n"),
        good("5 % of the processors, 0.1 tasks for each over the last minute")
    );
    assert!(is_look(&seen(30, "0.20\n"), "30 % of the processors, 0.1 tasks for each over the last minute", "quit"));
    assert!(is_look(&seen(5, "1.00\n"), "5 % of the processors, 0.5 tasks for each over the last minute", "quit"));
    assert_eq!(seen(5, "?"), good("5 % of the processors"));
    let still = Made::of(&[("proc/stat", "cpu  1 0 0 9 0 0 0 0\n")]);
    assert!(matches!(still.seen(work::others), PreflightSeen::Hidden(_)));
    assert!(matches!(Made::of(&[("proc/stat", "nonsense")]).seen(work::others), PreflightSeen::Hidden(_)));
}

#[test]
fn memory_that_has_been_moved_to_disk_is_worth_a_look() {
    let seen = |total: u64, free: u64| {
        let told = format!("MemTotal: 9 kB\nSwapTotal:   {total} kB\nSwapFree:    {free} kB\n");
        Made::of(&[("proc/meminfo", &told)]).seen(work::swap)
    };
    assert_eq!(seen(0, 0), good("nothing can be moved to disk"));
    assert_eq!(seen(2_000_000, 1_990_000), good("9 MB have been moved to disk"));
    assert!(is_look(&seen(2_000_000, 1_000_000), "976 MB have been moved to disk", "swapoff"));
    assert!(matches!(Made::of(&[]).seen(work::swap), PreflightSeen::Hidden(_)));
}

/// Every line that wants something done says what.
fn are_whole(lines: &[PreflightLine]) {
    assert_eq!(lines.len(), CHECKS.len());
    for line in lines {
        assert!(!line.found.is_empty() && line.to_do.is_some() == (line.state != "good"), "{line:?}");
    }
    let words = in_words(lines);
    assert!(words.lines().all(|line| line.chars().count() <= 80), "{words}");
    assert!(CHECKS.iter().all(|check| words.contains(check.what)));
    assert_eq!(to_json(lines).as_array().map(Vec::len), Some(CHECKS.len()));
}

#[test]
fn a_machine_that_shows_nothing_is_told_where_to_look() {
    are_whole(&lines(Some(&machine(Path::new("/nowhere at all"), &|| {}))));
    let unseen = lines(None);
    are_whole(&unseen);
    assert!(unseen.iter().all(|line| line.state == "cannot be seen"));
}

#[cfg(target_os = "linux")]
#[test]
fn this_machine_is_seen() {
    let root = Path::new("/");
    let folder = tempfile::tempdir().unwrap();
    let here = SeenMachine { log: folder.path().to_owned(), ..machine(root, &|| std::thread::sleep(super::WATCH)) };
    let lines = lines(Some(&here));
    are_whole(&lines);
    // Every Linux shows these, whatever they are.
    for what in ["disk space", "real time", "locked memory", "memory"] {
        let line = lines.iter().find(|line| line.what == what).unwrap();
        assert_ne!(line.state, "cannot be seen", "{line:?}");
    }
}
