//! Which request is answered by what. See `api.md` for the whole of it.
use super::choosing::{Edit, Opened};
use super::reply::{Answer, Refusal, Reply, page_file};
use super::shared::Shared;
use super::wishes::{look, read};
use super::{counting, page, publishing, results, running, uploads};
use http_body_util::{BodyExt, Limited};
use hyper::body::Incoming;
use hyper::{Method, Request, StatusCode};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinHandle;

/// Most bytes of JSON in a request.
const JSON_BYTES: usize = 1 << 20;
/// Longest time for it.
const BODY_TIME: Duration = Duration::from_secs(20);
/// Usual length of a view, pixels.
const LONGEST: usize = 1600;

/// A request for what takes pixels or disks.
struct Call {
    method: Method,
    path: Vec<String>,
    query: Vec<(String, String)>,
    body: Value,
}

/// Answers a request of the person's.
pub(super) async fn answer(desk: &Arc<Shared>, request: Request<Incoming>) -> Answer {
    let method = match *request.method() {
        Method::HEAD => Method::GET,
        ref other => other.clone(),
    };
    let path = segments(request.uri().path())?;
    let names: Vec<&str> = path.iter().map(String::as_str).collect();
    match (method.as_str(), names.as_slice()) {
        ("GET", []) => page_file(page::INDEX),
        ("GET", ["page", name]) => page_file(name),
        ("GET", ["api", "state"]) => Ok(Reply::json(&desk.value())),
        ("GET", ["api", "events"]) => Ok(events(desk)),
        ("PUT", ["api", "upload", id, name]) => uploads::receive(desk, id, name, request).await,
        ("GET", ["results", run, inside @ ..]) => {
            let inside: Vec<String> = inside.iter().map(|s| (*s).to_owned()).collect();
            results::file(desk, run, &inside).await
        }
        _ => {
            let query = query(request.uri().query().unwrap_or_default())?;
            let body = json_body(&method, request).await?;
            let call = Call {
                method,
                path,
                query,
                body,
            };
            aside(desk, call).await
        }
    }
}

fn events(desk: &Shared) -> Reply {
    let state = desk.state();
    let run = state.run.as_ref().map(|run| ("run", run.value()));
    drop(state);
    desk.events.listen(run.as_slice())
}

/// What is done on another thread, and given up if it has not begun when the page no longer waits for it.
struct Aside(JoinHandle<Answer>);

impl Drop for Aside {
    fn drop(&mut self) {
        self.0.abort();
    }
}

async fn aside(desk: &Arc<Shared>, call: Call) -> Answer {
    let desk = Arc::clone(desk);
    let mut task = Aside(tokio::task::spawn_blocking(move || done(&desk, call)));
    (&mut task.0).await.unwrap_or_else(|_| {
        let problem = "The program made an error on this request.";
        let advice = "Try again, and report it if it happens again.";
        Err(Refusal::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            problem,
            advice,
        ))
    })
}

fn done(desk: &Arc<Shared>, call: Call) -> Answer {
    let names: Vec<&str> = call.path.iter().map(String::as_str).collect();
    let ["api", names @ ..] = names.as_slice() else {
        return Err(Refusal::unknown());
    };
    match call.method.as_str() {
        "GET" => read_only(desk, names, &call),
        "POST" | "PUT" => changing(desk, (call.method.as_str(), names), call.body),
        _ => Err(Refusal::unknown()),
    }
}

fn read_only(desk: &Shared, names: &[&str], call: &Call) -> Answer {
    let given = |name: &str| {
        call.query
            .iter()
            .find(|(n, _)| n == name)
            .map(|(_, v)| v.as_str())
    };
    let longest = || match given("longest").map(str::parse) {
        None => Ok(LONGEST),
        Some(Ok(longest @ 16..=8192)) => Ok(longest),
        Some(_) => Err(Refusal::senseless("longest is 16 to 8192.")),
    };
    match *names {
        ["folder"] => {
            let path = given("path").map_or_else(|| desk.places.start.clone(), PathBuf::from);
            Ok(Reply::json(&desk.places.list(&path, &desk.pictures)?))
        }
        ["picture", id] => desk.decoded.about(desk, id),
        ["picture", id, "thumb"] => desk.decoded.thumb(desk, id),
        ["picture", id, "view"] => desk.decoded.view(desk, id, longest()?),
        ["picture", id, "tile", level, x, y] => desk.decoded.tile(desk, id, tile([level, x, y])?),
        ["map", id] => desk.opened_maps.about(desk, id),
        ["map", id, "tile", level, x, y] => desk.opened_maps.tile(desk, id, tile([level, x, y])?),
        ["map", id, "look"] => {
            let text = given("look").unwrap_or_default();
            let wanted =
                serde_json::from_str(text).map_err(|e| Refusal::senseless(e.to_string()))?;
            desk.opened_maps.look(desk, id, longest()?, look(wanted)?)
        }
        ["wedges"] => counting::kept_wedges(desk),
        ["sheet", name] => publishing::sheet(desk, name),
        ["result", run] => results::result(desk, run),
        _ => Err(Refusal::unknown()),
    }
}

fn tile(numbers: [&str; 3]) -> Result<[usize; 3], Refusal> {
    let number = |text: &str| text.parse().map_err(|_| Refusal::unknown());
    let [level, x, y] = numbers.map(number);
    Ok([level?, x?, y?])
}

fn changing(desk: &Arc<Shared>, asked: (&str, &[&str]), body: Value) -> Answer {
    match asked {
        ("POST", ["open"]) => open(desk, &body),
        ("POST", ["upload"]) => desk.uploads.begin(desk),
        ("POST", ["edit"]) => {
            let edit: Edit = read(body)?;
            desk.edit(&edit)?;
            Ok(Reply::done())
        }
        ("PUT", ["settings"]) => settings(desk, &body),
        ("POST", ["count"]) => counting::count(desk, body),
        ("POST", ["wedges"]) => counting::keep_wedge(desk, body),
        ("POST", ["run"]) => running::start(desk, body.get("name").and_then(Value::as_str)),
        ("POST", ["run", "cancel"]) => running::cancel(desk),
        ("POST", ["sheets"]) => publishing::draw(desk, body),
        ("POST", ["publish"]) => publishing::publish(desk, body),
        ("POST", ["quit"]) => {
            desk.end();
            Ok(Reply::done())
        }
        _ => Err(Refusal::unknown()),
    }
}

fn open(desk: &Shared, body: &Value) -> Answer {
    let text = |name: &str| body.get(name).and_then(Value::as_str);
    let pictures = body.get("pictures").and_then(Value::as_array);
    let (paths, upload) = match (text("folder"), text("upload"), pictures) {
        (Some(folder), None, None) => (vec![desk.places.readable(folder.as_ref())?], None),
        (None, Some(id), None) => (vec![desk.uploads.folder(id)?], Some(id.to_owned())),
        (None, None, Some(ids)) if !ids.is_empty() => {
            let ids = ids
                .iter()
                .map(|id| desk.picture(id.as_str().unwrap_or_default()));
            (ids.collect::<Result<_, _>>()?, None)
        }
        _ => {
            return Err(Refusal::senseless(
                "One of a folder, an upload or pictures is opened.",
            ));
        }
    };
    if paths.iter().any(|p| !p.exists()) {
        return Err(Refusal::unknown());
    }
    desk.open(Opened::new(paths, upload, &desk.places))?;
    Ok(Reply::done())
}

fn settings(desk: &Shared, body: &Value) -> Answer {
    let wishes = desk.state().wishes.with(body)?;
    let mut tried = crate::pipeline::Settings::new(Vec::new(), PathBuf::new());
    wishes.apply(&mut tried, desk)?;
    let shown = json!(wishes);
    desk.change(|state| state.wishes = wishes);
    Ok(Reply::json(&shown))
}

/// The body of a request that changes something, as JSON; nothing counts as an empty object.
async fn json_body(method: &Method, request: Request<Incoming>) -> Result<Value, Refusal> {
    if *method == Method::GET {
        return Ok(Value::Null);
    }
    let kind = request.headers().get("content-type");
    let kind = kind
        .and_then(|k| k.to_str().ok())
        .unwrap_or_default()
        .to_owned();
    let body = Limited::new(request.into_body(), JSON_BYTES).collect();
    let late = |_| {
        let problem = "The request did not come whole.";
        Refusal::new(StatusCode::REQUEST_TIMEOUT, problem, "Send it again.")
    };
    let body = tokio::time::timeout(BODY_TIME, body).await.map_err(late)?;
    let large = |_| {
        let problem = "The request is too long.";
        Refusal::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            problem,
            "Ask for less at once.",
        )
    };
    let bytes = body.map_err(large)?.to_bytes();
    if bytes.is_empty() {
        return Ok(json!({}));
    }
    if !kind.starts_with("application/json") {
        return Err(Refusal::senseless("The request is not JSON."));
    }
    serde_json::from_slice(&bytes).map_err(|e| Refusal::senseless(format!("It is no JSON: {e}.")))
}

/// The names of a path between its slashes, each decoded by itself: none of them leads up or holds a slash.
fn segments(path: &str) -> Result<Vec<String>, Refusal> {
    let names = path.split('/').filter(|name| !name.is_empty());
    names
        .map(|name| match decoded(name) {
            Some(name) if name != "." && name != ".." && !name.contains(['/', '\\', '\0']) => {
                Ok(name)
            }
            _ => Err(Refusal::unknown()),
        })
        .collect()
}

fn query(text: &str) -> Result<Vec<(String, String)>, Refusal> {
    let pairs = text.split('&').filter(|pair| !pair.is_empty());
    pairs
        .map(|pair| {
            let (name, value) = pair.split_once('=').unwrap_or((pair, ""));
            let value = decoded(&value.replace('+', " "));
            Ok((
                name.to_owned(),
                value.ok_or_else(|| Refusal::senseless("The address is no text."))?,
            ))
        })
        .collect()
}

/// Percent-decoded text (RFC 3986, 2.1); `None` for what is no UTF-8.
fn decoded(text: &str) -> Option<String> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.bytes();
    while let Some(byte) = rest.next() {
        if byte != b'%' {
            bytes.push(byte);
            continue;
        }
        let digit = |b: Option<u8>| char::from(b?).to_digit(16);
        let (high, low) = (digit(rest.next())?, digit(rest.next())?);
        bytes.push((16 * high + low) as u8);
    }
    String::from_utf8(bytes).ok()
}

#[cfg(test)]
mod tests {
    use super::super::wishes::Wishes;
    use super::*;

    #[test]
    fn paths_are_taken_apart_before_they_are_decoded() {
        let names = |path| segments(path).ok();
        let own = |list: &[&str]| Some(list.iter().map(|s| (*s).to_owned()).collect::<Vec<_>>());
        assert_eq!(names("/"), own(&[]));
        assert_eq!(
            names("/results/r1/A%20b/c.jpg"),
            own(&["results", "r1", "A b", "c.jpg"])
        );
        for bad in [
            "/a/../b",
            "/a/%2e%2E/b",
            "/a/..%2fb",
            "/a%00",
            "/a%5cb",
            "/%ff",
            "/%4",
            "/./a",
        ] {
            assert_eq!(names(bad), None, "{bad}");
        }
        let parts = query("longest=5&look=%7B%7D&a").unwrap();
        assert_eq!(parts[1], ("look".to_owned(), "{}".to_owned()));
        assert_eq!(parts.len(), 3);
    }

    #[test]
    fn settings_change_one_by_one() {
        let desk = Shared::for_tests();
        settings(&desk, &json!({ "linear": true })).unwrap();
        settings(&desk, &json!({ "register": false })).unwrap();
        let usual = Wishes::default();
        let changed = usual
            .with(&json!({ "linear": true, "register": false }))
            .unwrap();
        assert_eq!(desk.state().wishes, changed);
        assert!(settings(&desk, &json!({ "peak": 1 })).is_err());
        assert_eq!(desk.state().wishes, changed);
    }
}
