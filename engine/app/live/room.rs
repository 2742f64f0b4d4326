//! Whether there is room in this machine's memory for a piece.

use serde_json::{Value, json};
use tenterhook_plan::Plan;

use crate::failure::Failure;

/// What is left to the machine, and to all of this program that is not the piece: bytes.
const LEFT: u64 = 256 << 20;

/// Memory that this program could still take, and what sets that bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Free {
    pub bytes: u64,
    by: &'static str,
}

/// What a piece takes, beside what is free.
pub struct Room<'p> {
    plan: &'p Plan,
    rate: u32,
    takes: tenterhook_rt::Bytes,
    free: Option<Free>,
}

impl<'p> Room<'p> {
    /// On this machine, as it is now.
    pub fn here(plan: &'p Plan, rate: u32) -> Self {
        Self::with(plan, rate, free())
    }

    /// Where so much is free; `None`: the system does not say.
    fn with(plan: &'p Plan, rate: u32, free: Option<Free>) -> Self {
        Self { plan, rate, takes: tenterhook_rt::bytes(plan, rate), free }
    }

    /// What the piece takes, in words.
    pub fn words(&self) -> String {
        format!("{} MB of memory", megabytes(self.takes.all as u64))
    }

    /// Something to be cautious about.
    pub fn caution(&self) -> Option<String> {
        let free = self.free.filter(|free| 2 * self.takes.all as u64 > free.bytes)?;
        let play = if self.fits() { "" } else { ", and it would not be played here" };
        Some(format!("{}: more than half of the {}{play}; {}", self.taken(), said(free), self.remedy()))
    }

    /// Refuses a piece that would not fit.
    pub fn refuse(&self) -> Result<(), Failure> {
        match self.free {
            Some(free) if !self.fits() => Err(Failure::Asked(format!(
                "{}: too much beside the {}, of which {} MB are left to the rest; {}",
                self.taken(),
                said(free),
                megabytes(LEFT),
                self.remedy()
            ))),
            _ => Ok(()),
        }
    }

    /// The same as JSON: bytes taken and free, and whether it fits.
    pub fn to_json(&self) -> Value {
        json!({ "bytes": self.takes.all, "rate": self.rate, "free": self.free.map(|free| free.bytes), "fits": self.fits() })
    }

    fn fits(&self) -> bool {
        self.free.is_none_or(|free| (self.takes.all as u64).saturating_add(LEFT) <= free.bytes)
    }

    fn taken(&self) -> String {
        format!("{} takes {} at {} Hz", self.plan.title, self.words(), self.rate)
    }

    /// What would help most: the kind of effect that takes most.
    fn remedy(&self) -> String {
        let mut kinds: Vec<(&str, usize, usize)> = Vec::new();
        for &(effect, bytes) in &self.takes.voices {
            match kinds.iter_mut().find(|(name, ..)| *name == effect) {
                Some((_, count, sum)) => (*count, *sum) = (*count + 1, *sum + bytes),
                None => kinds.push((effect, 1, bytes)),
            }
        }
        let Some((name, count, sum)) = kinds.into_iter().max_by_key(|(.., sum)| *sum) else {
            return "quit what takes memory".to_owned();
        };
        let how = match name {
            "stretch" => "give them a shorter `memory`, or have fewer mics that stretch",
            _ => "have fewer mics with it",
        };
        let on = if count == 1 { "one source".to_owned() } else { format!("{count} sources") };
        format!("{name} on {on} takes {} MB of it: {how}", megabytes(sum as u64))
    }
}

fn megabytes(bytes: u64) -> u64 {
    bytes.div_ceil(1 << 20)
}

fn said(free: Free) -> String {
    format!("{} MB that {}", megabytes(free.bytes), free.by)
}

/// What is free here: the least of what the machine has, and of what this process and its group may still take.
fn free() -> Option<Free> {
    let read = |path: &str| std::fs::read_to_string(path).ok();
    let (limits, group) = (limits(), read("/proc/self/cgroup").and_then(|own| group(&own, &read)));
    bounds(read("/proc/meminfo").as_deref(), read("/proc/self/status").as_deref(), limits, group)
}

/// Bytes of a limit that are left, by texts of the system: proc(5). `limits`: of addresses and of data.
fn bounds(
    machine: Option<&str>,
    process: Option<&str>,
    limits: [Option<u64>; 2],
    group: Option<(u64, u64)>,
) -> Option<Free> {
    let line = |text: Option<&str>, name: &str| -> Option<u64> {
        let rest = text?.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(':'))?;
        Some(rest.trim().strip_suffix("kB")?.trim().parse::<u64>().ok()? * 1024)
    };
    let of_limit = |limit: Option<u64>, used: Option<u64>| Some(limit?.saturating_sub(used.unwrap_or(0)));
    let own = "this process may still take";
    let all = [
        (line(machine, "MemAvailable"), "are free"),
        (of_limit(limits[0], line(process, "VmSize")), own),
        (of_limit(limits[1], line(process, "VmData")), own),
        (group.map(|(limit, used)| limit.saturating_sub(used)), "its group of processes may still take"),
    ];
    all.into_iter().filter_map(|(bytes, by)| Some(Free { bytes: bytes?, by })).min_by_key(|free| free.bytes)
}

/// The limit of this process's group and what it uses, if it has one (cgroup v2: `memory.max`, `memory.current`).
fn group(own: &str, read: &dyn Fn(&str) -> Option<String>) -> Option<(u64, u64)> {
    let path = own.lines().find_map(|line| line.strip_prefix("0::"))?;
    let number = |name: &str| read(&format!("/sys/fs/cgroup{path}/{name}"))?.trim().parse::<u64>().ok();
    Some((number("memory.max")?, number("memory.current")?))
}

/// getrlimit(2): RLIMIT_AS and RLIMIT_DATA.
#[cfg(target_os = "linux")]
fn limits() -> [Option<u64>; 2] {
    use rustix::process::{Resource, getrlimit};
    [Resource::As, Resource::Data].map(|resource| getrlimit(resource).current)
}

#[cfg(not(target_os = "linux"))]
fn limits() -> [Option<u64>; 2] {
    [None, None]
}

#[cfg(test)]
mod tests {
    use super::*;
    use tenterhook_config::{Text, check};

    fn plan() -> Plan {
        let piece = "title = \"Reed\"\nmics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { foot = {} }\n\
                     [[scene]]\nmark = \"A\"\nmic.voice.stretch = { by = \"foot\", memory = \"30 s\" }\n";
        check(&Text::new("reed.toml", piece), None).expect("nothing is wrong with it").plan
    }

    #[test]
    fn the_least_bound_counts() {
        let machine = "MemTotal: 9000000 kB\nMemAvailable:    4000000 kB\n";
        let process = "VmSize:\t  100000 kB\nVmData:\t   50000 kB\n";
        let bytes = |limits, group| bounds(Some(machine), Some(process), limits, group).map(|free| free.bytes);
        assert_eq!(bytes([None, None], None), Some(4_000_000 << 10));
        assert_eq!(bytes([Some(1_100_000 << 10), None], None), Some(1_000_000 << 10));
        assert_eq!(bytes([None, Some(60_000 << 10)], None), Some(10_000 << 10));
        assert_eq!(bytes([Some(1), None], None), Some(0), "more is used than may be");
        assert_eq!(bytes([None, None], Some((700, 500))), Some(200));
        assert_eq!(bounds(None, None, [None, None], None), None);
        let files = |path: &str| match path {
            "/sys/fs/cgroup/a/b/memory.max" => Some("1000\n".to_owned()),
            "/sys/fs/cgroup/a/b/memory.current" => Some("400\n".to_owned()),
            _ => None,
        };
        assert_eq!(group("0::/a/b\n", &files), Some((1000, 400)));
        assert_eq!(group("0::/\n", &files), None, "no limit there");
    }

    #[test]
    fn a_piece_is_cautioned_above_half_of_what_is_free_and_refused_where_less_than_the_rest_is_left() {
        let plan = plan();
        let takes = tenterhook_rt::bytes(&plan, 48_000).all as u64;
        let room = |free: u64| Room::with(&plan, 48_000, Some(Free { bytes: free, by: "are free" }));
        assert!(room(2 * takes).caution().is_none() || 2 * takes < takes + LEFT);
        assert!(room(2 * takes - 1).caution().is_some_and(|words| words.contains("more than half")));
        assert!(room(takes + LEFT).refuse().is_ok());
        let refused = room(takes + LEFT - 1).refuse().unwrap_err().render();
        for part in ["Reed takes", "at 48000 Hz", "256 MB are left", "stretch on one source", "shorter `memory`"] {
            assert!(refused.contains(part), "{part}: {refused}");
        }
        assert!(Room::with(&plan, 48_000, None).refuse().is_ok(), "nobody knows");
        assert_eq!(room(0).to_json()["fits"], false);
    }
}
