//! Takes connections and answers requests, on one thread; what needs pixels or disks is done on others.
//!
//! Connections that have not shown the cookie are few at a time: where more come, the oldest of them end, so that any number that only
//! wait cannot keep the person's own browser out.
use super::reply::{Content, Refusal, Reply};
use super::routes;
use super::shared::Shared;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use std::collections::VecDeque;
use std::convert::Infallible;
use std::future::poll_fn;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::Poll;
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::task::AbortHandle;

/// Most connections that have not shown the cookie.
const STRANGERS: usize = 128;
/// Most connections of browsers that have.
const GUESTS: usize = 256;
/// Longest time for the head of a request.
const HEAD_TIME: Duration = Duration::from_secs(10);
/// Pause where the system has no more connections to give.
const PAUSE: Duration = Duration::from_millis(50);

/// Longest head of a request, bytes.
const HEAD_BYTES: usize = 32 << 10;

/// A connection, and whether it has shown the cookie.
struct Connection {
    task: AbortHandle,
    known: Arc<AtomicBool>,
}

/// Answers for as long as it is let.
pub(super) async fn serve(listeners: Vec<TcpListener>, desk: Arc<Shared>) {
    let mut connections: VecDeque<Connection> = VecDeque::new();
    loop {
        let Ok(stream) = next(&listeners).await else {
            tokio::time::sleep(PAUSE).await;
            continue;
        };
        let known = Arc::new(AtomicBool::new(false));
        let task = tokio::spawn(connection(stream, Arc::clone(&desk), Arc::clone(&known)));
        connections.retain(|c| !c.task.is_finished());
        connections.push_back(Connection {
            task: task.abort_handle(),
            known,
        });
        end_oldest(&mut connections, false, STRANGERS);
        end_oldest(&mut connections, true, GUESTS);
    }
}

/// The next connection to any of the addresses.
async fn next(listeners: &[TcpListener]) -> std::io::Result<TcpStream> {
    poll_fn(|context| {
        let mut polls = listeners.iter().map(|l| l.poll_accept(context));
        match polls.find(Poll::is_ready) {
            Some(Poll::Ready(accepted)) => Poll::Ready(accepted.map(|(stream, _)| stream)),
            _ => Poll::Pending,
        }
    })
    .await
}

/// Ends the oldest connections of a kind until at most `most` are left.
fn end_oldest(connections: &mut VecDeque<Connection>, known: bool, most: usize) {
    let of_kind = |c: &Connection| c.known.load(Ordering::Relaxed) == known;
    let mut over = connections
        .iter()
        .filter(|c| of_kind(c))
        .count()
        .saturating_sub(most);
    connections.retain(|c| {
        let ends = over > 0 && of_kind(c);
        if ends {
            over -= 1;
            c.task.abort();
        }
        !ends
    });
}

async fn connection(stream: TcpStream, desk: Arc<Shared>, known: Arc<AtomicBool>) {
    let _ = stream.set_nodelay(true);
    let service = service_fn(|request| answer(&desk, &known, request));
    // A connection that breaks off is the other side's business.
    let _ = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_TIME)
        .max_buf_size(HEAD_BYTES)
        .serve_connection(TokioIo::new(stream), service)
        .await;
}

async fn answer(
    desk: &Arc<Shared>,
    known: &AtomicBool,
    request: Request<Incoming>,
) -> Result<Response<Content>, Infallible> {
    let head = *request.method() == Method::HEAD;
    let reply = admitted(desk, known, request).await;
    let mut response = reply.unwrap_or_else(|refusal| refusal.reply()).response();
    if head {
        *response.body_mut() = Content::Whole(Vec::new().into());
    }
    Ok(response)
}

/// Checks who asks, then what.
async fn admitted(
    desk: &Arc<Shared>,
    known: &AtomicBool,
    request: Request<Incoming>,
) -> Result<Reply, Refusal> {
    desk.gate
        .check_origin(request.method(), request.headers())?;
    if let Some(token) = token(&request) {
        let cookie = desk.gate.admit(token).ok_or_else(|| {
            let problem = "This address is not, or no longer, the desk's.";
            let advice = "Open the address that the program printed.";
            Refusal::new(StatusCode::UNAUTHORIZED, problem, advice)
        })?;
        let mut reply = Reply::bytes("text/plain; charset=utf-8", "");
        reply.status = StatusCode::SEE_OTHER;
        reply.extra = vec![("location", "/".into()), ("set-cookie", cookie)];
        return Ok(reply);
    }
    desk.gate.check_cookie(request.headers())?;
    known.store(true, Ordering::Relaxed);
    routes::answer(desk, request).await
}

/// The token of `/?token=T`.
fn token(request: &Request<Incoming>) -> Option<&str> {
    let uri = request.uri();
    (uri.path() == "/" && *request.method() == Method::GET)
        .then(|| uri.query()?.strip_prefix("token="))
        .flatten()
}
