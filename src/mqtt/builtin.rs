//! A broker in the same process, for the demo, for tests and for a keeper's first days: the library mqtt5, held short.
//!
//! It keeps retained messages in memory only: after a restart sensors are heard again when they next speak.

use super::Trouble;
use super::settings::BuiltinBroker;
use crate::descriptors::share;
use crate::terms::secret::Secret;
use mqtt5::broker::auth::{AuthProvider, AuthResult};
use mqtt5::broker::config::StorageConfig;
use mqtt5::broker::{BrokerConfig, BrokerShutdownHandle, MqttBroker};
use mqtt5::packet::connect::ConnectPacket;
use mqtt5::protocol::v5::reason_codes::ReasonCode;
use std::future::Future;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinHandle;

/// Clients at the same time, where the system lets us have as many.
const MOST_CLIENTS: usize = 1_000;
/// Bytes of a packet: no reading is anywhere near.
const LARGEST_PACKET: usize = 1 << 20;
/// Retained messages that are kept.
const MOST_RETAINED: usize = 20_000;
/// How long a wrong password waits for its answer: guessing must be slow.
const WRONG_WAITS: Duration = Duration::from_secs(1);

/// A running broker. Dropping it ends it.
#[derive(Debug)]
pub struct Builtin {
    address: SocketAddr,
    shutdown: Shutdown,
    run: JoinHandle<()>,
}

struct Shutdown(BrokerShutdownHandle);

impl std::fmt::Debug for Shutdown {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Shutdown")
    }
}

impl Builtin {
    /// Binds and serves. Beyond loopback only with a login. Port 0: one that is free, see [`Builtin::address`].
    pub async fn start(settings: &BuiltinBroker) -> Result<Builtin, Trouble> {
        if !settings.listen.ip().is_loopback() && settings.login.is_none() {
            let text = format!("the built-in broker listens on {} only with user and password_file", settings.listen);
            return Err(Trouble::Settings(text));
        }
        let config = BrokerConfig {
            bind_addresses: vec![settings.listen],
            max_clients: share(MOST_CLIENTS),
            max_packet_size: LARGEST_PACKET,
            maximum_qos: 2,
            max_retained_messages: MOST_RETAINED,
            max_retained_message_size: LARGEST_PACKET,
            max_subscriptions_per_client: 10_000,
            session_expiry_interval: Duration::from_secs(3_600),
            storage_config: StorageConfig { enable_persistence: false, ..StorageConfig::default() },
            sys_topics_enabled: false,
            ..BrokerConfig::default()
        };
        let cannot = |e: &dyn std::fmt::Display| {
            Trouble::Settings(format!("the built-in broker cannot listen on {}: {e}", settings.listen))
        };
        let broker = MqttBroker::with_config(config).await.map_err(|e| cannot(&e))?;
        let door = Door { login: settings.login.clone() };
        let mut broker = broker.with_auth_provider(Arc::new(door));
        let address = broker.local_addr().ok_or_else(|| cannot(&"it has no address"))?;
        let shutdown = Shutdown(broker.shutdown_handle());
        let mut ready = broker.ready_receiver();
        let run = tokio::spawn(async move {
            if let Err(e) = broker.run().await {
                tracing::error!("the built-in broker ended: {e}");
            }
        });
        ready.wait_for(|ready| *ready).await.map_err(|_| cannot(&"it ended at once"))?;
        Ok(Builtin { address, shutdown, run })
    }

    /// Where it really listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Closes its connections and ends within `limit`.
    pub async fn stop(mut self, limit: Duration) {
        self.shutdown.0.shutdown();
        let _ = tokio::time::timeout(limit, &mut self.run).await;
    }
}

impl Drop for Builtin {
    fn drop(&mut self) {
        self.shutdown.0.shutdown();
        self.run.abort();
    }
}

/// Who may come in: everybody, or whoever knows the one login.
struct Door {
    login: Option<(String, Secret)>,
}

impl Door {
    fn opens_to(&self, user: Option<&str>, password: Option<&[u8]>) -> bool {
        let Some((wanted_user, wanted_password)) = &self.login else { return true };
        let user = same(wanted_user.as_bytes(), user.unwrap_or_default().as_bytes());
        same(wanted_password.expose().as_bytes(), password.unwrap_or_default()) && user
    }
}

/// Compares in a time that does not tell how much was right.
fn same(wanted: &[u8], given: &[u8]) -> bool {
    let padded = given.iter().copied().chain(std::iter::repeat(0));
    let difference = wanted.iter().zip(padded).fold(0, |all, (a, b)| all | (a ^ b));
    difference == 0 && wanted.len() == given.len()
}

type Answer<'a, T> = Pin<Box<dyn Future<Output = T> + Send + 'a>>;

impl AuthProvider for Door {
    fn authenticate<'a>(
        &'a self,
        connect: &'a ConnectPacket,
        _from: SocketAddr,
    ) -> Answer<'a, mqtt5::error::Result<AuthResult>> {
        Box::pin(async move {
            if self.opens_to(connect.username.as_deref(), connect.password.as_deref()) {
                return Ok(AuthResult::success());
            }
            tokio::time::sleep(WRONG_WAITS).await;
            Ok(AuthResult::fail(ReasonCode::BadUsernameOrPassword))
        })
    }

    fn authorize_publish<'a>(&'a self, _: &str, _: Option<&'a str>, _topic: &'a str) -> Answer<'a, bool> {
        Box::pin(async { true })
    }

    fn authorize_subscribe<'a>(&'a self, _: &str, _: Option<&'a str>, _filter: &'a str) -> Answer<'a, bool> {
        Box::pin(async { true })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_door_opens_to_the_whole_login_only() {
        let door = Door { login: Some(("ines".into(), Secret::new("warm"))) };
        assert!(door.opens_to(Some("ines"), Some(b"warm")));
        let strangers: [(Option<&str>, Option<&[u8]>); 7] = [
            (None, None),
            (Some("ines"), None),
            (None, Some(b"warm")),
            (Some("ines"), Some(b"war")),
            (Some("ines"), Some(b"warm\0")),
            (Some("ine"), Some(b"warm")),
            (Some("tom"), Some(b"warm")),
        ];
        for (user, password) in strangers {
            assert!(!door.opens_to(user, password), "{user:?} {password:?}");
        }
        assert!(Door { login: None }.opens_to(None, None));
    }

    #[tokio::test]
    async fn beyond_loopback_it_wants_a_login() {
        let listen = SocketAddr::from(([0, 0, 0, 0], 0));
        let refused = Builtin::start(&BuiltinBroker { listen, login: None }).await;
        assert!(matches!(refused, Err(Trouble::Settings(_))));
    }
}
