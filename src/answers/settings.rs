//! Where keepers' answers come in, as the configuration states it. Built by `config/`, obeyed here.

use crate::terms::secret::Secret;

/// `[answers]`: the mailbox in which keepers' answers arrive. TLS from the first byte.
#[derive(Clone, Debug, PartialEq)]
pub struct Answers {
    /// A host name, an IPv4 address, or an IPv6 address without brackets.
    pub host: String,
    pub port: u16,
    pub login: (String, Secret),
    /// What stood in `ca_file`: PEM of the only authorities to trust; `None`: the system's.
    pub ca_pem: Option<Vec<u8>>,
}
