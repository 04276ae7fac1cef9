//! Readings and bands as pictures (SVG), for the page and for mails: pure, the same bytes on every machine.

pub mod trace;
