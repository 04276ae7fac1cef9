//! Both ends of the beat, as their configurations state them. Built by `config/`, obeyed here and by the daemons.

use crate::terms::secret::{Identity, Secret};
use crate::terms::time::Span;
use std::net::SocketAddr;

/// `[outpost]` of a house: where it says that it has gone round.
#[derive(Clone, Debug, PartialEq)]
pub struct Outpost {
    /// `https://`: TLS, always verified.
    pub tls: bool,
    /// A host name, an IPv4 address, or an IPv6 address without brackets.
    pub host: String,
    pub port: u16,
    /// What stood in `ca_file`: PEM of the only authorities to trust; `None`: the system's.
    pub ca_pem: Option<Vec<u8>>,
    /// What the outpost calls us.
    pub house: String,
    pub key: Secret,
    /// Between two beats.
    pub every: Span,
}

/// The shortest key in characters: what `warmside outpost --new-key` makes is longer.
pub const SHORTEST_KEY: usize = 32;

/// What an outpost listens for.
#[derive(Clone, Debug, PartialEq)]
pub struct Post {
    pub listen: SocketAddr,
    /// Who it is by TLS; `None`: plain HTTP, for a proxy or a tunnel before it.
    pub identity: Option<Identity>,
    /// IANA name, for times in mails.
    pub time_zone: String,
    pub houses: Vec<House>,
}

/// A `[[house]]` of an outpost.
#[derive(Clone, Debug, PartialEq)]
pub struct House {
    pub id: String,
    pub name: String,
    pub key: Secret,
    /// The keeper's own words for whoever gets the mail: who lives nearby, who has a key.
    pub what_to_do: Option<String>,
    /// (keeper id, mail address) of whoever is told.
    pub tells: Vec<(String, String)>,
}
