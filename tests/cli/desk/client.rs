//! A desk that runs, and a client for it on plain sockets.
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// A program that runs as a desk, ended and cleared away when this is dropped.
pub struct Desk {
    pub child: Child,
    pub port: u16,
    pub token: String,
    pub cookie: String,
    /// Holds the folders "home" and, once something is written, "results".
    pub base: TempDir,
}

/// What came back.
pub struct Reply {
    pub status: u16,
    pub head: String,
    pub body: Vec<u8>,
}

impl Reply {
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap()
    }

    pub fn header(&self, name: &str) -> Option<&str> {
        let lines = self.head.lines().filter_map(|l| l.split_once(": "));
        let mut named = lines.filter(|(n, _)| n.eq_ignore_ascii_case(name));
        named.next().map(|(_, value)| value)
    }

    fn of(bytes: &[u8]) -> Self {
        let end = bytes.windows(4).position(|w| w == b"\r\n\r\n");
        let end = end.unwrap_or_else(|| panic!("no head in {} bytes", bytes.len()));
        let head = String::from_utf8(bytes[..end].to_vec()).unwrap();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        Reply {
            status,
            head,
            body: bytes[end + 4..].to_vec(),
        }
    }
}

impl Desk {
    /// A desk on a folder, in a home of its own.
    pub fn on(folder: &Path) -> Self {
        let base = tempfile::tempdir().unwrap();
        let home = base.path().join("home");
        std::fs::create_dir(&home).unwrap();
        let mut child = Command::new(env!("CARGO_BIN_EXE_stopspan"))
            .args(["desk", folder.to_str().unwrap(), "--no-browser", "--out"])
            .arg(base.path().join("results"))
            .env("HOME", &home)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        let mut said = BufReader::new(child.stdout.take().unwrap());
        said.read_line(&mut line).unwrap();
        let (before, token) = line.trim().split_once("/?token=").unwrap();
        let port = before.rsplit_once(':').unwrap().1.parse().unwrap();
        let mut desk = Desk {
            child,
            port,
            token: token.to_owned(),
            cookie: String::new(),
            base,
        };
        let entered = desk.send(&format!("GET /?token={token} HTTP/1.1\r\n"), &[], b"");
        assert_eq!(entered.status, 303, "{}", entered.head);
        let cookie = entered.header("set-cookie").unwrap();
        assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"));
        desk.cookie = cookie.split(';').next().unwrap().to_owned();
        desk
    }

    pub fn results(&self) -> PathBuf {
        self.base.path().join("results")
    }

    pub fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        let limit = Some(Duration::from_secs(60));
        stream.set_read_timeout(limit).unwrap();
        stream
    }

    /// Sends a request line, headers beside Host, and a body; reads until the other side closes.
    pub fn send(&self, line: &str, headers: &[&str], body: &[u8]) -> Reply {
        let host = format!("Host: 127.0.0.1:{}", self.port);
        self.send_as(&host, line, headers, body)
    }

    /// The same with a Host line of one's own.
    pub fn send_as(&self, host: &str, line: &str, headers: &[&str], body: &[u8]) -> Reply {
        let mut stream = self.connect();
        let mut head = format!("{line}{host}\r\nConnection: close\r\n");
        for header in headers {
            head.push_str(header);
            head.push_str("\r\n");
        }
        head.push_str("\r\n");
        stream.write_all(head.as_bytes()).unwrap();
        // A server that refuses need not take the rest.
        let _ = stream.write_all(body);
        let mut bytes = Vec::new();
        let _ = stream.read_to_end(&mut bytes);
        Reply::of(&bytes)
    }

    /// What the page's own requests carry.
    pub fn own(&self) -> [String; 3] {
        [
            format!("Cookie: {}", self.cookie),
            format!("Origin: http://127.0.0.1:{}", self.port),
            "Sec-Fetch-Site: same-origin".to_owned(),
        ]
    }

    pub fn get(&self, path: &str) -> Reply {
        let own = self.own();
        let headers: Vec<&str> = own.iter().map(String::as_str).collect();
        self.send(&format!("GET {path} HTTP/1.1\r\n"), &headers, b"")
    }

    /// The JSON at a path, which must be there.
    pub fn value(&self, path: &str) -> Value {
        let reply = self.get(path);
        let text = String::from_utf8_lossy(&reply.body);
        assert_eq!(reply.status, 200, "{path}: {text}");
        reply.json()
    }

    pub fn change(&self, method: &str, path: &str, body: &Value) -> Reply {
        let body = body.to_string();
        let length = format!("Content-Length: {}", body.len());
        let [cookie, origin, site] = self.own();
        let headers = [
            &*cookie,
            &origin,
            &site,
            "Content-Type: application/json",
            &length,
        ];
        let line = format!("{method} {path} HTTP/1.1\r\n");
        self.send(&line, &headers, body.as_bytes())
    }

    /// Posts, which must be accepted.
    pub fn post(&self, path: &str, body: &Value) -> Value {
        let reply = self.change("POST", path, body);
        let text = String::from_utf8_lossy(&reply.body);
        assert!(matches!(reply.status, 200 | 202), "{path} {body}: {text}");
        reply.json()
    }

    /// Opens the folder it was started with; gives the state.
    pub fn opened(&self) -> Value {
        let start = self.value("/api/state")["start"].clone();
        self.post("/api/open", &json!({ "folder": start }));
        self.value("/api/state")
    }

    /// Runs, and waits until it is over; gives how it ended.
    pub fn ran(&self, name: &str) -> Value {
        self.post("/api/run", &json!({ "name": name }));
        self.over()
    }

    /// How a run ended, once it has.
    pub fn over(&self) -> Value {
        let begun = Instant::now();
        while begun.elapsed() < Duration::from_secs(120) {
            let run = self.value("/api/state")["run"].clone();
            if !matches!(run["state"].as_str(), Some("running" | "cancelling")) {
                return run;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        panic!("the run did not end");
    }

    /// An upload of one file.
    pub fn upload(&self, id: &str, name: &str, bytes: &[u8]) -> Reply {
        let length = format!("Content-Length: {}", bytes.len());
        let [cookie, origin, site] = self.own();
        let line = format!("PUT /api/upload/{id}/{name} HTTP/1.1\r\n");
        self.send(&line, &[&cookie, &origin, &site, &length], bytes)
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The samples, by the path that the desk has for them.
pub fn bench() -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/bench");
    folder.canonicalize().unwrap()
}
