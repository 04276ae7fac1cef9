//! Where the page is served and to whom, as the configuration states it. Built by `config/`, obeyed here.

use crate::terms::secret::{Identity, Secret};
use std::net::SocketAddr;

#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    pub listen: SocketAddr,
    /// Always there when `listen` is beyond loopback (`config/` refuses anything else).
    pub password: Option<Secret>,
    /// By which certificate it is served; `None`: in the clear.
    pub identity: Option<Identity>,
}
