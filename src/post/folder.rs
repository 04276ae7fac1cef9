//! Mails as `.eml` files, where no server is set: each appears whole or not at all.

use crate::terms::time::Wall;
use std::io::Write;
use std::path::Path;

/// `20260303T141120Z-7Q.1.eml`: in order of time, and the same for every attempt of one mail.
pub(super) fn name(notice: &str, queued_at: Wall) -> String {
    let stamp = queued_at.rfc3339();
    let stamp: String = stamp.split('.').next().unwrap_or("").chars().filter(char::is_ascii_alphanumeric).collect();
    let id: String = notice
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() || "-_.".contains(c) { c } else { '_' })
        .take(100)
        .collect();
    format!("{stamp}Z-{id}.eml")
}

pub(super) async fn write(folder: &Path, name: &str, bytes: &[u8]) -> std::io::Result<()> {
    let (folder, name, bytes) = (folder.to_owned(), name.to_owned(), bytes.to_owned());
    tokio::task::spawn_blocking(move || {
        std::fs::create_dir_all(&folder)?;
        let part = folder.join(format!(".{name}.part"));
        let mut file = std::fs::File::create(&part)?;
        file.write_all(&bytes)?;
        file.sync_all()?;
        std::fs::rename(&part, folder.join(name))
    })
    .await
    .unwrap_or_else(|lost| Err(std::io::Error::other(lost)))
}
