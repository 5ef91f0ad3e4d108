//! What happens, told to every open page as server-sent events (WHATWG HTML, 9.2).
use super::reply::{Content, Reply};
use bytes::Bytes;
use serde_json::Value;
use std::sync::{Mutex, PoisonError};
use tokio::sync::mpsc::{Receiver, Sender, channel};

/// Events that may wait for a page that does not read; one that lets more wait is let go, and comes again by itself.
const WAITING: usize = 256;

/// The pages that listen.
#[derive(Default)]
pub(super) struct Events(Mutex<Vec<Sender<Bytes>>>);

impl Events {
    /// Tells every page.
    pub fn tell(&self, name: &str, data: &Value) {
        self.send(&Bytes::from(format!("event: {name}\ndata: {data}\n\n")));
    }

    /// Sends a line that means nothing, by which connections that are gone show.
    pub fn tick(&self) {
        self.send(&Bytes::from_static(b":\n\n"));
    }

    fn send(&self, text: &Bytes) {
        let mut pages = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        pages.retain(|page| page.try_send(text.clone()).is_ok());
    }

    /// The answer to a page that wants to listen; `first` are the events it begins with.
    pub fn listen(&self, first: &[(&str, Value)]) -> Reply {
        let (sender, receiver): (_, Receiver<Bytes>) = channel(WAITING);
        for (name, data) in first {
            let _ = sender.try_send(format!("event: {name}\ndata: {data}\n\n").into());
        }
        let mut pages = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        pages.push(sender);
        let mut reply = Reply::bytes("text/event-stream", "");
        reply.content = Content::Pieces(receiver, None);
        reply
    }

    /// True while anyone listens.
    pub fn is_heard(&self) -> bool {
        let pages = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        !pages.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_page_that_does_not_read_is_let_go() {
        let events = Events::default();
        let reply = events.listen(&[("run", json!(1))]);
        for n in 0..2 * WAITING {
            events.tell("state", &json!(n));
        }
        assert!(!events.is_heard());
        let Content::Pieces(mut receiver, _) = reply.content else {
            panic!("not a stream");
        };
        assert_eq!(receiver.try_recv().unwrap(), "event: run\ndata: 1\n\n");
        assert_eq!(receiver.try_recv().unwrap(), "event: state\ndata: 0\n\n");
    }
}
