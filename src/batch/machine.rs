//! What the machine, or the control group that the program runs in, has free; and what the program itself has used.
//!
//! Linux only, from `/proc` and `/sys/fs/cgroup` (kernel documentation: `proc`, "Control Group v2" and v1 "memory"). In
//! a control group, memory that the page cache holds counts as free: the kernel gives it up first. Elsewhere nothing is
//! known, and no limit is set unless the user gives one.

use std::fs;
use std::path::{Path, PathBuf};

/// Share of the free memory that a run takes for its own unless --memory-gib says otherwise (own convention).
const SHARE: f64 = 0.8;

/// Bytes that a run may use unless the user says; none where nothing is known.
pub(super) fn default_budget() -> Option<u64> {
    let free = free_of_machine(&fs::read_to_string("/proc/meminfo").ok()?)?;
    let groups = fs::read_to_string("/proc/self/cgroup").unwrap_or_default();
    let free = free_of_groups(&groups, Path::new("/sys/fs/cgroup")).map_or(free, |group| group.min(free));
    Some((free as f64 * SHARE) as u64)
}

/// Largest resident size of this process so far, bytes.
pub(super) fn peak_bytes() -> Option<u64> {
    kibibytes(&fs::read_to_string("/proc/self/status").ok()?, "VmHWM:")
}

fn free_of_machine(meminfo: &str) -> Option<u64> {
    kibibytes(meminfo, "MemAvailable:")
}

/// The number of a line such as `MemAvailable:   123 kB`, in bytes.
fn kibibytes(text: &str, name: &str) -> Option<u64> {
    let line = text.lines().find_map(|line| line.strip_prefix(name))?;
    line.split_whitespace().next()?.parse::<u64>().ok()?.checked_mul(1024)
}

/// The least that any control group around this process has free, v2 and v1; none without a limit.
fn free_of_groups(groups: &str, root: &Path) -> Option<u64> {
    let mut least: Option<u64> = None;
    for line in groups.lines() {
        let mut parts = line.splitn(3, ':').skip(1);
        let (Some(controllers), Some(path)) = (parts.next(), parts.next()) else { continue };
        let (base, limit, used, names) = if controllers.is_empty() {
            (root.to_owned(), "memory.max", "memory.current", ["inactive_file", "active_file"])
        } else if controllers.split(',').any(|c| c == "memory") {
            let names = ["total_inactive_file", "total_active_file"];
            (root.join("memory"), "memory.limit_in_bytes", "memory.usage_in_bytes", names)
        } else {
            continue;
        };
        let inside: PathBuf = base.join(path.trim_start_matches('/'));
        for folder in inside.ancestors().take_while(|folder| folder.starts_with(&base)) {
            let number = |name: &str| fs::read_to_string(folder.join(name)).ok()?.trim().parse::<u64>().ok();
            let (Some(limit), Some(used)) = (number(limit), number(used)) else { continue };
            let statistics = fs::read_to_string(folder.join("memory.stat")).unwrap_or_default();
            let of = |name: &str| {
                let line = statistics.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(' '));
                line.and_then(|value| value.trim().parse::<u64>().ok()).unwrap_or(0)
            };
            let cached: u64 = names.iter().map(|name| of(name)).sum();
            let free = limit.saturating_sub(used.saturating_sub(cached));
            least = Some(least.map_or(free, |least| least.min(free)));
        }
    }
    least
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_machine_tells_what_is_available() {
        let text = "MemTotal:       24000000 kB\nMemFree:  5 kB\nMemAvailable:   1000 kB\n";
        assert_eq!(free_of_machine(text), Some(1_024_000));
        assert_eq!(free_of_machine("MemTotal: 1 kB\n"), None);
        assert_eq!(free_of_machine("MemAvailable: much\n"), None);
    }

    #[test]
    fn the_tightest_group_counts() {
        let folder = tempfile::tempdir().unwrap();
        let put = |name: &str, text: &str| {
            let path = folder.path().join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, text).unwrap();
        };
        put("night/memory.max", "max\n");
        put("night/memory.current", "500\n");
        assert_eq!(free_of_groups("0::/night\n", folder.path()), None);
        put("memory.max", "9000\n");
        put("memory.current", "1000\n");
        assert_eq!(free_of_groups("0::/night\n", folder.path()), Some(8000));
        put("night/memory.max", "2000\n");
        assert_eq!(free_of_groups("0::/night\n", folder.path()), Some(1500));
        put("night/memory.stat", "anon 200\ninactive_file 200\nactive_file 100\n");
        assert_eq!(free_of_groups("0::/night\n", folder.path()), Some(1800));
        put("memory/night/memory.limit_in_bytes", "700\n");
        put("memory/night/memory.usage_in_bytes", "600\n");
        assert_eq!(free_of_groups("5:cpu,memory:/night\n4:cpuset:/x\n", folder.path()), Some(100));
        put("night/memory.current", "9999\n");
        assert_eq!(free_of_groups("0::/night\n", folder.path()), Some(0));
    }
}
