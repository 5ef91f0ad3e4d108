//! What the program says: results on standard output, progress and errors on standard error.
use indicatif::{ProgressBar, ProgressStyle};
use std::error::Error as _;
use std::io::{self, Write};
use std::sync::OnceLock;
use std::time::{Duration, Instant};
use stopspan::pipeline::Event;
use stopspan_core::Error;
use stopspan_core::error::{OutputProblem, printable};

/// Progress on a terminal: the bracket, the stage, and the time left; silent elsewhere and when asked to be quiet.
pub struct Console {
    bar: ProgressBar,
    begun: Instant,
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
        let begun = Instant::now();
        Console { bar, begun }
    }

    pub fn show(&self, event: &Event) {
        match event {
            Event::Surveying => self.bar.set_message("reading headers"),
            Event::Bracket { name, index, count } => {
                let left = time_left(self.begun.elapsed(), *index, *count);
                let left = left.map_or_else(String::new, |left| format!(" ({left} left)"));
                let name = printable::text(name);
                self.bar
                    .set_prefix(format!("{}/{count} {name}{left}:", index + 1));
            }
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

/// Time that the brackets from `index` on take if each takes as long as those before did: "40 s", "3 min"; `None` before the first is
/// done, and for less than two seconds.
fn time_left(elapsed: Duration, index: usize, count: usize) -> Option<String> {
    let each = elapsed.as_secs_f64() / index as f64;
    let left = each * count.saturating_sub(index) as f64;
    match left {
        _ if index == 0 || left < 2.0 => None,
        ..90.0 => Some(format!("{left:.0} s")),
        _ => Some(format!("{:.0} min", left / 60.0)),
    }
}

/// What kept results from standard output first.
static UNSAID: OnceLock<io::Error> = OnceLock::new();

/// One result on standard output. What cannot be written is told at the end, by [`all_said`].
pub fn say(text: &str) {
    note(writeln!(io::stdout(), "{text}"));
}

fn note(written: io::Result<()>) {
    match written {
        // A reader that has gone away wants no more.
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            let _ = UNSAID.set(error);
        }
        _ => {}
    }
}

/// Whether all results reached standard output.
///
/// # Errors
/// [`Error::Output`] with what the system said.
pub fn all_said() -> Result<(), Error> {
    note(io::stdout().flush());
    match UNSAID.get() {
        None => Ok(()),
        Some(error) => {
            let problem = OutputProblem::Unwritable;
            let source = io::Error::new(error.kind(), error.to_string());
            Err(Error::output("standard output", problem, Some(source)))
        }
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_left_follows_from_the_brackets_done() {
        let of = |seconds, index, count| time_left(Duration::from_secs(seconds), index, count);
        assert_eq!(of(5, 0, 3), None);
        assert_eq!(of(10, 2, 4).as_deref(), Some("10 s"));
        assert_eq!(of(60, 2, 10).as_deref(), Some("4 min"));
        assert_eq!(of(4, 9, 10), None);
    }
}
