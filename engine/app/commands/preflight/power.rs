//! Power, what saves it, and sleep.

use std::path::PathBuf;

use super::{PreflightSeen, SeenMachine, entries, read};

/// Whether the machine hangs on the mains. The files: the Linux kernel's documentation, ABI/testing/sysfs-class-power.
pub fn supply(machine: &SeenMachine<'_>) -> PreflightSeen {
    let Some(supplies) = entries(machine.sys.join("class/power_supply")) else {
        return PreflightSeen::Hidden("the system shows no power supplies".to_owned());
    };
    // Batteries of mice and headsets are supplies too.
    let own = supplies.iter().filter(|one| read(one.join("scope")).as_deref() != Some("Device"));
    let (batteries, others): (Vec<_>, Vec<_>) =
        own.partition(|one| read(one.join("type")).as_deref() == Some("Battery"));
    if batteries.is_empty() {
        return PreflightSeen::Good("there is no battery that could run empty".to_owned());
    }
    let told = |one: &PathBuf| match (read(one.join("capacity")), read(one.join("status"))) {
        (Some(capacity), Some(status)) => format!("{capacity} %, {}", status.to_lowercase()),
        (Some(capacity), None) => format!("{capacity} %"),
        (None, status) => status.unwrap_or_else(|| "unknown".to_owned()).to_lowercase(),
    };
    let told: Vec<_> = batteries.iter().copied().map(told).collect();
    let on_mains = others.iter().any(|one| read(one.join("online")).is_some_and(|online| online != "0"));
    let drains = batteries.iter().any(|one| read(one.join("status")).as_deref() == Some("Discharging"));
    let battery = format!("battery at {}", told.join(" and "));
    match (on_mains, drains) {
        (true, false) => PreflightSeen::Good(format!("on the mains, {battery}")),
        (true, true) => PreflightSeen::Look(
            format!("on the mains, and yet the {battery}"),
            "take a stronger power supply, or see what is wrong with this one".to_owned(),
        ),
        (false, _) => PreflightSeen::Look(
            format!("not on the mains, {battery}"),
            "plug the power supply in, and see that the socket is live".to_owned(),
        ),
    }
}

/// The firmware's power plan. Its words: the Linux kernel's documentation, ABI/testing/sysfs-platform_profile.
pub fn plan(machine: &SeenMachine<'_>) -> PreflightSeen {
    match read(machine.sys.join("firmware/acpi/platform_profile")) {
        None => PreflightSeen::Hidden("this machine's firmware shows none".to_owned()),
        Some(plan) if ["low-power", "cool", "quiet"].contains(&plan.as_str()) => PreflightSeen::Look(
            format!("\"{plan}\" saves power"),
            "choose \"performance\" in the desktop's power settings, or with `powerprofilesctl set performance`"
                .to_owned(),
        ),
        Some(plan) => PreflightSeen::Good(format!("\"{plan}\"")),
    }
}

/// What sets the processor's clock. The files: the Linux kernel's documentation, admin-guide/pm/cpufreq.
pub fn governor(machine: &SeenMachine<'_>) -> PreflightSeen {
    let processors = entries(machine.sys.join("devices/system/cpu")).unwrap_or_default();
    let mut governors: Vec<_> =
        processors.iter().filter_map(|one| read(one.join("cpufreq/scaling_governor"))).collect();
    governors.sort();
    governors.dedup();
    match &governors[..] {
        [] => PreflightSeen::Hidden("the system does not set it, as in a virtual machine".to_owned()),
        [one] if one == "performance" => PreflightSeen::Good("always the highest".to_owned()),
        some => PreflightSeen::Look(
            format!("it follows the load ({}) and may come too late for a sudden one", some.join(", ")),
            "set it for the show: `sudo cpupower frequency-set -g performance`".to_owned(),
        ),
    }
}

/// Whether the machine can fall asleep. The file: the Linux kernel's documentation, admin-guide/pm/sleep-states.
pub fn sleep(machine: &SeenMachine<'_>) -> PreflightSeen {
    match read(machine.sys.join("power/state")) {
        None => PreflightSeen::Good("this machine has no sleep".to_owned()),
        Some(states) if states.is_empty() => PreflightSeen::Good("this machine has no sleep".to_owned()),
        Some(_) => PreflightSeen::Look(
            "it can sleep, and whether it will by itself cannot be seen".to_owned(),
            "switch sleep off in the desktop's power settings, also that of a closed lid, or begin the show with \
             `systemd-inhibit --what=idle:sleep:handle-lid-switch tenterhook play …`"
                .to_owned(),
        ),
    }
}
