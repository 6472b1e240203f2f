//! The command `tarplight`: the dashboard, and the plant's acts by command.

fn main() -> std::process::ExitCode {
    tui::main()
}
