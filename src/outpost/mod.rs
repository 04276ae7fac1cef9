//! The watcher of the watcher: a house says every minute that it has gone round, and somebody elsewhere misses it when it does not.
//!
//! HTTP, and the house is the one who calls: it opens no door to the outside, and the message shares no broker, no mail
//! server and no power with what it speaks of. Two requests a beat:
//!
//! ```text
//! house                                   outpost
//!   GET  /beat/HOUSE             ──────▶
//!                                ◀──────  a challenge: when the outpost's own clock gave it, sealed
//!   POST /beat/HOUSE, the beat   ──────▶  {"challenge":"…","every":60000,"mails":true}
//!        warmside-signature               HMAC-SHA256 with the key that both hold
//!                                ◀──────  200 and the outpost's signature of the same challenge
//! ```
//!
//! A challenge is good for [`beat::CHALLENGE_LIVES`] by the outpost's monotonic clock, and for one beat. So nothing that
//! was recorded is worth anything, nobody's calendar matters, and neither side has to keep a counter over a restart.
//! The signatures stand in for TLS where there is none (`http://` inside a tunnel); `https://` hides which house speaks.
//!
//! [`beat`] is what is said and whether it is believed, [`vigil`] what silence means, [`words`] how it is told, [`book`]
//! what outlives a restart: all pure. [`door`] and [`messenger`] are the two ends on the network, [`file`](mod@file) the disk.

pub mod beat;
pub mod book;
pub mod door;
pub mod file;
pub mod messenger;
pub mod settings;
pub mod vigil;
pub mod words;

#[cfg(test)]
mod tests;
