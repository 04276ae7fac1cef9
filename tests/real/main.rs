//! Tests with real parts: servers from Debian's packages, started here on free ports. Run by `.ci/real`.

mod killed;
mod mail;
mod mail_server;
#[path = "../real_broker/mosquitto.rs"]
#[allow(dead_code, reason = "shared with the tests of the broker alone")]
mod mosquitto;
