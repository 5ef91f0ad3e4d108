//! The desk: a server on this machine alone, on which the whole job is done in a browser. It makes settings of what a person points at
//! and calls the pipeline with them; nothing is measured here.
//!
//! In reading order: `server` takes connections and `gate` says who may ask; `reply` and `events` are what is answered, `page` the page's
//! files, `routes` which request is met by what. `shared` is the state behind all of it: folders (`places`), names of files (`ids`), what
//! was decoded (`kept`, within `limits`). Then the job: `choosing` and `surveyed`, `uploads`, `wishes` and `sheet_wishes` (what is asked of a run), `counting` (the wedge as it
//! is dragged), `running`, `results`, `pictures`, `maps` and `reduced` for looking, `publishing`. `api.md` states what the page may rely on.
mod choosing;
mod counting;
mod events;
mod gate;
mod ids;
mod kept;
mod limits;
mod maps;
mod page;
mod pictures;
mod places;
mod publishing;
mod reduced;
mod reply;
mod results;
mod routes;
mod running;
mod server;
mod shared;
mod sheet_wishes;
mod surveyed;
mod uploads;
mod wishes;

use gate::Gate;
use places::Places;
use shared::Shared;
use std::net::{Ipv4Addr, Ipv6Addr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use stopspan_core::Error;
use stopspan_core::error::{InputProblem, OutputProblem};

/// Threads for pixels and disks beside the one that answers.
const HELPERS: usize = 4;
/// Time after which a thread without work ends.
const IDLE: Duration = Duration::from_secs(10);
/// Time between two lines that keep a page's events open.
const TICK: Duration = Duration::from_secs(20);
/// As many of these times after the last page was closed, what is kept decoded goes.
const UNHEARD: u32 = 3;

/// What a desk is to be.
#[derive(Debug, Clone)]
pub struct DeskSettings {
    /// The folder to begin with; the person's own folder if `None`.
    pub folder: Option<PathBuf>,
    /// Where results go: every run into a new folder in it.
    pub results: PathBuf,
    /// The person's own folder, which may be looked through for pictures.
    pub home: Option<PathBuf>,
}

/// A server that waits to be started.
pub struct Desk {
    listeners: Vec<TcpListener>,
    shared: Arc<Shared>,
}

impl Desk {
    /// Takes a free port of this machine's own addresses, 127.0.0.1 and, where there is one and it is free there too, ::1; nothing else can
    /// reach it.
    ///
    /// # Errors
    /// [`Error::Input`] for a folder that is not there; [`Error::Output`] where no port is free.
    pub fn new(settings: &DeskSettings) -> Result<Self, Error> {
        let folder = settings.folder.as_ref().or(settings.home.as_ref());
        let folder = folder.map_or_else(|| Path::new("."), PathBuf::as_path);
        let real = |path: &Path| {
            let real = path.canonicalize();
            real.map_err(|e| Error::input_because(path, InputProblem::Unreadable, e))
        };
        let start = real(folder)?;
        if !start.is_dir() {
            return Err(Error::input(folder, InputProblem::Unreadable));
        }
        let mut roots = vec![start.clone()];
        roots.extend(settings.home.as_deref().and_then(|home| real(home).ok()));
        roots.dedup();
        let no_port = |e| Error::output("127.0.0.1", OutputProblem::Unwritable, Some(e));
        let results = std::path::absolute(&settings.results).map_err(no_port)?;
        let first = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).map_err(no_port)?;
        let port = first.local_addr().map_err(no_port)?.port();
        let second = TcpListener::bind((Ipv6Addr::LOCALHOST, port));
        let listeners: Vec<TcpListener> = [first].into_iter().chain(second).collect();
        for listener in &listeners {
            listener.set_nonblocking(true).map_err(no_port)?;
        }
        let gate = Gate::new(port).map_err(no_port)?;
        if !results.exists() {
            uploads::remove_at_the_end(&results, false);
        }
        let shared = Shared::new(
            gate,
            Places {
                roots,
                start,
                results,
            },
        );
        let runs = results::earlier(&shared.places.results);
        shared.state().runs = runs;
        Ok(Desk {
            listeners,
            shared: Arc::new(shared),
        })
    }

    /// The address to open in a browser. It lets in whoever has it.
    pub fn address(&self) -> String {
        self.shared.gate.address()
    }

    /// The same for a browser that this program starts: it lets in once, since others can see how a browser was started.
    pub fn launch_address(&self) -> Option<String> {
        self.shared.gate.launch_address()
    }

    /// Answers until the page ends it.
    ///
    /// # Errors
    /// [`Error::Output`] where the system gives no threads or no network.
    pub fn serve(self) -> Result<(), Error> {
        let failed = |e| Error::output("127.0.0.1", OutputProblem::Unwritable, Some(e));
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_io()
            .enable_time()
            .max_blocking_threads(HELPERS)
            .thread_keep_alive(IDLE)
            .build()
            .map_err(failed)?;
        let shared = self.shared;
        runtime.block_on(async {
            let listeners = self.listeners.into_iter();
            let listeners = listeners.map(tokio::net::TcpListener::from_std);
            let listeners: Vec<_> = listeners.collect::<Result<_, _>>().map_err(failed)?;
            let ticking = Arc::clone(&shared);
            tokio::spawn(async move {
                let mut unheard = 0;
                loop {
                    tokio::time::sleep(TICK).await;
                    ticking.events.tick();
                    unheard = if ticking.events.is_heard() {
                        0
                    } else {
                        unheard + 1
                    };
                    if unheard >= UNHEARD {
                        ticking.let_go();
                    }
                }
            });
            tokio::spawn(server::serve(listeners, Arc::clone(&shared)));
            shared.ended().await;
            // The answer to the request that ended it goes out first.
            tokio::time::sleep(Duration::from_millis(100)).await;
            Ok(())
        })?;
        runtime.shutdown_background();
        Ok(())
    }
}

/// Removes what a desk must not leave behind, when the program ends.
pub fn clean_up() {
    uploads::clean_up();
}
