//! Which broker to hear, or how to be one, as the configuration states it. Built by `config/`, obeyed here.

use crate::terms::secret::{Identity, Secret};
use std::net::SocketAddr;

/// `[broker]`: a broker of the keeper's.
#[derive(Clone, Debug, PartialEq)]
pub struct Broker {
    /// `mqtts://`: TLS, always verified.
    pub tls: bool,
    /// A host name, an IPv4 address, or an IPv6 address without brackets.
    pub host: String,
    pub port: u16,
    pub user: Option<String>,
    pub password: Option<Secret>,
    /// What stood in `ca_file`: PEM of the only authorities to trust; `None`: the system's.
    pub ca_pem: Option<Vec<u8>>,
    /// Who we are, where the broker asks for a client certificate (`certificate_file` and `key_file`: both or neither).
    pub identity: Option<Identity>,
}

/// `[builtin_broker]`, or its defaults where the file names no broker at all.
#[derive(Clone, Debug, PartialEq)]
pub struct BuiltinBroker {
    /// Loopback, unless user and password are set (`config/` refuses anything else).
    pub listen: SocketAddr,
    /// Both or neither.
    pub login: Option<(String, Secret)>,
}

impl BuiltinBroker {
    /// How a client on this machine reaches it, once it listens at `address`.
    pub fn as_client(&self, address: SocketAddr) -> Broker {
        // Bound to every address, it is reached at the loopback one.
        let ip = match address.ip() {
            std::net::IpAddr::V4(ip) if ip.is_unspecified() => std::net::Ipv4Addr::LOCALHOST.into(),
            std::net::IpAddr::V6(ip) if ip.is_unspecified() => std::net::Ipv6Addr::LOCALHOST.into(),
            ip => ip,
        };
        Broker {
            tls: false,
            host: ip.to_string(),
            port: address.port(),
            user: self.login.as_ref().map(|(user, _)| user.clone()),
            password: self.login.as_ref().map(|(_, password)| password.clone()),
            ca_pem: None,
            identity: None,
        }
    }
}
