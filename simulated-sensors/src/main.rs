//! `tarplight-sim`: the simulated plant and its tools.

use clap::Parser;
use simulated_sensors::cli::{self, Cli};
use tracing_subscriber::EnvFilter;

fn main() -> anyhow::Result<()> {
    let cli = Cli::parse();
    let filter = EnvFilter::try_from_default_env()
        .unwrap_or_else(|_| EnvFilter::new("warn,simulated_sensors=info"));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .init();
    cli::main(cli)
}
