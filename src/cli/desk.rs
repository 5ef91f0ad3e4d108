//! The arguments of the desk, and the browser it is shown in.
use crate::{DONE, console};
use clap::Args;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use stopspan::desk::{self, DeskSettings};
use stopspan_core::Error;
use stopspan_core::error::printable;

/// Where results go unless said otherwise.
const RESULTS: &str = "stopspan-results";

#[derive(Debug, Args)]
pub struct Desk {
    /// The folder to begin with [default: your own folder]
    #[arg(value_name = "FOLDER")]
    pub folder: Option<PathBuf>,
    /// Folder for results: each run gets a new folder in it [default: stopspan-results in your own folder]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Only print the address
    #[arg(long)]
    pub no_browser: bool,
}

/// Answers a browser on this machine until it is ended.
pub fn run(wanted: &Desk) -> Result<u8, Error> {
    let home = std::env::home_dir();
    let results = wanted.out.clone().unwrap_or_else(|| match &home {
        Some(home) => home.join(RESULTS),
        None => PathBuf::from(RESULTS),
    });
    let desk = desk::Desk::new(&DeskSettings {
        folder: wanted.folder.clone(),
        results: results.clone(),
        home,
    })?;
    console::say(&format!("Open in a browser: {}", desk.address()));
    console::say(&format!("Results: {}", printable::path(&results)));
    console::say("Ctrl-C ends the desk.");
    if !wanted.no_browser
        && let Some(address) = desk.launch_address()
    {
        show(&address);
    }
    let done = desk.serve();
    desk::clean_up();
    done.map(|()| DONE)
}

/// Asks the system for a browser. Where there is none, the printed address is left.
fn show(address: &str) {
    let (program, before): (_, &[&str]) = match std::env::consts::OS {
        "macos" => ("open", &[]),
        "windows" => ("cmd", &["/C", "start", ""]),
        _ => ("xdg-open", &[]),
    };
    let mut command = Command::new(program);
    let command = command.args(before).arg(address);
    let quiet = command.stdin(Stdio::null()).stdout(Stdio::null());
    // It says itself what is wrong with it, and nobody waits for it.
    let _ = quiet.stderr(Stdio::null()).spawn();
}
