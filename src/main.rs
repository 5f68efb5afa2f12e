//! The program's front door: everything is in the library.

fn main() -> std::process::ExitCode {
    runsitter::command::main()
}
