//! What the program says: results on standard output, progress and errors on standard error.
use indicatif::{ProgressBar, ProgressStyle};
use std::error::Error as _;
use std::io::Write;
use std::time::Duration;
use stopspan::pipeline::Event;
use stopspan_core::Error;

/// Progress on a terminal; silent elsewhere and when asked to be quiet.
pub struct Console {
    bar: ProgressBar,
}

impl Console {
    pub fn new(quiet: bool) -> Self {
        let bar = if quiet {
            ProgressBar::hidden()
        } else {
            ProgressBar::new_spinner()
        };
        if let Ok(style) = ProgressStyle::with_template("{spinner} {prefix} {msg} [{elapsed}]") {
            bar.set_style(style);
        }
        bar.enable_steady_tick(Duration::from_millis(120));
        Console { bar }
    }

    pub fn show(&self, event: &Event) {
        match event {
            Event::Surveying => self.bar.set_message("reading headers"),
            Event::Bracket { name, index, count } => self
                .bar
                .set_prefix(format!("{}/{count} {name}:", index + 1)),
            Event::Picture { name, index, count } => {
                self.bar
                    .set_prefix(format!("{}/{count} {name}:", index + 1));
                self.bar.set_message("measuring");
            }
            Event::Kept => self.bar.set_message("done before"),
            Event::Stage(stage) => self.bar.set_message((*stage).to_string()),
            Event::Failed { error } => self.bar.suspend(|| complain(error)),
            // The enum may grow.
            _ => {}
        }
    }

    pub fn finish(&self) {
        self.bar.finish_and_clear();
    }
}

/// One result on standard output. A reader that has gone away is no error.
pub fn say(text: &str) {
    let _ = writeln!(std::io::stdout(), "{text}");
}

/// What went wrong, why, and what to do.
pub fn complain(error: &Error) {
    let mut text = format!("stopspan: {error}");
    let mut cause = error.source();
    while let Some(inner) = cause {
        text.push_str(&format!("\n  because: {inner}"));
        cause = inner.source();
    }
    text.push_str(&format!("\n  what to do: {}", error.advice()));
    let _ = writeln!(std::io::stderr(), "{text}");
}
