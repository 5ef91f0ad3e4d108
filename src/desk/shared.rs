//! What all requests share: the gate, the folders, the registers of files, and the state that every page shows.
use super::choosing::{Edit, Edits, Opened, finished, pictures};
use super::counting::Counted;
use super::events::Events;
use super::gate::Gate;
use super::ids::Register;
use super::maps::Maps;
use super::pictures::Pictures;
use super::places::Places;
use super::publishing::Published;
use super::reply::Refusal;
use super::running::{Run, RunFolder};
use super::surveyed;
use super::uploads::Uploads;
use super::wishes::Wishes;
use crate::pipeline::Settings;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use stopspan_core::model::file_name;
use stopspan_frames::Survey;
use tokio::sync::Notify;

/// Name and version, as pages show it.
const PROGRAM: &str = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"));

/// One desk.
pub(super) struct Shared {
    pub gate: Gate,
    pub places: Places,
    pub events: Events,
    pub pictures: Register,
    pub maps: Register,
    pub wedges: Register,
    pub decoded: Pictures,
    pub opened_maps: Maps,
    pub counted: Counted,
    pub uploads: Uploads,
    pub published: Published,
    state: Mutex<State>,
    /// Held while a survey is made, so that edits follow one another.
    turn: Mutex<()>,
    end: Notify,
}

/// What every page shows.
#[derive(Default)]
pub(super) struct State {
    revision: u64,
    pub opened: Option<Opened>,
    edits: Edits,
    past: Vec<Edits>,
    pub wishes: Wishes,
    pub survey: Option<Arc<Survey>>,
    /// The survey as pages show it.
    shown: Option<Value>,
    inputs: Vec<PathBuf>,
    surveying: bool,
    problem: Option<Refusal>,
    pub run: Option<Run>,
    pub runs: Vec<RunFolder>,
}

/// What was found among inputs.
#[derive(Default)]
struct Surveyed {
    inputs: Vec<PathBuf>,
    survey: Option<Arc<Survey>>,
    shown: Option<Value>,
}

impl State {
    fn found(&mut self, found: Surveyed) {
        (self.inputs, self.survey, self.shown) = (found.inputs, found.survey, found.shown);
    }
}

impl Shared {
    pub fn new(gate: Gate, places: Places) -> Self {
        Shared {
            gate,
            places,
            events: Events::default(),
            pictures: Register::new('p'),
            maps: Register::new('m'),
            wedges: Register::new('w'),
            decoded: Pictures::default(),
            opened_maps: Maps::default(),
            counted: Counted::default(),
            uploads: Uploads::default(),
            published: Published::default(),
            state: Mutex::default(),
            turn: Mutex::default(),
            end: Notify::new(),
        }
    }

    #[cfg(test)]
    pub fn for_tests() -> Self {
        let here = std::env::temp_dir();
        let places = Places {
            roots: vec![here.clone()],
            start: here.clone(),
            results: here.join("stopspan-no-results"),
        };
        Shared::new(Gate::new(4000).unwrap(), places)
    }

    pub fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Changes the state, and tells every page that it did.
    pub fn change<T>(&self, change: impl FnOnce(&mut State) -> T) -> T {
        let mut state = self.state();
        state.revision += 1;
        let revision = state.revision;
        let out = change(&mut state);
        drop(state);
        self.events.tell("state", &json!({ "revision": revision }));
        out
    }

    /// The file of a picture's id, if it is there and may be read.
    pub fn picture(&self, id: &str) -> Result<PathBuf, Refusal> {
        let path = self.pictures.path(id).ok_or_else(Refusal::unknown)?;
        self.places.readable(&path)?;
        Ok(path)
    }

    /// True for a picture that is taken for a camera's own HDR picture.
    pub fn is_finished(&self, file: &Path) -> bool {
        let survey = self.state().survey.clone();
        survey.iter().any(|s| finished(s).any(|f| f == file))
    }

    /// Held by what must not happen while something else changes what is opened or begins a run.
    pub fn in_turn(&self) -> MutexGuard<'_, ()> {
        self.turn.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Number of opened pictures of a file name.
    pub fn opened_with_name(&self, name: &str) -> usize {
        let survey = self.state().survey.clone();
        let files = survey.iter().flat_map(|s| pictures(s));
        files.filter(|f| file_name(f) == name).count()
    }

    /// Opens pictures: the survey of them is made before this returns.
    pub fn open(&self, opened: Opened) -> Result<(), Refusal> {
        let _turn = self.in_turn();
        self.change(|state| state.surveying = true);
        let found = self.survey(&opened, &Edits::default());
        let (problem, found) = match found {
            Ok(found) => (None, found),
            Err(refusal) => (Some(refusal), Surveyed::default()),
        };
        let out = problem.clone().map_or(Ok(()), Err);
        self.change(|state| {
            state.surveying = false;
            state.opened = Some(opened);
            (state.edits, state.past) = (Edits::default(), Vec::new());
            state.problem = problem;
            state.found(found);
        });
        out
    }

    /// Takes an edit over if a survey with it can be made.
    pub fn edit(&self, edit: &Edit) -> Result<(), Refusal> {
        let _turn = self.in_turn();
        let (opened, survey, edits, mut past) = {
            let state = self.state();
            let opened = state.opened.clone().zip(state.survey.clone());
            let (opened, survey) = opened.ok_or_else(nothing_opened)?;
            (opened, survey, state.edits.clone(), state.past.clone())
        };
        let next = match edit {
            Edit::Undo {} => past
                .pop()
                .ok_or_else(|| Refusal::senseless("There is nothing to undo."))?,
            edit => {
                let next = edits.after(edit, self, &survey)?;
                past.push(edits);
                next
            }
        };
        let found = self.survey(&opened, &next)?;
        self.change(|state| {
            state.found(found);
            (state.edits, state.past) = (next, past);
        });
        Ok(())
    }

    fn survey(&self, opened: &Opened, edits: &Edits) -> Result<Surveyed, Refusal> {
        let inputs = edits.inputs(opened)?;
        let overrides = edits.overrides(&opened.strays)?;
        let survey = stopspan_frames::survey(&inputs, &overrides)?;
        Ok(Surveyed {
            shown: Some(surveyed::value(&survey, edits, opened, self)),
            survey: Some(Arc::new(survey)),
            inputs,
        })
    }

    /// The settings of a run into `out`, as the page asks for them.
    pub fn settings(&self, out: PathBuf) -> Result<Settings, Refusal> {
        let (inputs, edits, strays, wishes) = {
            let state = self.state();
            let opened = state.opened.as_ref().ok_or_else(nothing_opened)?;
            let strays = opened.strays.clone();
            (
                state.inputs.clone(),
                state.edits.clone(),
                strays,
                state.wishes.clone(),
            )
        };
        let mut settings = Settings::new(inputs, out);
        settings.overrides = edits.overrides(&strays)?;
        wishes.apply(&mut settings, self)?;
        Ok(settings)
    }

    /// Lets everything go that is kept decoded.
    pub fn let_go(&self) {
        self.decoded.clear();
        self.counted.clear();
        self.opened_maps.clear();
        self.published.clear();
    }

    /// Ends the desk.
    pub fn end(&self) {
        self.end.notify_waiters();
        self.end.notify_one();
    }

    /// Waits until the desk is to end.
    pub async fn ended(&self) {
        self.end.notified().await;
    }

    /// Everything that a page needs to show the desk as it is.
    pub fn value(&self) -> Value {
        let state = self.state();
        let text = |p: &PathBuf| p.display().to_string();
        json!({
            "revision": state.revision,
            "program": PROGRAM,
            "results": text(&self.places.results),
            "roots": self.places.roots.iter().map(text).collect::<Vec<_>>(),
            "start": text(&self.places.start),
            "opened": state.opened.as_ref().map(Opened::value),
            "surveying": state.surveying,
            "survey": state.shown,
            "edits": state.edits.value(self),
            "can_undo": !state.past.is_empty(),
            "settings": state.wishes,
            "run": state.run.as_ref().map(Run::value),
            "runs": state.runs.iter().map(RunFolder::value).collect::<Vec<_>>(),
            "problem": state.problem.as_ref().map(Refusal::value),
        })
    }
}

fn nothing_opened() -> Refusal {
    Refusal::not_now("Nothing is opened yet.")
}
