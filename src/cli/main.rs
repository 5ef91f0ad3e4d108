//! The command line: parse, call, print, exit code. Sees only the library's public surface.
mod arguments;
mod console;
#[cfg(feature = "desk")]
mod desk;
mod look;
mod response;
mod simulating;
mod values;
mod wedge;

use arguments::{Arguments, Command, Merge, Run};
use clap::CommandFactory;
use clap_complete::Shell;
use look::Render;
use simulating::Simulate;
use std::process::ExitCode;
use stopspan::pipeline;
use stopspan_core::error::{BracketProblem, printable};
use stopspan_core::{Error, Setting};
use stopspan_formats::staged::{Outputs, write_whole};
use stopspan_simulate::{FileKind, ScenarioSource};

/// Everything asked for was done.
const DONE: u8 = 0;
/// Nothing could be done.
const NOTHING_DONE: u8 = 1;
/// Invalid command line; clap uses the same number.
const USAGE: u8 = 2;
/// Part was done; the rest failed and was named.
const PART_DONE: u8 = 3;
/// Told to end, by Ctrl-C (SIGINT), SIGTERM or SIGHUP: 128 and the number of SIGINT, as shells count.
const INTERRUPTED: u8 = 130;

fn main() -> ExitCode {
    let arguments = arguments::parsed();
    // A decoder that panics costs its file, which is named as an error.
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        if !stopspan_formats::is_decoding() {
            usual(panic);
        }
    }));
    // Without a handler the system ends the program all the same; what is left then is removed by the next run.
    let _ = ctrlc::set_handler(|| {
        stopspan_formats::staged::abandon();
        #[cfg(feature = "desk")]
        stopspan::desk::clean_up();
        std::process::exit(INTERRUPTED.into());
    });
    let done = dispatch(arguments.command);
    let unsaid = console::all_said().inspect_err(console::complain).is_err();
    let code = match done {
        Ok(DONE) if unsaid => PART_DONE,
        Ok(code) => code,
        Err(error) => {
            console::complain(&error);
            if matches!(error, Error::Request { .. } | Error::Scenario { .. }) {
                USAGE
            } else {
                NOTHING_DONE
            }
        }
    };
    ExitCode::from(code)
}

fn dispatch(command: Command) -> Result<u8, Error> {
    match command {
        Command::Run(wanted) => run(&wanted),
        Command::Merge(wanted) => merge(&wanted),
        Command::Render(wanted) => render(&wanted),
        Command::Measure(wanted) => measure(&wanted),
        #[cfg(feature = "desk")]
        Command::Desk(wanted) => desk::run(&wanted),
        Command::Simulate(wanted) => simulate(&wanted),
        Command::Completions { shell } => completions(shell),
    }
}

/// The whole job, or only the list of what it would be done on.
fn run(wanted: &Run) -> Result<u8, Error> {
    let settings = wanted.settings()?;
    threads(wanted.common.threads)?;
    if wanted.dry_run {
        list(&settings)
    } else {
        whole_job(&settings, wanted)
    }
}

/// One map from the frames given.
fn merge(wanted: &Merge) -> Result<u8, Error> {
    let settings = wanted.settings()?;
    threads(wanted.common.threads)?;
    let console = console::Console::new(wanted.common.quiet);
    let done = pipeline::merge(&settings, &|event| console.show(&event));
    console.finish();
    let prepared = done?;
    for finding in &prepared.bracket.findings {
        let words = stopspan_report::words::finding(finding);
        console::say(&format!("note: {words}"));
    }
    console::say(&format!(
        "{}: {} frames merged",
        printable::path(&settings.out),
        prepared.bracket.frames.len()
    ));
    Ok(DONE)
}

/// Pictures from a map.
fn render(wanted: &Render) -> Result<u8, Error> {
    let settings = wanted.settings()?;
    threads(wanted.threads)?;
    let console = console::Console::new(wanted.quiet);
    let done = pipeline::render(&settings, &|event| console.show(&event));
    console.finish();
    done?;
    for path in &settings.out {
        console::say(&printable::path(path));
    }
    Ok(DONE)
}

/// A simulated bracket.
fn simulate(wanted: &Simulate) -> Result<u8, Error> {
    let policy = Outputs {
        overwrite: wanted.overwrite,
        inputs: Vec::new(),
    };
    let source = match &wanted.scenario {
        path if path.ends_with(".json") => ScenarioSource::File(path.into()),
        name => ScenarioSource::Named(name.clone()),
    };
    let mut scenario = source.load()?;
    if let Some(format) = wanted.format {
        scenario.files = format.kind();
        scenario.camera_hdr &= !matches!(scenario.files, FileKind::Dng { .. });
    }
    scenario.raw_beside |= wanted.raw_beside;
    let (files, _) = stopspan_simulate::write_scenario(&scenario, &wanted.out, &policy)?;
    for file in files {
        console::say(&printable::path(&file));
    }
    Ok(DONE)
}

/// Completions for a shell, on standard output.
fn completions(shell: Shell) -> Result<u8, Error> {
    let mut command = Arguments::command();
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut command, "stopspan", &mut script);
    console::say(String::from_utf8_lossy(&script).trim_end());
    Ok(DONE)
}

/// The steps of a wedge on finished pictures or on a map: said, and written where asked for.
fn measure(wanted: &wedge::Measure) -> Result<u8, Error> {
    let policy = Outputs {
        overwrite: wanted.overwrite,
        inputs: wanted.pictures.clone(),
    };
    if let Some(path) = &wanted.out {
        policy.check(path)?;
    }
    match wanted.map_settings()? {
        Some(settings) => measure_map(wanted, &settings, &policy),
        None => measure_pictures(wanted, &policy),
    }
}

fn measure_pictures(wanted: &wedge::Measure, policy: &Outputs) -> Result<u8, Error> {
    let settings = wanted.settings()?;
    let console = console::Console::new(wanted.quiet);
    let done = pipeline::measure_pictures(&settings, &|event| console.show(&event));
    console.finish();
    let report = done?;
    if let Some(path) = &wanted.out {
        let text = stopspan_report::json::text(&report)?;
        write_whole(path, policy, |sink| sink.write_all(text.as_bytes()))?;
    }
    console::say(stopspan_report::terminal::table(&report).trim_end());
    Ok(
        match (report.without_bracket.is_empty(), report.failed.is_empty()) {
            (true, _) => NOTHING_DONE,
            (false, true) => DONE,
            (false, false) => PART_DONE,
        },
    )
}

fn measure_map(
    wanted: &wedge::Measure,
    settings: &pipeline::MapSettings,
    policy: &Outputs,
) -> Result<u8, Error> {
    let console = console::Console::new(wanted.quiet);
    let done = pipeline::measure_map(settings, &|event| console.show(&event));
    console.finish();
    let measured = done?;
    if let Some(path) = &wanted.out {
        measured.write(path, policy)?;
    }
    let doubts = measured.picture.iter().flat_map(|p| &p.findings);
    for finding in measured.findings.iter().chain(doubts) {
        console::say(&format!(
            "note: {}",
            stopspan_report::words::finding(finding)
        ));
    }
    let Some(levels) = measured.picture.and_then(|p| p.levels) else {
        return Ok(NOTHING_DONE);
    };
    console::say(&format!(
        "{}: resolves {} of {} steps; {} visibly distinct",
        printable::path(&settings.map),
        levels.noise,
        levels.steps,
        levels.visual
    ));
    Ok(DONE)
}

/// Results do not depend on the number of threads.
fn threads(count: Option<u16>) -> Result<(), Error> {
    let Some(count) = count else { return Ok(()) };
    rayon::ThreadPoolBuilder::new()
        .num_threads(usize::from(count))
        .build_global()
        .map_err(|e| Error::request(Setting::Threads, e.to_string()))
}

fn list(settings: &pipeline::Settings) -> Result<u8, Error> {
    let survey = pipeline::survey(settings)?;
    console::say(stopspan_frames::words(&survey).trim_end());
    let pictures = survey.singles.len() + survey.camera_hdr.len();
    let nothing = survey.brackets.is_empty() && pictures == 0;
    Ok(match (nothing, survey.failed.is_empty()) {
        (true, _) => NOTHING_DONE,
        (false, true) => DONE,
        (false, false) => PART_DONE,
    })
}

fn whole_job(settings: &pipeline::Settings, wanted: &Run) -> Result<u8, Error> {
    let console = console::Console::new(wanted.common.quiet);
    let outcome = pipeline::run(settings, &|event| console.show(&event));
    console.finish();
    let outcome = outcome?;
    if outcome.done + outcome.pictures == 0 {
        if outcome.failed > 0 {
            return Ok(NOTHING_DONE); // each failure was told when it happened
        }
        // What was passed over may be what was meant.
        let report = &outcome.report;
        if !(report.singles.is_empty() && report.skipped.is_empty()) {
            console::say(text_of(report, wanted).trim_end());
        }
        return Err(no_bracket(report, settings));
    }
    console::say(text_of(&outcome.report, wanted).trim_end());
    if settings.part.is_none() {
        let out = |name: &str| printable::path(&settings.out.join(name));
        console::say(&format!("\nReport: {}", out("report.html")));
        if outcome.done > 0 {
            let pictures = format!("*/{}", stopspan_core::results::RENDERED_FILE);
            console::say(&format!("Merged pictures: {}", out(&pictures)));
        }
    }
    Ok(if outcome.failed == 0 { DONE } else { PART_DONE })
}

/// The report as text, short or whole.
fn text_of(report: &stopspan_core::results::Report, wanted: &Run) -> String {
    match wanted.verbose {
        true => stopspan_report::terminal::table(report),
        false => stopspan_report::terminal::summary(report),
    }
}

/// Nothing failed, but nothing could be measured either.
fn no_bracket(report: &stopspan_core::results::Report, settings: &pipeline::Settings) -> Error {
    let singles = report.singles.iter().map(|s| s.path.clone().into());
    let (files, found) = match report.singles.len() {
        0 => (settings.inputs.clone(), 0),
        found => (singles.collect(), found),
    };
    let problem = if found == 0 {
        BracketProblem::TooFew { found, needed: 2 }
    } else {
        BracketProblem::NoWedge { found }
    };
    Error::Bracket { files, problem }
}
