//! Whether a folder lies in memory rather than on a disk, where the system tells.

use std::path::Path;

/// File systems of Linux whose files take memory.
const MEMORY_FILE_SYSTEMS: [&str; 2] = ["tmpfs", "ramfs"];

/// Whether files in `folder` take memory; `false` where that cannot be known.
pub(super) fn is_memory_backed(folder: &Path) -> bool {
    let mounts = std::fs::read_to_string("/proc/self/mounts").unwrap_or_default();
    let full = folder.canonicalize().unwrap_or_else(|_| folder.to_owned());
    file_system(&mounts, &full).is_some_and(|kind| MEMORY_FILE_SYSTEMS.contains(&kind))
}

/// Kind of the file system that holds `path`: that of the deepest mount above it, the last one of equals.
fn file_system<'a>(mounts: &'a str, path: &Path) -> Option<&'a str> {
    let mut found: Option<(usize, &str)> = None;
    for line in mounts.lines() {
        let mut fields = line.split(' ');
        let (Some(_device), Some(point), Some(kind)) = (fields.next(), fields.next(), fields.next()) else { continue };
        // The system writes a space in a path as an octal number.
        let point = point.replace("\\040", " ");
        let depth = Path::new(&point).components().count();
        if path.starts_with(&point) && found.is_none_or(|(deepest, _)| depth >= deepest) {
            found = Some((depth, kind));
        }
    }
    found.map(|(_, kind)| kind)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_deepest_mount_counts() {
        let mounts = "/dev/sda1 / ext4 rw 0 0\ntmpfs /tmp tmpfs rw 0 0\n/dev/sdb1 /tmp/big\\040disk xfs rw 0 0\n";
        let kind = |path: &str| file_system(mounts, Path::new(path));
        assert_eq!(kind("/home/a"), Some("ext4"), "the root");
        assert_eq!(kind("/tmp/a"), Some("tmpfs"), "memory");
        assert_eq!(kind("/tmpdir"), Some("ext4"), "another name that begins alike");
        assert_eq!(kind("/tmp/big disk/a"), Some("xfs"), "a disk below memory");
    }
}
