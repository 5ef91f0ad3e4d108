//! Runs the whole job beside the server and keeps how far it is.
//!
//! A run is given up between two stages: what is told of progress then unwinds instead of returning, and the stage's own clean-up takes
//! place as the stack goes.
use super::places::plain_name;
use super::reply::{Answer, Refusal, Reply};
use super::shared::Shared;
use crate::pipeline::{self, Event, Outcome, Settings};
use hyper::StatusCode;
use serde::Serialize;
use serde_json::{Value, json};
use std::panic::AssertUnwindSafe;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Instant;
use stopspan_core::Error;
use stopspan_frames::Survey;

/// A folder of results.
pub(super) struct RunFolder {
    pub id: String,
    name: String,
    pub folder: PathBuf,
    moment: Option<String>,
    /// For a run of this desk.
    made: Option<Arc<Made>>,
}

/// What a run of this desk was made with.
pub(super) struct Made {
    pub settings: Settings,
    pub survey: Arc<Survey>,
}

impl RunFolder {
    pub fn new(number: usize, folder: PathBuf, moment: Option<String>) -> Self {
        RunFolder {
            id: format!("r{number}"),
            name: stopspan_core::model::file_name(&folder),
            folder,
            moment,
            made: None,
        }
    }

    pub fn value(&self) -> Value {
        let folder = self.folder.display().to_string();
        json!({ "id": self.id, "name": self.name, "folder": folder, "made": self.moment })
    }
}

impl Shared {
    /// The folder of a run of this desk that has ended, and what it was made with.
    pub fn made(&self, id: &str) -> Result<(PathBuf, Arc<Made>), Refusal> {
        let state = self.state();
        if state.run.as_ref().is_some_and(Run::is_on) {
            return Err(Refusal::not_now("A run is on."));
        }
        let run = state.runs.iter().find(|run| run.id == id);
        let run = run.ok_or_else(Refusal::unknown)?;
        let made = run.made.clone().ok_or_else(|| {
            let problem =
                "Sheets are drawn anew for runs of this desk; this one is of an earlier day.";
            Refusal::new(StatusCode::CONFLICT, problem, "Run it again.")
        })?;
        Ok((run.folder.clone(), made))
    }
}

/// How far a run or a bracket is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
enum Status {
    Waiting,
    Running,
    Cancelling,
    Done,
    PartDone,
    Failed,
    Cancelled,
}

/// A run, on or ended.
pub(super) struct Run {
    id: String,
    name: String,
    pub folder: PathBuf,
    status: Status,
    begun: Instant,
    seconds: Option<f64>,
    stage: Option<String>,
    now: Option<Now>,
    brackets: Vec<OneBracket>,
    failures: Vec<Value>,
    summary: Option<String>,
    given_up: Arc<AtomicBool>,
}

/// What is being worked on.
#[derive(Serialize)]
struct Now {
    what: &'static str,
    name: String,
    index: usize,
    count: usize,
}

struct OneBracket {
    name: String,
    status: Status,
    begun: Option<Instant>,
    seconds: Option<f64>,
    problem: Option<(String, String)>,
}

/// What unwinds through a run that is given up.
struct GivenUp;

impl Run {
    fn new(id: &str, folder: &Path, brackets: Vec<String>) -> Self {
        let bracket = |name| OneBracket {
            name,
            status: Status::Waiting,
            begun: None,
            seconds: None,
            problem: None,
        };
        Run {
            id: id.to_owned(),
            name: stopspan_core::model::file_name(folder),
            folder: folder.to_path_buf(),
            status: Status::Running,
            begun: Instant::now(),
            seconds: None,
            stage: None,
            now: None,
            brackets: brackets.into_iter().map(bracket).collect(),
            failures: Vec::new(),
            summary: None,
            given_up: Arc::default(),
        }
    }

    pub fn is_on(&self) -> bool {
        matches!(self.status, Status::Running | Status::Cancelling)
    }

    fn heard(&mut self, event: &Event) {
        match event {
            Event::Surveying => self.stage = Some("reading headers".into()),
            Event::Bracket { name, index, count } => {
                self.ended(Status::Done);
                self.now("bracket", name, (*index, *count));
                if let Some(bracket) = self.bracket() {
                    (bracket.status, bracket.begun) = (Status::Running, Some(Instant::now()));
                }
            }
            Event::Picture { name, index, count } => {
                self.ended(Status::Done);
                self.now("picture", name, (*index, *count));
                self.stage = Some("measuring".into());
            }
            Event::Stage(stage) => {
                if *stage == "writing the report" {
                    self.ended(Status::Done);
                }
                self.stage = Some((*stage).into());
            }
            Event::Failed { error } => self.failed(error),
            // A desk's run begins in an empty folder: nothing was done before.
            Event::Kept => {}
        }
    }

    fn now(&mut self, what: &'static str, name: &str, (index, count): (usize, usize)) {
        let name = name.to_owned();
        self.now = Some(Now {
            what,
            name,
            index,
            count,
        });
        self.stage = None;
    }

    /// The bracket that is being worked on.
    fn bracket(&mut self) -> Option<&mut OneBracket> {
        let now = self.now.as_ref().filter(|now| now.what == "bracket")?;
        self.brackets.iter_mut().find(|b| b.name == now.name)
    }

    /// Closes the bracket that was being worked on.
    fn ended(&mut self, status: Status) {
        if let Some(bracket) = self.bracket()
            && bracket.status == Status::Running
        {
            bracket.status = status;
            bracket.seconds = bracket.begun.map(|b| b.elapsed().as_secs_f64());
        }
        self.now = None;
    }

    fn failed(&mut self, error: &Error) {
        let told = Refusal::of(error);
        if let Some(bracket) = self.bracket() {
            bracket.problem = Some((told.problem, told.advice));
            self.ended(Status::Failed);
        } else {
            self.failures.push(told.value());
        }
    }

    fn finished(&mut self, outcome: std::thread::Result<Result<Outcome, Error>>) {
        self.seconds = Some(self.begun.elapsed().as_secs_f64());
        self.status = match outcome {
            Ok(Ok(outcome)) => {
                self.ended(Status::Done);
                let report = &outcome.report;
                self.summary = Some(stopspan_report::terminal::summary(report));
                match (outcome.done + outcome.pictures, outcome.failed) {
                    (0, _) => Status::Failed,
                    (_, 0) => Status::Done,
                    _ => Status::PartDone,
                }
            }
            Ok(Err(error)) => {
                self.failures.push(Refusal::of(&error).value());
                self.ended(Status::Failed);
                Status::Failed
            }
            Err(thrown) if thrown.is::<GivenUp>() => {
                self.ended(Status::Cancelled);
                Status::Cancelled
            }
            Err(_) => {
                let advice = "Run it from a terminal to see where, and report it.";
                let problem = "The program made an error and stopped this run.";
                self.failures
                    .push(json!({ "problem": problem, "advice": advice }));
                self.ended(Status::Failed);
                Status::Failed
            }
        };
        (self.stage, self.now) = (None, None);
    }

    pub fn value(&self) -> Value {
        let brackets: Vec<Value> = self.brackets.iter().map(|b| self.of_bracket(b)).collect();
        let seconds = self
            .seconds
            .unwrap_or_else(|| self.begun.elapsed().as_secs_f64());
        json!({
            "id": self.id, "name": self.name, "folder": self.folder.display().to_string(),
            "state": self.status, "seconds": seconds, "stage": self.stage, "now": self.now,
            "brackets": brackets, "failures": self.failures, "summary": self.summary,
        })
    }

    fn of_bracket(&self, bracket: &OneBracket) -> Value {
        let running = bracket.status == Status::Running;
        let problem = bracket.problem.as_ref();
        json!({
            "name": bracket.name, "state": bracket.status,
            "stage": running.then_some(self.stage.as_ref()),
            "seconds": bracket.seconds.or(bracket.begun.map(|b| b.elapsed().as_secs_f64())),
            "problem": problem.map(|p| &p.0), "advice": problem.map(|p| &p.1),
        })
    }
}

/// Starts a run of what is opened.
pub(super) fn start(desk: &Arc<Shared>, name: Option<&str>) -> Answer {
    let _turn = desk.in_turn();
    let (usual, upload, survey) = {
        let state = desk.state();
        if state.run.as_ref().is_some_and(Run::is_on) {
            return Err(Refusal::not_now("A run is on."));
        }
        let opened = state.opened.as_ref();
        (
            opened.map(|o| o.name()),
            opened.and_then(|o| o.upload.clone()),
            state.survey.clone().unwrap_or_default(),
        )
    };
    // Settings that make no sense leave no folder behind.
    let mut settings = desk.settings(PathBuf::new())?;
    let name = plain_name(name.or(usual.as_deref()).unwrap_or("pictures"))?;
    settings.out = desk.places.new_folder(name)?;
    if let Some(upload) = upload {
        desk.uploads.keep(&upload);
    }
    let brackets = survey.brackets.iter().map(|b| b.name.clone()).collect();
    let made = Arc::new(Made { settings, survey });
    let run = desk.change(|state| {
        let mut folder = RunFolder::new(state.runs.len() + 1, made.settings.out.clone(), None);
        let run = Run::new(&folder.id, &folder.folder, brackets);
        folder.made = Some(Arc::clone(&made));
        state.runs.push(folder);
        let value = run.value();
        let given_up = Arc::clone(&run.given_up);
        state.run = Some(run);
        (value, given_up)
    });
    let (value, given_up) = run;
    desk.let_go();
    let desk = Arc::clone(desk);
    std::thread::spawn(move || work(&desk, &made.settings, &given_up));
    Ok(Reply::json(&value).with_status(StatusCode::ACCEPTED))
}

fn work(desk: &Shared, settings: &Settings, given_up: &AtomicBool) {
    let progress = |event: Event| {
        if given_up.load(Ordering::Relaxed) {
            std::panic::resume_unwind(Box::new(GivenUp));
        }
        tell(desk, |run| run.heard(&event));
    };
    let outcome = std::panic::catch_unwind(AssertUnwindSafe(|| pipeline::run(settings, &progress)));
    // A folder in which nothing was written is not worth keeping.
    let _ = std::fs::remove_dir(&settings.out);
    tell(desk, |run| run.finished(outcome));
    desk.change(|_| ());
}

/// Changes the run and tells every page how it is.
fn tell(desk: &Shared, change: impl FnOnce(&mut Run)) {
    let mut state = desk.state();
    let Some(run) = state.run.as_mut() else {
        return;
    };
    change(run);
    let value = run.value();
    drop(state);
    desk.events.tell("run", &value);
}

/// Gives a run up at the next stage.
pub(super) fn cancel(desk: &Shared) -> Answer {
    let on = desk.state().run.as_ref().is_some_and(Run::is_on);
    if !on {
        return Err(Refusal::not_now("No run is on."));
    }
    tell(desk, |run| {
        run.given_up.store(true, Ordering::Relaxed);
        run.status = Status::Cancelling;
    });
    Ok(Reply::done().with_status(StatusCode::ACCEPTED))
}
