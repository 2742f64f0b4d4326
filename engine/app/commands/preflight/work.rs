//! What else the machine is doing, and whether it has run out of memory. The files: proc(5).

use super::{PreflightSeen, SeenMachine, read};

/// The share of all processors that may be at work on other things, and the tasks for each of them that may be there over
/// a minute. Common practice, no source.
const BUSY: f64 = 0.2;

/// Memory that may have been moved to disk, in bytes: a little always has. Common practice, no source.
const SWAPPED: u64 = 64 << 20;

/// How much of the processors other programs take in half a second, and took in the last minute.
pub fn others(machine: &SeenMachine<'_>) -> PreflightSeen {
    if machine.plays {
        return PreflightSeen::Hidden("while a piece plays its own work is among it".to_owned());
    }
    let before = times(machine);
    (machine.watch)();
    let (Some(before), Some(after)) = (before, times(machine)) else {
        return PreflightSeen::Hidden("the system does not tell its work".to_owned());
    };
    let total = after.total.saturating_sub(before.total);
    if total == 0 {
        return PreflightSeen::Hidden("the system's clock of work stands still".to_owned());
    }
    let busy = 1.0 - after.idle.saturating_sub(before.idle) as f64 / total as f64;
    let minute = read(machine.proc.join("loadavg")).and_then(|text| text.split(' ').next()?.parse::<f64>().ok());
    let waiting = minute.map(|minute| minute / after.processors.max(1) as f64);
    let percent = |share: f64| format!("{:.0} %", 100.0 * share);
    let found = match waiting {
        Some(waiting) => {
            format!("{} of the processors, {waiting:.1} tasks for each over the last minute", percent(busy))
        }
        None => format!("{} of the processors", percent(busy)),
    };
    if busy > BUSY || waiting.is_some_and(|waiting| waiting > BUSY) {
        PreflightSeen::Look(found, "see with `top` what it is, and quit it".to_owned())
    } else {
        PreflightSeen::Good(found)
    }
}

/// Whether programs have been moved out of memory.
pub fn swap(machine: &SeenMachine<'_>) -> PreflightSeen {
    let told = read(machine.proc.join("meminfo"));
    let bytes = |key: &str| -> Option<u64> {
        let line = told.as_deref()?.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix(':'))?;
        Some(line.trim().strip_suffix("kB")?.trim().parse::<u64>().ok()? * 1024)
    };
    let (Some(total), Some(free)) = (bytes("SwapTotal"), bytes("SwapFree")) else {
        return PreflightSeen::Hidden("the system does not tell its memory".to_owned());
    };
    let used = total.saturating_sub(free);
    let found = format!("{} MB have been moved to disk", used >> 20);
    if used > SWAPPED {
        let to_do =
            "quit what takes memory, then `sudo swapoff -a && sudo swapon -a`: it fails where memory is too short";
        PreflightSeen::Look(found, to_do.to_owned())
    } else if total == 0 {
        PreflightSeen::Good("nothing can be moved to disk".to_owned())
    } else {
        PreflightSeen::Good(found)
    }
}

/// What the processors have done since the machine was started, in ticks.
struct Times {
    idle: u64,
    total: u64,
    processors: usize,
}

fn times(machine: &SeenMachine<'_>) -> Option<Times> {
    let told = read(machine.proc.join("stat"))?;
    let all = told.lines().find_map(|line| line.strip_prefix("cpu "))?;
    // user, nice, system, idle, iowait, irq, softirq, steal; what guests take is in user already.
    let ticks: Vec<u64> = all.split_whitespace().take(8).map_while(|ticks| ticks.parse().ok()).collect();
    let idle = ticks.get(3)? + ticks.get(4).copied().unwrap_or(0);
    let numbered =
        |line: &&str| line.strip_prefix("cpu").is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit()));
    Some(Times { idle, total: ticks.iter().sum(), processors: told.lines().filter(numbered).count() })
}
