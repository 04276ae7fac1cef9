//! Where mails go out, as the configuration states it. Built by `config/`, obeyed here.

use crate::terms::secret::Secret;
use std::path::PathBuf;

/// How a mail leaves the house.
#[derive(Clone, Debug, PartialEq)]
pub enum Way {
    /// No server is set: mails are written here as `.eml` files, and the log says so. `from` is then made up.
    Folder {
        folder: PathBuf,
        from: Mailbox,
    },
    Server(Server),
}

/// `[post]` or `[post.fallback]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Server {
    pub tls: Tls,
    /// A host name, an IPv4 address, or an IPv6 address without brackets.
    pub host: String,
    pub port: u16,
    /// User and password: both or neither.
    pub login: Option<(String, Secret)>,
    /// What stood in `ca_file`: PEM of the only authorities to trust; `None`: the system's.
    pub ca_pem: Option<Vec<u8>>,
    pub from: Mailbox,
}

/// How a connection to a mail server is kept private. Never opportunistic: what is demanded and not had is a failure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tls {
    /// `smtps://`: from the first byte.
    Implicit,
    /// `smtp://`: STARTTLS, required.
    StartTls,
    /// `smtp://` to a loopback address without `ca_file`: in the clear, since it does not leave the machine.
    Loopback,
}

/// A mail address with the name shown beside it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mailbox {
    pub name: Option<String>,
    /// `local@domain`, already checked.
    pub address: String,
}
