//! The files that a keeper's file names: passwords and certificates, read once, while the file is judged.

use super::walk::{Table, Value, shown};
use crate::terms::secret::{Identity, Secret};
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Where paths begin, and where the service manager leaves credentials.
#[derive(Clone, Debug, Default)]
pub struct Files {
    /// The folder of the keeper's file.
    pub folder: PathBuf,
    /// `$CREDENTIALS_DIRECTORY`, see systemd's documentation of credentials.
    pub credentials: Option<PathBuf>,
    /// Whether secrets are wanted at all: a replay needs none, and may run where they are not.
    pub secrets: bool,
    /// Ties to judge instead of those in the store's folder.
    pub ties: Option<Vec<super::tied::Tie>>,
    /// Nothing has to be linked yet: for whoever hears the broker to find out what there is.
    pub unlinked: bool,
}

/// The longest password or certificate file in bytes.
const LONGEST: u64 = 256 * 1024;

impl Files {
    pub fn path(&self, value: &Value<'_>) -> Option<PathBuf> {
        value.line().map(|path| self.folder.join(path))
    }

    /// The password that `password_file` names.
    pub fn password(&self, table: &Table<'_>) -> Option<Secret> {
        self.secret(&table.get("password_file")?, "password")
    }

    /// What stands in a file of one line, without the newline at its end.
    pub fn secret(&self, value: &Value<'_>, what: &str) -> Option<Secret> {
        let path = self.path(value)?;
        if !self.secrets {
            return Some(Secret::new(""));
        }
        let credential = self.credentials.as_ref().zip(path.file_name()).map(|(folder, name)| folder.join(name));
        let credential = credential.filter(|path| path.is_file());
        let bytes = read(value, credential.as_deref().unwrap_or(&path), &format!("{what} file"))?;
        if credential.is_none() {
            warn_if_open(value, &path);
        }
        let text = String::from_utf8(bytes).ok();
        let text =
            text.map(|t| t.strip_suffix('\n').map_or(t.clone(), |t| t.strip_suffix('\r').unwrap_or(t).to_owned()));
        let good = text.filter(|t| !t.is_empty() && !t.chars().any(char::is_control));
        if good.is_none() {
            let right = format!("the file holds the {what} alone, on one line, in UTF-8");
            value.fault(format!("this {what} file holds no {what}"), right);
        }
        good.map(Secret::new)
    }

    /// User and password: both or neither.
    pub fn login(&self, table: &Table<'_>) -> Option<(String, Secret)> {
        let (user, has_password) = (table.get("user"), table.get("password_file").is_some());
        let password = self.password(table);
        match (user, has_password) {
            (Some(user), true) => Some((user.line()?, password?)),
            (Some(user), false) => {
                user.walk.missing(
                    &user.key_span,
                    "a `user` without `password_file`",
                    "add `password_file = \"secret/…\"`",
                );
                None
            }
            (None, true) => {
                let what = format!("{} has a `password_file` and no `user`", table.name);
                table.walk.missing(&table.span, what, "add `user = \"…\"`");
                None
            }
            (None, false) => None,
        }
    }

    /// The authorities in `ca_file`, as PEM.
    pub fn authorities(&self, table: &Table<'_>) -> Option<Vec<u8>> {
        self.pem(&table.get("ca_file")?, "certificate", "CERTIFICATE-----")
    }

    /// Who we are: `certificate_file` and `key_file`, both or neither.
    pub fn identity(&self, table: &Table<'_>) -> Option<Identity> {
        let (certificate, key) = (table.get("certificate_file"), table.get("key_file"));
        let pem = certificate.as_ref().and_then(|v| self.pem(v, "certificate", "CERTIFICATE-----"));
        let secret = key.as_ref().and_then(|v| self.pem(v, "key", "PRIVATE KEY-----"));
        if let (Some(alone), None) | (None, Some(alone)) = (&certificate, &key) {
            let right = "a certificate and its key go together: `certificate_file` and `key_file`";
            alone.walk.missing(&alone.key_span, format!("`{}` alone", alone.key), right);
        }
        let key_pem = Secret::new(String::from_utf8(secret?).ok()?);
        Some(Identity { certificate_pem: pem?, key_pem })
    }

    /// A PEM file with at least one block whose label ends so (RFC 7468).
    fn pem(&self, value: &Value<'_>, what: &str, label: &str) -> Option<Vec<u8>> {
        let path = self.path(value)?;
        if !self.secrets {
            return None;
        }
        let bytes = read(value, &path, &format!("{what} file"))?;
        let begins =
            |line: &[u8]| line.starts_with(b"-----BEGIN ") && line.trim_ascii_end().ends_with(label.as_bytes());
        if !bytes.split(|b| *b == b'\n').any(begins) {
            value.fault(format!("this file holds no {what}"), format!("PEM, which begins with -----BEGIN …{label}"));
            return None;
        }
        if label.contains("KEY") {
            warn_if_open(value, &path);
        }
        Some(bytes)
    }
}

fn read(value: &Value<'_>, path: &Path, what: &str) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    let opened = File::open(path).and_then(|file| file.take(LONGEST + 1).read_to_end(&mut bytes));
    let right = match opened {
        Ok(read) if read as u64 > LONGEST => "it is longer than 256 KiB".to_owned(),
        Ok(_) => return Some(bytes),
        Err(why) => match why.kind() {
            std::io::ErrorKind::NotFound => {
                "there is no such file; paths are relative to the folder of this file".into()
            }
            std::io::ErrorKind::PermissionDenied => "whoever runs Warmside may not read it".into(),
            _ => why.to_string(),
        },
    };
    let named = value.text().unwrap_or_default();
    value.fault(format!("cannot read the {what} \"{}\"", shown(&named)), right);
    None
}

#[cfg(unix)]
fn warn_if_open(value: &Value<'_>, path: &Path) {
    use std::os::unix::fs::PermissionsExt;
    if std::fs::metadata(path).is_ok_and(|m| m.permissions().mode() & 0o004 != 0) {
        let named = value.text().unwrap_or_default();
        let right = format!("chmod 600 {}", shown(&named));
        value.walk.doubt(&value.span, "everybody on this machine can read this secret", right);
    }
}

#[cfg(not(unix))]
fn warn_if_open(_: &Value<'_>, _: &Path) {}
