//! Disk, files and doors of this board.

use std::io::{self, ErrorKind, Write};
use std::net::{SocketAddr, TcpListener};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use ebbmark_core::look_round::{
    Backups, Certificate, Door, Folder, InFiles, Last, PasswordFile, Permissions, Port,
};

use ebbmark_core::time::Moment;

use crate::backup::folder as copies;
use crate::config::Config;
use crate::mark;
use crate::secret::{SecretError, SecretFile};
use crate::tls::{Pair, TlsError};

/// Enough that a full disk shows.
const TRIED_BYTES: usize = 64 * 1024;

pub fn folder(path: &Path) -> Folder {
    let shown = path.display().to_string();
    if !path.exists() {
        return Folder::Missing { path: shown };
    }
    let tried = write_in(path).and_then(|()| Ok(rustix::fs::statvfs(path)?));
    match tried {
        Ok(disk) => Folder::Ready {
            path: shown,
            free: disk.f_bavail.saturating_mul(disk.f_frsize),
        },
        Err(e) => Folder::NotWritable {
            path: shown,
            why: e.to_string(),
        },
    }
}

/// Writes a file that vanishes by itself.
fn write_in(folder: &Path) -> io::Result<()> {
    let mut file = tempfile::tempfile_in(folder)?;
    file.write_all(&[b'.'; TRIED_BYTES])?;
    file.sync_all()
}

pub fn backups(config: &Config, data: &Path, now: Moment) -> Backups {
    if config.backup.off {
        return Backups::Off;
    }
    let folder = config.backup_folder();
    let path = folder.display().to_string();
    let found = match copies::copies(&folder) {
        Ok(found) => found,
        // Made with the first copy.
        Err(e) if e.kind() == ErrorKind::NotFound && config.backup.folder.is_none() => Vec::new(),
        Err(e) => {
            return Backups::NoFolder {
                path,
                why: e.to_string(),
            };
        }
    };
    Backups::Made {
        path,
        every: config.backup.every(),
        last: copies::by_trust(&found, now).first().map(|copy| Last {
            at: copy.at,
            bytes: copy.bytes,
        }),
        count: found.len(),
        same_disk: copies::same_disk(&folder, data),
    }
}

pub fn aside(database: &Path) -> Vec<String> {
    let found = ebbmark_store::swap::aside(database).unwrap_or_default();
    found
        .iter()
        .map(|path| path.display().to_string())
        .collect()
}

pub fn password_files(config: &Config) -> Vec<PasswordFile> {
    let keys = config
        .tls()
        .map(|(of, tls)| (format!("key of the {of}"), &tls.key_file));
    let all = config.secrets().into_iter().chain(keys);
    all.map(|(of, file)| PasswordFile {
        of,
        // Systemd's folder is more than the maker wrote, and where it is nothing is to be changed.
        path: file.to_string(),
        permissions: permissions(file),
    })
    .collect()
}

fn permissions(file: &SecretFile) -> Permissions {
    match (file, file.first_line()) {
        (_, Err(SecretError::NotByService(_))) => Permissions::NotHere,
        (_, Err(SecretError::Empty(_))) => Permissions::Empty,
        (_, Err(SecretError::Unreadable { cause, .. })) => {
            Permissions::Unreadable(cause.to_string())
        }
        (_, Err(e)) => Permissions::Unreadable(e.to_string()),
        (SecretFile::HandedOver(_), Ok(_)) => Permissions::HandedOver,
        (SecretFile::At(path), Ok(_)) => match std::fs::metadata(path) {
            Ok(found) => Permissions::Mode(found.permissions().mode() & 0o777),
            Err(e) => Permissions::Unreadable(e.to_string()),
        },
    }
}

pub fn certificates(config: &Config) -> Vec<Certificate> {
    let found = |tls| match Pair::load(tls) {
        Ok(Pair { validity, .. }) => InFiles::Pair {
            from: validity.from,
            until: validity.until,
        },
        Err(TlsError::File(e @ SecretError::NotByService(_))) => InFiles::NotHere(e.to_string()),
        Err(e) => InFiles::Unusable(e.to_string()),
    };
    let each = config.tls();
    each.map(|(of, tls)| Certificate {
        of,
        found: found(tls),
    })
    .collect()
}

pub fn doors(config: &Config, folder: &Path) -> Vec<Door> {
    let page = config.page.addresses().map(|a| ("page", a));
    let intake = config.intake.addresses().map(|a| ("intake", a));
    let runs = mark::is_kept(folder);
    page.chain(intake)
        // Port 0 is whichever is free.
        .filter(|(_, address)| address.port() != 0)
        .map(|(of, address)| Door {
            of,
            address: address.to_string(),
            port: port(*address, runs),
        })
        .collect()
}

fn port(address: SocketAddr, daemon_runs: bool) -> Port {
    match TcpListener::bind(address) {
        Ok(_) => Port::Free,
        Err(e) if e.kind() == ErrorKind::AddrInUse => Port::Taken,
        // Whoever looks round may be allowed less than the daemon that has the port.
        Err(e) if daemon_runs && e.kind() == ErrorKind::PermissionDenied => Port::Taken,
        Err(e) => Port::Refused(e.to_string()),
    }
}
