//! `tarplight-sim`: the simulated plant and its tools.

use std::io::Write;
use std::process::ExitCode;

use clap::Parser;
use simulated_sensors::cli::{self, Cli};
use tracing_subscriber::EnvFilter;

fn main() -> ExitCode {
    let cli = Cli::parse();
    // The broker calls it an error when a client hangs up, which clients here do all night.
    let filter = EnvFilter::try_from_default_env()
        .unwrap_or_else(|_| EnvFilter::new("warn,simulated_sensors=info,rumqttd=off"));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .init();
    match cli::main(cli) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Without a standard error there is nobody left to tell.
            drop(writeln!(std::io::stderr(), "tarplight-sim: {error:#}"));
            ExitCode::FAILURE
        }
    }
}
