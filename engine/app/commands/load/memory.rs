//! How much memory this process has, as the system counts it.

/// Bytes of this process that are in the machine's memory now (Linux: `VmRSS` of `/proc/self/status`, proc(5)); `None`
/// where the system does not say.
pub fn resident() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let kilobytes = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?.trim().strip_suffix(" kB")?;
    Some(kilobytes.trim().parse::<u64>().ok()? * 1024)
}
