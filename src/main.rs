//! The binary: hands the command line to `commands/`, and its outcome to whoever started it.

fn main() -> std::process::ExitCode {
    warmside::commands::run(std::env::args_os()).into()
}
