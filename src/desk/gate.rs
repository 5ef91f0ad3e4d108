//! Who may ask: only a browser on this machine that came by the address the program gave, and only from the desk's own page.
//!
//! A page of another site could otherwise send requests here: by name (its own name made to point to this machine, which the Host header
//! gives away), by form or script (which Origin and Sec-Fetch-Site give away), or by guessing the port (it has no cookie). Cookies are
//! shared by all ports of a machine, so the cookie's name holds the port.
use super::reply::Refusal;
use hyper::header::HeaderMap;
use hyper::{Method, StatusCode};
use std::sync::{Mutex, PoisonError};

/// Bytes of a secret.
const SECRET: usize = 16;

/// The secrets of one desk.
pub(super) struct Gate {
    port: u16,
    /// Value of the cookie.
    cookie: String,
    /// In the address that is printed; lets in as often as it is used.
    printed: String,
    /// In the address that the browser is started with, which other users of the machine can see in the list of processes: lets in
    /// once.
    launch: Mutex<Option<String>>,
}

impl Gate {
    /// New secrets for a server at `port`.
    pub fn new(port: u16) -> std::io::Result<Self> {
        Ok(Gate {
            port,
            cookie: secret()?,
            printed: secret()?,
            launch: Mutex::new(Some(secret()?)),
        })
    }

    /// The address to print.
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/?token={}", self.port, self.printed)
    }

    /// The address to start a browser with; `None` once it was used.
    pub fn launch_address(&self) -> Option<String> {
        let launch = self.launch.lock().unwrap_or_else(PoisonError::into_inner);
        let token = launch.as_ref()?;
        Some(format!("http://127.0.0.1:{}/?token={token}", self.port))
    }

    /// The cookie to set for someone who brings a token; `None` for a wrong one.
    pub fn admit(&self, token: &str) -> Option<String> {
        let mut launch = self.launch.lock().unwrap_or_else(PoisonError::into_inner);
        let launched = launch.as_ref().is_some_and(|known| same(known, token));
        if launched {
            *launch = None;
        }
        (launched || same(&self.printed, token)).then(|| {
            let (name, value) = (self.cookie_name(), &self.cookie);
            format!("{name}={value}; Path=/; HttpOnly; SameSite=Strict")
        })
    }

    fn cookie_name(&self) -> String {
        format!("stopspan-{}", self.port)
    }

    /// Checks where a request was sent to and from where, whatever it asks for.
    pub fn check_origin(&self, method: &Method, headers: &HeaderMap) -> Result<(), Refusal> {
        let foreign = |what: &str| {
            let problem = format!("The request's {what} is not the desk's.");
            let advice = "Open the address that the program printed.";
            Err(Refusal::new(StatusCode::FORBIDDEN, problem, advice))
        };
        let own = ["127.0.0.1", "localhost", "[::1]"].map(|host| format!("{host}:{}", self.port));
        let host = only(headers, "host").flatten();
        if !host.is_some_and(|host| own.iter().any(|o| o == host)) {
            return foreign("Host");
        }
        let reads = matches!(*method, Method::GET | Method::HEAD);
        match only(headers, "origin") {
            None => return foreign("Origin"),
            Some(None) if reads => {}
            Some(origin) => {
                let origin = origin.and_then(|o| o.strip_prefix("http://"));
                if origin.is_none() || origin != host {
                    return foreign("Origin");
                }
            }
        }
        match only(headers, "sec-fetch-site") {
            Some(None | Some("same-origin")) => Ok(()),
            Some(Some("none")) if reads => Ok(()),
            _ => foreign("Sec-Fetch-Site"),
        }
    }

    /// Checks the cookie.
    pub fn check_cookie(&self, headers: &HeaderMap) -> Result<(), Refusal> {
        let name = self.cookie_name();
        let cookies = headers.get_all("cookie").into_iter();
        let mut pairs = cookies
            .filter_map(|c| c.to_str().ok())
            .flat_map(|c| c.split(';'))
            .filter_map(|pair| pair.trim().split_once('='));
        if pairs.any(|(n, value)| n == name && same(value, &self.cookie)) {
            return Ok(());
        }
        let problem = "This browser has not come by the desk's address.";
        let advice = "Open the address that the program printed.";
        Err(Refusal::new(StatusCode::UNAUTHORIZED, problem, advice))
    }
}

/// The only value of a header: `None` if it is there several times or is no text, `Some(None)` if it is not there.
fn only<'a>(headers: &'a HeaderMap, name: &str) -> Option<Option<&'a str>> {
    let mut values = headers.get_all(name).into_iter();
    match (values.next(), values.next()) {
        (None, _) => Some(None),
        (Some(value), None) => value.to_str().ok().map(Some),
        _ => None,
    }
}

/// Compares in a time that does not tell how far two secrets agree.
fn same(a: &str, b: &str) -> bool {
    let differ = a
        .bytes()
        .zip(b.bytes())
        .fold(0, |all, (a, b)| all | (a ^ b));
    a.len() == b.len() && differ == 0
}

/// Random hexadecimal digits from the system.
fn secret() -> std::io::Result<String> {
    let mut bytes = [0; SECRET];
    getrandom::fill(&mut bytes).map_err(|e| std::io::Error::other(e.to_string()))?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(list: &[(&'static str, &str)]) -> HeaderMap {
        let mut headers = HeaderMap::new();
        for (name, value) in list {
            headers.append(*name, value.parse().unwrap());
        }
        headers
    }

    #[test]
    fn requests_from_elsewhere_are_refused() {
        let gate = Gate::new(4000).unwrap();
        let own = ("host", "127.0.0.1:4000");
        let asks = |method: Method, list: &[_]| gate.check_origin(&method, &headers(list)).is_ok();
        assert!(asks(Method::GET, &[own]));
        assert!(asks(
            Method::GET,
            &[
                ("host", "localhost:4000"),
                ("origin", "http://localhost:4000")
            ]
        ));
        assert!(asks(
            Method::POST,
            &[own, ("origin", "http://127.0.0.1:4000")]
        ));
        assert!(asks(Method::GET, &[own, ("sec-fetch-site", "none")]));
        for (method, list) in [
            (Method::GET, vec![]),
            (Method::GET, vec![("host", "127.0.0.1:4001")]),
            (Method::GET, vec![("host", "example.org")]),
            (Method::GET, vec![("host", "example.org:4000")]),
            (Method::GET, vec![own, own]),
            (Method::GET, vec![own, ("origin", "http://example.org")]),
            (Method::GET, vec![own, ("origin", "http://localhost:4000")]),
            (Method::GET, vec![own, ("origin", "null")]),
            (Method::GET, vec![own, ("sec-fetch-site", "cross-site")]),
            (Method::GET, vec![own, ("sec-fetch-site", "same-site")]),
            (Method::POST, vec![own]),
            (
                Method::POST,
                vec![own, ("origin", "https://127.0.0.1:4000")],
            ),
            (
                Method::POST,
                vec![
                    own,
                    ("origin", "http://127.0.0.1:4000"),
                    ("sec-fetch-site", "none"),
                ],
            ),
        ] {
            assert!(!asks(method.clone(), &list), "{method} {list:?}");
        }
    }

    #[test]
    fn the_browser_s_token_lets_in_once_and_the_printed_one_always() {
        let gate = Gate::new(4000).unwrap();
        let token = |address: String| address.split_once("token=").unwrap().1.to_owned();
        let launch = token(gate.launch_address().unwrap());
        let printed = token(gate.address());
        assert!(gate.admit("").is_none() && gate.admit("0").is_none());
        let cookie = gate.admit(&launch).unwrap();
        assert!(gate.admit(&launch).is_none() && gate.launch_address().is_none());
        assert!(gate.admit(&printed).is_some() && gate.admit(&printed).is_some());
        let pair = cookie.split(';').next().unwrap();
        let with = |c: &str| gate.check_cookie(&headers(&[("cookie", c)])).is_ok();
        assert!(with(pair) && with(&format!("a=b; {pair}")));
        assert!(!with(&pair.replace("4000", "4001")) && !with("stopspan-4000=") && !with(""));
        assert!(gate.check_cookie(&HeaderMap::new()).is_err());
    }
}
