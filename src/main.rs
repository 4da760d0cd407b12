//! The program: reads the command line and does what it says.

fn main() -> std::process::ExitCode {
    mixwarden::cmd::main()
}
