//! The words that every room speaks: instants and spans, quantities and units, places, ids, secrets. Imports nothing but std and serde.

pub mod id;
pub mod place;
pub mod quantity;
pub mod secret;
pub mod time;
