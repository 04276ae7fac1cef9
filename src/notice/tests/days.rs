//! Scripted days: exactly which mails, to whom, when.
