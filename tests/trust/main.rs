//! Trust in probes, one hard case a test: what is believed, what is doubted, what is told and when.

mod house;
mod place;
mod silence;
mod values;
