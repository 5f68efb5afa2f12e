//! Where a folder lies: SQLite needs a local disk.

use std::path::Path;

/// The kind of network file system on which a folder lies; `None` for a local disk or where that cannot be told.
#[cfg(target_os = "linux")]
pub fn is_network_share(folder: &Path) -> Option<&'static str> {
    // Magic numbers as in statfs(2).
    let magic = rustix::fs::statfs(folder).ok()?.f_type as u64 & 0xffff_ffff;
    match magic {
        0x6969 => Some("NFS"),
        0x517b | 0xff53_4d42 | 0xfe53_4d42 => Some("SMB"),
        0x0102_1997 => Some("9P"),
        0x5346_414f => Some("AFS"),
        0x00c3_6400 => Some("Ceph"),
        0x564c => Some("NCP"),
        _ => None,
    }
}

/// The kind of network file system on which a folder lies; unknown on this system.
#[cfg(not(target_os = "linux"))]
pub fn is_network_share(_folder: &Path) -> Option<&'static str> {
    None
}
