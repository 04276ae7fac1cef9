//! The post: mails out, with patience, and answers in.

pub mod settings;
