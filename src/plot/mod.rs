//! Readings and bands as pictures, as markup for the page and as pixels for mails: pure, the same bytes on every machine.

pub mod drawing;
pub mod pixels;
mod ticks;
pub mod trace;
