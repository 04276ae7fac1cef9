//! What must not be forgotten: readings, engine state and outgoing mails in one file with one writer.

pub mod settings;
