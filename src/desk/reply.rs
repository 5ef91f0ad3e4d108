//! What the server answers: bodies, media types, the headers that keep a page to itself, and errors in words.
use super::page;
use bytes::Bytes;
use hyper::body::{Body, Frame, SizeHint};
use hyper::header::HeaderValue;
use hyper::{Response, StatusCode};
use serde_json::{Value, json};
use std::convert::Infallible;
use std::pin::Pin;
use std::sync::LazyLock;
use std::task::{Context, Poll};
use stopspan_core::Error;
use stopspan_report::html::viewer_script_source;
use tokio::sync::mpsc::Receiver;

/// What the desk's own page may load: only from this server, and nothing that stands in the page itself.
const OWN_PAGE: &str = "default-src 'self'; img-src 'self' blob: data:; object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'self'";
/// Pages that a run wrote: they show themselves and the pictures beside them, and call nothing. Of scripts the report's viewer alone
/// runs, known by its sum, whoever wrote the page.
static RESULT_PAGE: LazyLock<String> = LazyLock::new(|| {
    format!(
        "default-src 'none'; style-src 'unsafe-inline'; script-src {}; img-src 'self' data:; base-uri 'none'; form-action 'none'; frame-ancestors 'self'",
        viewer_script_source()
    )
});

/// The body of an answer.
pub(super) enum Content {
    /// All of it.
    Whole(Bytes),
    /// Pieces as they come; the length in bytes where it is known.
    Pieces(Receiver<Bytes>, Option<u64>),
}

impl Body for Content {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(
        self: Pin<&mut Self>,
        context: &mut Context,
    ) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        match self.get_mut() {
            Content::Whole(bytes) if bytes.is_empty() => Poll::Ready(None),
            Content::Whole(bytes) => Poll::Ready(Some(Ok(Frame::data(std::mem::take(bytes))))),
            Content::Pieces(pieces, _) => pieces
                .poll_recv(context)
                .map(|piece| piece.map(|bytes| Ok(Frame::data(bytes)))),
        }
    }

    fn is_end_stream(&self) -> bool {
        matches!(self, Content::Whole(bytes) if bytes.is_empty())
    }

    fn size_hint(&self) -> SizeHint {
        match self {
            Content::Whole(bytes) => SizeHint::with_exact(bytes.len() as u64),
            Content::Pieces(_, Some(length)) => SizeHint::with_exact(*length),
            Content::Pieces(_, None) => SizeHint::new(),
        }
    }
}

/// An answer.
pub(super) struct Reply {
    pub status: StatusCode,
    /// Media type.
    pub kind: &'static str,
    pub content: Content,
    /// Further headers.
    pub extra: Vec<(&'static str, String)>,
    /// True for a file that a run wrote.
    pub of_run: bool,
}

impl Reply {
    /// Bytes of a media type.
    pub fn bytes(kind: &'static str, bytes: impl Into<Bytes>) -> Self {
        Reply {
            status: StatusCode::OK,
            kind,
            content: Content::Whole(bytes.into()),
            extra: Vec::new(),
            of_run: false,
        }
    }

    /// JSON.
    pub fn json(value: &Value) -> Self {
        Reply::bytes("application/json", value.to_string())
    }

    /// JSON without content: it was done.
    pub fn done() -> Self {
        Reply::json(&json!({}))
    }

    /// The same answer with another status.
    pub fn with_status(self, status: StatusCode) -> Self {
        Reply { status, ..self }
    }

    /// As hyper sends it.
    pub fn response(self) -> Response<Content> {
        let page = self.kind.starts_with("text/html") || self.kind.starts_with("image/svg");
        let policy = match self.of_run && page {
            true => RESULT_PAGE.as_str(),
            false => OWN_PAGE,
        };
        let mut response = Response::new(self.content);
        *response.status_mut() = self.status;
        let headers = response.headers_mut();
        for (name, value) in [
            ("content-type", self.kind),
            ("content-security-policy", policy),
            ("cross-origin-resource-policy", "same-origin"),
            ("cross-origin-opener-policy", "same-origin"),
            ("x-content-type-options", "nosniff"),
            ("referrer-policy", "no-referrer"),
            ("cache-control", "no-store"),
        ] {
            if let Ok(value) = HeaderValue::from_str(value) {
                headers.insert(name, value);
            }
        }
        for (name, value) in self.extra {
            if let Ok(value) = HeaderValue::from_str(&value) {
                headers.insert(name, value);
            }
        }
        response
    }
}

/// Why a request is not met: what is wrong and what to do about it, for people.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Refusal {
    pub status: StatusCode,
    pub problem: String,
    pub advice: String,
}

/// What a handler gives.
pub(super) type Answer = Result<Reply, Refusal>;

impl Refusal {
    pub fn new(status: StatusCode, problem: impl Into<String>, advice: &str) -> Self {
        Refusal {
            status,
            problem: problem.into(),
            advice: advice.into(),
        }
    }

    /// A request that makes no sense.
    pub fn senseless(problem: impl Into<String>) -> Self {
        Refusal::new(
            StatusCode::BAD_REQUEST,
            problem,
            "Correct it and try again.",
        )
    }

    /// Nothing of that name.
    pub fn unknown() -> Self {
        let problem = "There is no such thing on this desk.";
        Refusal::new(StatusCode::NOT_FOUND, problem, "Load the page again.")
    }

    /// A path outside the folders that were chosen.
    pub fn outside() -> Self {
        let problem = "That lies outside the folders that may be read.";
        let advice = "Start the desk with the folder it is to read.";
        Refusal::new(StatusCode::FORBIDDEN, problem, advice)
    }

    /// Something that cannot be done at this moment.
    pub fn not_now(problem: &str) -> Self {
        Refusal::new(StatusCode::CONFLICT, problem, "Wait until it is done.")
    }

    /// As a page shows it beside what failed.
    pub fn value(&self) -> Value {
        json!({ "problem": self.problem, "advice": self.advice })
    }

    pub fn reply(&self) -> Reply {
        let mut reply = Reply::json(&json!({ "error": self.value() })).with_status(self.status);
        if self.status == StatusCode::PAYLOAD_TOO_LARGE
            || self.status == StatusCode::REQUEST_TIMEOUT
        {
            reply.extra.push(("connection", "close".into()));
        }
        reply
    }
}

impl From<Error> for Refusal {
    fn from(error: Error) -> Self {
        Refusal::of(&error)
    }
}

impl Refusal {
    /// An error of the library. On the page a setting is a field, not an option of the command line.
    pub fn of(error: &Error) -> Self {
        let status = match error {
            Error::Input { .. } => StatusCode::UNPROCESSABLE_ENTITY,
            Error::Output { .. } => StatusCode::INTERNAL_SERVER_ERROR,
            _ => StatusCode::BAD_REQUEST,
        };
        if let Error::Request { value, problem, .. } = error {
            return Refusal::senseless(match value {
                Some(value) => format!("{value}: {problem}"),
                None => problem.clone(),
            });
        }
        Refusal {
            status,
            problem: error.to_string(),
            advice: error.advice(),
        }
    }
}

/// A file of the page.
pub(super) fn page_file(name: &str) -> Answer {
    let bytes = page::file(name).ok_or_else(Refusal::unknown)?;
    Ok(Reply::bytes(page::media_type(name), bytes))
}
