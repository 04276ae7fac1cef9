//! Tests with real parts: servers from Debian's packages, started here on free ports. Run by `.ci/real`.

mod mail;
mod mail_server;
