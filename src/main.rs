//! The binary: hands the command line to the rooms that know all, and turns their outcome into an exit status.

fn main() {}
