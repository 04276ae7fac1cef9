//! Who is told when, by scripted days; and every mail as it reads.

mod days;
mod fixture;
mod golden;
