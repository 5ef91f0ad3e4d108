//! Who gets in: the browser that came by the address, asking from the desk's own page, and nobody else.
use super::client::{Desk, bench};
use serde_json::json;
use std::io::{Read, Write};

/// Requests that show, change and lead anywhere.
const LINES: [&str; 6] = [
    "GET / HTTP/1.1\r\n",
    "GET /page/desk.js HTTP/1.1\r\n",
    "GET /api/state HTTP/1.1\r\n",
    "GET /api/events HTTP/1.1\r\n",
    "POST /api/run HTTP/1.1\r\n",
    "PUT /api/upload/u1/a.jpg HTTP/1.1\r\n",
];

#[test]
fn a_foreign_host_is_refused() {
    let desk = Desk::on(&bench());
    let [cookie, _, site] = desk.own();
    for line in LINES {
        for host in [
            "example.org",
            "127.0.0.1",
            "127.0.0.1:1",
            "169.254.0.1",
            "localhost",
        ] {
            let host = format!("Host: {host}");
            let origin = format!("Origin: http://{}", &host[6..]);
            let reply = desk.send_as(&host, line, &[&cookie, &origin, &site], b"");
            assert_eq!(reply.status, 403, "{host} {line}");
        }
        // Hyper answers a request without the Host that HTTP/1.1 demands, or with two, as it likes; not with what was asked.
        let none = desk.send_as("X-Nothing: 1", line, &[&cookie], b"");
        assert!(matches!(none.status, 400 | 403), "{} {line}", none.status);
    }
}

#[test]
fn a_foreign_page_is_refused() {
    let desk = Desk::on(&bench());
    let [cookie, origin, _] = desk.own();
    for line in LINES {
        for foreign in [
            "Origin: http://example.org",
            "Origin: null",
            "Origin: http://127.0.0.1:1",
            "Sec-Fetch-Site: cross-site",
            "Sec-Fetch-Site: same-site",
        ] {
            let reply = desk.send(line, &[&cookie, foreign], b"");
            assert_eq!(reply.status, 403, "{foreign} {line}");
        }
    }
    // What changes something needs an origin; the right one alone does not do either.
    let reply = desk.send(LINES[4], &[&cookie], b"");
    assert_eq!(reply.status, 403);
    let reply = desk.send(LINES[4], &[&origin], b"");
    assert_eq!(reply.status, 401);
    assert!(desk.value("/api/state")["run"].is_null());
}

#[test]
fn without_the_cookie_there_is_nothing() {
    let desk = Desk::on(&bench());
    let name = desk.cookie.split('=').next().unwrap();
    let other = format!("Cookie: {name}={}", "0".repeat(32));
    let [_, origin, site] = desk.own();
    for line in LINES {
        for headers in [vec![], vec![other.as_str()], vec!["Cookie: a=b"]] {
            let headers = [headers, vec![&*origin, &*site]].concat();
            let reply = desk.send(line, &headers, b"");
            assert_eq!(reply.status, 401, "{line}");
            assert!(reply.header("set-cookie").is_none());
        }
    }
    for token in ["", "0", &"0".repeat(32), &desk.token[..31]] {
        let reply = desk.send(&format!("GET /?token={token} HTTP/1.1\r\n"), &[], b"");
        assert_eq!(reply.status, 401, "{token}");
    }
    // The printed address lets in again, and from a foreign page it does not.
    let line = format!("GET /?token={} HTTP/1.1\r\n", desk.token);
    assert_eq!(desk.send(&line, &["Sec-Fetch-Site: none"], b"").status, 303);
    assert_eq!(
        desk.send(&line, &["Sec-Fetch-Site: cross-site"], b"")
            .status,
        403
    );
}

#[test]
fn every_answer_keeps_pages_apart() {
    let desk = Desk::on(&bench());
    for path in [
        "/",
        "/page/desk.js",
        "/page/desk.css",
        "/api/state",
        "/api/none",
        "/results/r9/a",
    ] {
        let reply = desk.get(path);
        let policy = reply.header("content-security-policy").unwrap();
        assert!(policy.starts_with("default-src 'self';"), "{path}");
        assert!(!policy.contains("unsafe"), "{path}");
        assert_eq!(
            reply.header("cross-origin-resource-policy"),
            Some("same-origin")
        );
        assert_eq!(reply.header("x-content-type-options"), Some("nosniff"));
        assert_eq!(reply.header("referrer-policy"), Some("no-referrer"));
        assert!(reply.header("access-control-allow-origin").is_none());
    }
    let page = String::from_utf8(desk.get("/").body).unwrap();
    assert!(
        !page.contains(" style=") && !page.contains("<style"),
        "the policy forbids it"
    );
    assert!(
        page.matches("<script").count() == page.matches("<script type=\"module\" src=").count()
    );
}

#[test]
fn two_desks_stand_side_by_side() {
    let (one, two) = (Desk::on(&bench()), Desk::on(&bench()));
    assert_ne!(one.port, two.port);
    // A browser sends the cookies of both to both.
    let both = format!("Cookie: {}; {}", one.cookie, two.cookie);
    for desk in [&one, &two] {
        assert_eq!(desk.send(LINES[2], &[&both], b"").status, 200);
    }
    let crossed = format!("Cookie: {}", one.cookie);
    assert_eq!(two.send(LINES[2], &[&crossed], b"").status, 401);
    one.opened();
    assert!(two.value("/api/state")["opened"].is_null());
    let quit = one.change("POST", "/api/quit", &json!({}));
    assert_eq!(quit.status, 200);
    assert_eq!(two.get("/api/state").status, 200);
}

#[test]
fn only_this_machine_can_connect() {
    let desk = Desk::on(&bench());
    // Addresses of the loopback network beside 127.0.0.1 stand for any other address of the machine.
    for other in ["127.0.0.2", "127.255.255.254"] {
        assert!(
            std::net::TcpStream::connect((other, desk.port)).is_err(),
            "{other}"
        );
    }
}

/// A browser that takes "localhost" for the IPv6 address (RFC 6761, 6.3) gets the same answers there.
#[test]
fn the_other_loopback_address_is_answered_too() {
    let desk = Desk::on(&bench());
    let address = (std::net::Ipv6Addr::LOCALHOST, desk.port);
    let mut stream = match std::net::TcpStream::connect(address) {
        Ok(stream) => stream,
        Err(_) if std::net::TcpListener::bind((std::net::Ipv6Addr::LOCALHOST, 0)).is_err() => {
            eprintln!("SKIPPED: this machine has no ::1");
            return;
        }
        Err(error) => panic!("{error}"),
    };
    let mut ask = |host: &str| {
        let [cookie, ..] = desk.own();
        let head = format!(
            "GET /api/state HTTP/1.1\r\nHost: {host}:{}\r\n{cookie}\r\nConnection: close\r\n\r\n",
            desk.port
        );
        stream.write_all(head.as_bytes()).unwrap();
        let mut text = String::new();
        stream.read_to_string(&mut text).unwrap();
        stream = std::net::TcpStream::connect(address).unwrap();
        text
    };
    for host in ["[::1]", "localhost"] {
        let text = ask(host);
        assert!(text.starts_with("HTTP/1.1 200"), "{text}");
    }
    let text = ask("example.org");
    assert!(text.starts_with("HTTP/1.1 403"), "{text}");
}
